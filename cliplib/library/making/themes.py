"""The library's own themes: files in its `themes` folder, and the reels that follow them."""

from __future__ import annotations

import datetime
import json
import re
import unicodedata
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from cliplib.core.errors import InputError, ThemeError
from cliplib.core.progress import Progress, silent
from cliplib.library.desk import Desk
from cliplib.library.filmlock import showing
from cliplib.library.finding.finding import Finding
from cliplib.library.making.reelmaker import ReelMaker
from cliplib.library.themefiles import FOLDER, ThemeFiles
from cliplib.media.files import replacing
from cliplib.reels import rebuild
from cliplib.reels.parts import ReelReport
from cliplib.reels.rebuild import Rebuilt
from cliplib.reels.theme import Theme
from cliplib.reels.theme_reading import read_theme, theme_from
from cliplib.reels.theme_writing import text_of_fields as text_of_fields

LONGEST = 200_000
"""Letters of a theme's text."""


@dataclass(frozen=True, slots=True)
class LastBuild:
    """When a theme's reel was last made, of how many clips, and what changed then, in English. `checked`:
    when it was last found to be up to date, if that was later. `shows`: its clips, by number."""

    made: str
    clips: int
    changes: tuple[str, ...]
    checked: str = ""
    shows: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ThemeFile:
    """A theme of the library. `theme` None: it cannot be read, and `problem` says why. `reel`: its film, None
    if it has not been made."""

    name: str
    theme: Theme | None
    problem: str
    reel: Path | None
    last: LastBuild | None = None

    @property
    def title(self) -> str:
        return (self.theme.settings.title or self.theme.phrase) if self.theme else self.name


class Themes:
    """`library.making.themes`."""

    def __init__(self, desk: Desk, finding: Finding, maker: ReelMaker, files: ThemeFiles):
        self._desk, self._finding, self._maker, self._files = desk, finding, maker, files
        self.folder = files.folder

    def all(self) -> list[ThemeFile]:
        """Every theme, by name; one that cannot be read too."""
        return [self.one(path.stem) for path in self._files.all()]

    def one(self, name: str) -> ThemeFile:
        """A theme by name; NotFoundError if there is none."""
        path = self._files.one(name)
        reel = self._reel(name)
        film = reel if reel.is_file() and not reel.with_suffix(".json").exists() else None
        last = self._last(name)
        if not self._desk.hiding.all_seen(last.shows if last else ()):
            film = last = None
        try:
            return ThemeFile(name, read_theme(path), "", film, last)
        except ThemeError as problem:
            return ThemeFile(name, None, str(problem), film, last)

    def read(self, name: str) -> Theme:
        """The theme; ThemeError says what is wrong with its file."""
        return read_theme(self._files.one(name))

    def text(self, name: str) -> str:
        """Its file as it is written."""
        return self._files.one(name).read_text(encoding="utf-8-sig", errors="replace")

    def check(self, text: str, name: str = "theme") -> Theme:
        """The theme that a text is; ThemeError with every problem and its line."""
        if len(text) > LONGEST:
            raise InputError(f"a theme of {len(text)} letters is too long; {LONGEST} are enough for any")
        theme = theme_from(text, name)
        self._finding.explain(theme.phrase, strict=theme.strict)
        return theme

    def put(self, text: str, name: str | None = None) -> str:
        """Keep a theme's text as it is and return its name. `name` None: a new one, named after its title.
        What cannot be read is not kept (ThemeError)."""
        theme = self.check(text, f"{name or 'theme'}{Path(rebuild.NAME).suffix}")
        if name is None:
            name = self._free_name(theme.settings.title or theme.phrase)
        else:
            self._files.one(name)
        self.folder.mkdir(parents=True, exist_ok=True)
        with replacing(self.folder / f"{name}.toml") as temporary:
            temporary.write_text(text, encoding="utf-8")
        return name

    def remove(self, name: str) -> None:
        """Throw a theme and its reel away; the clips stay."""
        theme = self.one(name)
        if theme.reel is not None:
            theme.reel.unlink(missing_ok=True)
        self._note(name).unlink(missing_ok=True)
        self._files.one(name).unlink(missing_ok=True)

    def clips(self, name: str) -> tuple[int, ...]:
        """The clips that its reel would show now, in its order. InputError when there are none."""
        return self._maker.shown(self.read(name)).shows

    def build(self, name: str, progress: Progress = silent) -> ReelReport:
        """Make a theme's reel if its result has changed; the report says what changed."""
        return self._make(name, self.read(name), progress)

    def shows(self, theme: Theme) -> tuple[str, int]:
        """How a theme's phrase is read, in plain English, and how many clips its reel would show now."""
        try:
            shown = self._maker.shown(theme)
        except InputError:
            return self._finding.explain(theme.phrase).said, 0
        return shown.said, len(shown.clips)

    def build_all(
        self, themes: Path | None = None, out: Path | None = None, progress: Progress = silent
    ) -> tuple[Rebuilt, ...]:
        """Make the reel of each theme file in `themes` (else the library's own) whose result has changed.

        They go into `out`, else beside the themes; those of the library's own themes into its `reels`.
        """
        own = themes is None and out is None

        def make(theme: Theme, reel: Path) -> ReelReport:
            if own:
                return self._make(reel.stem, theme, progress)
            return self._maker.reel(theme, reel, only_if_changed=True, progress=progress)

        return rebuild.rebuild(themes or self.folder, out or themes or self._desk.reels, make)

    def _make(self, name: str, theme: Theme, progress: Progress) -> ReelReport:
        film = self._film(name)
        with showing(self._desk.folder):
            shown = self._maker.shown(theme)
            report = self._maker.build(shown, shown.theme.settings, film, progress, only_if_changed=True)
            now = datetime.datetime.now().strftime("%Y-%m-%d %H:%M")
            last = self._last(name)
            if report.changed or last is None:
                last = LastBuild(now, len(shown.clips), report.changes, shows=shown.shows)
            else:
                last = replace(last, checked=now)
            with replacing(self._note(name)) as temporary:
                temporary.write_text(json.dumps(asdict(last), ensure_ascii=False), encoding="utf-8")
            return report

    def _note(self, name: str) -> Path:
        return self._desk.cache / FOLDER / f"{name}.json"

    def _last(self, name: str) -> LastBuild | None:
        try:
            told = json.loads(self._note(name).read_text(encoding="utf-8"))
            return LastBuild(
                str(told["made"]),
                int(told["clips"]),
                tuple(map(str, told["changes"])),
                str(told["checked"]),
                tuple(map(int, told["shows"])),
            )
        except (OSError, ValueError, LookupError, TypeError):
            return None

    def _reel(self, name: str) -> Path:
        return self._desk.reels / f"{name}.mp4"

    def _film(self, name: str) -> Path:
        """Where a theme's reel goes; InputError where a reel made by hand has that name."""
        film = self._reel(name)
        if film.with_suffix(".json").exists():
            raise InputError(
                f"a reel called “{name}” is kept in this library already; rename {FOLDER}/{name}.toml"
            )
        film.parent.mkdir(parents=True, exist_ok=True)
        return film

    def _free_name(self, title: str) -> str:
        plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().casefold()
        stem = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-") or "theme"
        for number in range(1, 10_000):
            name = stem if number == 1 else f"{stem}-{number}"
            if not (self.folder / f"{name}.toml").exists() and not self._reel(name).exists():
                return name
        raise InputError(f"there are too many themes called “{title}”; give this one another title")
