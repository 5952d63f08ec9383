"""Letters for any script: the fonts that come with cliplib, and for what they lack the system's own.

A line is set in stretches, each in one font. Within a stretch Raqm shapes and orders the letters, if Pillow
has it; a line that begins from right to left has its stretches laid that way too (after the Unicode
bidirectional algorithm, UAX #9, but not all of it).
"""

from __future__ import annotations

import contextlib
import functools
import os
import struct
import sys
import threading
import unicodedata
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from fontTools.ttLib import TTFont, TTLibError
from PIL import ImageDraw, ImageFont, features

FONTS = Path(__file__).parent / "fonts"

_KINDS = (".ttf", ".otf", ".ttc", ".otc")
_LESS_LIKED = ("mono", "italic", "oblique", "serif", "light", "thin", "black", "condensed", "bold", "symbol")
# Scripts whose letters change with their neighbours, by the beginning of their characters' Unicode names.
_SHAPED = frozenset(
    (
        *("ARABIC", "SYRIAC", "DEVANAGARI", "BENGALI", "GURMUKHI", "GUJARATI", "ORIYA", "TAMIL", "TELUGU"),
        *("KANNADA", "MALAYALAM", "SINHALA", "THAI", "LAO", "TIBETAN", "MYANMAR", "KHMER", "MONGOLIAN"),
    )
)
# What damaged fonts bring out of their reader.
_DAMAGED = (
    *(TTLibError, OSError, ValueError, LookupError, ArithmeticError),
    *(AssertionError, TypeError, AttributeError, struct.error),
)

_known: dict[str, Path | None] = {}
_searching = threading.Lock()


def folders() -> list[Path]:
    """Where systems keep their fonts."""
    home = Path.home()
    if sys.platform == "darwin":
        return [Path("/System/Library/Fonts"), Path("/Library/Fonts"), home / "Library/Fonts"]
    if sys.platform == "win32":
        local = Path(os.environ.get("LOCALAPPDATA", home / "AppData/Local"))
        return [Path(os.environ.get("WINDIR", "C:/Windows")) / "Fonts", local / "Microsoft/Windows/Fonts"]
    data = os.environ.get("XDG_DATA_DIRS") or "/usr/local/share:/usr/share"
    own = Path(os.environ.get("XDG_DATA_HOME") or home / ".local/share")
    return [own / "fonts", home / ".fonts", *(Path(folder) / "fonts" for folder in data.split(":") if folder)]


class Typeface:
    """Text in one size, `size` pixels, on a line."""

    def __init__(self, size: int, bold: bool = False):
        self.size = size
        self.plain = _open(_own(bold), size)
        """The font without help for what it lacks: for digits."""
        self._bold = bold

    def getlength(self, text: str) -> float:
        """Pixels that the text takes up."""
        return sum(face.getlength(piece) for face, piece in self._stretches(text))

    def write(self, draw: ImageDraw.ImageDraw, at: tuple[float, float], text: str, **look: Any) -> None:
        """Its lower left, on the line that letters stand on, is `at` (x, y). `look`: of Pillow's `text`."""
        x, y = at
        for face, piece in self._stretches(text):
            draw.text((x, y), piece, font=face, anchor="ls", **look)
            x += face.getlength(piece)

    def _stretches(self, text: str) -> list[tuple[ImageFont.FreeTypeFont, str]]:
        """From left to right."""
        stretches: list[tuple[Path, str]] = []
        own = _own(self._bold)
        wanted = fonts_for(text)
        for character in text:
            path = wanted.get(character) or own
            if stretches and (path == stretches[-1][0] or not _counts(character)):
                stretches[-1] = stretches[-1][0], stretches[-1][1] + character
            else:
                stretches.append((path, character))
        return [(_open(path, self.size), piece) for path, piece in _as_laid(stretches, _from_right(text))]


@functools.lru_cache(maxsize=64)
def typeface(size: int, bold: bool = False) -> Typeface:
    return Typeface(size, bold)


