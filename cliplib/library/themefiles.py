"""The theme files in a library's `themes` folder: which there are, for whom, and what they look for."""

from __future__ import annotations

from pathlib import Path

from cliplib.core.errors import NotFoundError, ThemeError
from cliplib.library.desk import Desk

FOLDER = "themes"
_LONGEST_NAME = 240  # bytes: with its ending it fits into a file name


class ThemeFiles:
    """Those who may only look are not told of themes that name somebody whom they are not to know of."""

    def __init__(self, desk: Desk):
        self._desk = desk
        self.folder = desk.folder / FOLDER
        self._phrases: tuple[dict[Path, int], list[str]] | None = None

    def all(self) -> list[Path]:
        """By name."""
        files = sorted(self.folder.glob("*.toml"), key=lambda path: path.stem)
        return [path for path in files if not self._tells(path)]

    def one(self, name: str) -> Path:
        """NotFoundError if there is none of that name. A name never leads outside the folder."""
        path = self.folder / f"{name}.toml"
        if (
            len(name.encode("utf-8", "surrogatepass")) > _LONGEST_NAME
            or name in ("", ".", "..")
            or Path(name).name != name
            or not path.is_file()
            or self._tells(path)
        ):
            raise NotFoundError(f"there is no theme called “{name}” in this library")
        return path

    def phrases(self) -> list[str]:
        """What they look for, each once; files that cannot be read are passed over."""
        files = {path: path.stat().st_mtime_ns for path in self.all()}
        if self._phrases is None or self._phrases[0] != files:
            self._phrases = files, list(dict.fromkeys(filter(None, map(_phrase, files))))
        return self._phrases[1]

    def _tells(self, path: Path) -> bool:
        if not self._desk.hiding.active:
            return False
        try:
            text = path.read_text(encoding="utf-8-sig", errors="replace")
        except OSError:
            return True
        return self._desk.hiding.told_in(f"{path.stem} {text}")


def _phrase(path: Path) -> str:
    from cliplib.reels.theme_reading import read_theme  # heavy, and most of the time there is no theme

    try:
        return read_theme(path).phrase
    except ThemeError:
        return ""
