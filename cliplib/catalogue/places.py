"""Files that a catalogue names: none of them lies outside the library, whatever somebody wrote into it.

A catalogue may come out of a backup that a stranger made. The one place that decides what it may point to.
"""

from __future__ import annotations

import re
from pathlib import Path

_PLACE = re.compile(r"(clips|posters|working)(/(?!\.)[^/\\\0:]+)+")


def inside(place: str | None) -> str | None:
    """A place within the library's folder as rows tell it, or None: for no place, and for one that is no
    clip's, poster's or working copy's."""
    return place if place is not None and _PLACE.fullmatch(place) else None


def sliced_from(place: str | None, footage: Path, root: Path) -> Path | None:
    """The file that clips are sliced from: a working copy in the library at `root`; else the footage itself,
    wherever a row says that it was."""
    if place is None:
        return None
    return root / place if inside(place) else footage