def fonts_for(text: str) -> dict[str, Path | None]:
    """Each character that the fonts of cliplib lack, with the font of the system that has it, or None."""
    own = _coverage(_own(False))
    lacking = {c for c in text if ord(c) not in own and _counts(c)}
    if not lacking:
        return {}
    with _searching:
        missing = {ord(c) for c in lacking - _known.keys()}
        for path in _installed() if missing else ():
            found = missing & _coverage(path)
            _known.update((chr(code), path) for code in found)
            missing -= found
            if not missing:
                break
        _known.update((chr(code), None) for code in missing)
        return {c: _known[c] for c in lacking}


def faults(texts: Iterable[str]) -> str:
    """What will be wrong with them when they are drawn, in a sentence for a person; empty if nothing."""
    whole = "".join(texts)
    missing = sorted(c for c, path in fonts_for(whole).items() if path is None)
    said = []
    if missing:
        shown = " ".join(missing[:20]) + (" …" if len(missing) > 20 else "")
        said.append(
            f"no font on this machine has {shown}: empty boxes are drawn instead; install one that does"
        )
    shaped = {name for c in whole if (name := unicodedata.name(c, "").split(" ")[0]) in _SHAPED}
    if shaped and not features.check("raqm"):
        names = ", ".join(sorted(name.capitalize() for name in shaped))
        said.append(f"{names} letters are not joined as they should be: Pillow has no Raqm here")
    return "; ".join(said)


def basis(texts: Iterable[str]) -> list[str]:
    """What the drawing of these texts depends on beside themselves: the system's fonts that are used."""
    return sorted({path.name if path else "" for path in fonts_for("".join(texts)).values()})


def _own(bold: bool) -> Path:
    return FONTS / f"DejaVuSans{'-Bold' if bold else ''}.ttf"


@functools.lru_cache(maxsize=256)
def _open(path: Path, size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(path), size)


def _counts(character: str) -> bool:
    """Not for spaces and what only goes with the letter before it: they stay in its font."""
    return unicodedata.category(character) not in ("Zs", "Mn", "Me", "Cf")


def _from_right(text: str, otherwise: bool = False) -> bool:
    """By its first letter with a direction (UAX #9, rules P2 and P3)."""
    for character in text:
        direction = unicodedata.bidirectional(character)
        if direction in ("L", "R", "AL"):
            return direction != "L"
    return otherwise


def _as_laid(stretches: list[tuple[Path, str]], from_right: bool) -> list[tuple[Path, str]]:
    """From left to right: what is read from the right is turned round, as is the order of such parts and
    others in a line from the right (UAX #9, rule L2).
    """
    if len(stretches) < 2:
        return stretches
    parts: list[tuple[bool, list[tuple[Path, str]]]] = []
    turned = from_right
    for stretch in stretches:
        turned = _from_right(stretch[1], turned)
        if parts and parts[-1][0] == turned:
            parts[-1][1].append(stretch)
        else:
            parts.append((turned, [stretch]))
    laid = [part[::-1] if turned else part for turned, part in (parts[::-1] if from_right else parts)]
    return [stretch for part in laid for stretch in part]


@functools.lru_cache(maxsize=1)
def _installed() -> tuple[Path, ...]:
    """The system's fonts, those first that go best with ours: upright, of even strokes, of usual weight."""
    found = {p for folder in folders() for p in folder.rglob("*") if p.suffix.lower() in _KINDS}

    def liking(path: Path) -> tuple[int, str]:
        name = path.stem.lower().replace("sansserif", "")
        return sum(word in name for word in _LESS_LIKED), path.name

    return tuple(sorted(found, key=liking))


@functools.lru_cache(maxsize=64)
def _coverage(path: Path) -> frozenset[int]:
    """The characters that the font has outlines for; none if it is damaged, or of pictures in fixed sizes."""
    try:
        with path.open("rb") as file, TTFont(file, fontNumber=0, lazy=True) as font:
            if not {"glyf", "CFF ", "CFF2"} & set(font.keys()):
                return frozenset()
            return frozenset(font.getBestCmap() or ())
    except _DAMAGED:
        return frozenset()


@contextlib.contextmanager
def closing_fonts(document: Any) -> Iterator[None]:
    """Close the font files that an fpdf2 document keeps open, however the block ends."""
    try:
        yield
    finally:
        for font in document.fonts.values():
            if hasattr(font, "ttfont"):
                font.ttfont.close()
