"""The one door: what the command line and the pages ask of a library, and nothing behind it.

    library = Library(Path("our-library"))
    found = library.finding.find("counter to the body after a missed jab")
    library.making.reel("counter to the body after a missed jab", Path("counters.mp4"))

Reading never waits for an ingest. One Library serves any number of threads.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar, cast

from cliplib.library.desk import Desk
from cliplib.library.themefiles import ThemeFiles

if TYPE_CHECKING:
    from cliplib.library.care.care import Care
    from cliplib.library.evidence.evidence import Evidence
    from cliplib.library.finding.finding import Finding
    from cliplib.library.logging.logging import Logging
    from cliplib.library.making.making import Making

S = TypeVar("S")


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
        self._themes = ThemeFiles(self.desk)
        self._services: dict[type, object] = {}
        self._one_at_a_time = threading.RLock()

    # A service is imported and made when it is first asked for: who only reads a phrase loads nothing else.

    @property
    def finding(self) -> Finding:
        from cliplib.library.finding.finding import Finding

        return self._service(Finding, lambda: Finding(self.desk, self._themes))

    @property
    def logging(self) -> Logging:
        from cliplib.library.logging.logging import Logging

        return self._service(Logging, lambda: Logging(self.desk))

    @property
    def evidence(self) -> Evidence:
        from cliplib.library.evidence.evidence import Evidence

        return self._service(Evidence, lambda: Evidence(self.desk, self.finding))

    @property
    def making(self) -> Making:
        from cliplib.library.making.making import Making

        return self._service(Making, lambda: Making(self.desk, self.finding, self.evidence, self._themes))

    @property
    def care(self) -> Care:
        from cliplib.library.care.care import Care

        return self._service(Care, lambda: Care(self.desk, self.finding.history, self.logging, self.making))

    def _service(self, kind: type[S], make: Callable[[], S]) -> S:
        made = self._services.get(kind)
        if made is None:
            with self._one_at_a_time:
                made = self._services.get(kind) or self._services.setdefault(kind, make())
        return cast(S, made)

    def close(self) -> None:
        """Let go of the calling thread's connection."""
        self.desk.catalogue.close()
