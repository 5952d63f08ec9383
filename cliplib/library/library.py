"""The one door: what the command line and the pages ask of a library, and nothing behind it.

    library = Library(Path("our-library"))
    found = library.finding.find("counter to the body after a missed jab")
    library.making.reel("counter to the body after a missed jab", Path("counters.mp4"))

Reading never waits for an ingest. One Library serves any number of threads.
"""

from __future__ import annotations

from pathlib import Path

from cliplib.library.care.care import Care
from cliplib.library.desk import Desk
from cliplib.library.evidence.evidence import Evidence
from cliplib.library.finding.finding import Finding
from cliplib.library.logging.logging import Logging
from cliplib.library.making.making import Making
from cliplib.library.themefiles import ThemeFiles


class Library:
    """A folder with everything in it. `create`: make it if it is not there, else NotFoundError.
    `hide_private`: as if private fights were not there, for those who only look; nothing can be written then.

    `finding` reads phrases and finds, `logging` takes in what happened, `evidence` counts, `making` makes
    film, `care` looks after it all. They stand on the `desk`, which commands and pages leave alone.

    Raises SettingsError for a wrong settings.toml or terms.toml, StorageError for a damaged catalogue.
    """

    def __init__(self, folder: Path, *, create: bool = False, hide_private: bool = False):
        self.desk = Desk(folder, create=create, hide_private=hide_private)
        self.folder = self.desk.folder
        self.settings, self.vocabulary = self.desk.settings, self.desk.vocabulary
        themes = ThemeFiles(self.desk)
        self.finding = Finding(self.desk, themes)
        self.logging = Logging(self.desk)
        self.evidence = Evidence(self.desk, self.finding)
        self.making = Making(self.desk, self.finding, self.evidence, themes)
        self.care = Care(self.desk, self.finding.history, self.logging, self.making)

    def close(self) -> None:
        """Let go of the calling thread's connection."""
        self.desk.catalogue.close()
