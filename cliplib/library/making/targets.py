"""Where files that leave the library may be written."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from cliplib.catalogue.rows import FightRow
from cliplib.core.errors import InputError
from cliplib.reels.build import digest_of

REEL_ENDINGS = (".mp4", ".m4v")


def check_out(out: Path, root: Path, fights: Iterable[FightRow]) -> None:
    """Raise InputError for an output that would land on what a library is made of, or nowhere."""
    target = out.absolute()
    if target.is_dir():
        raise InputError(f"{out} is a folder; give a file name, such as {out / 'reel.mp4'}")
    if not target.parent.is_dir():
        raise InputError(f"{target.parent} does not exist; make that folder first")
    real = target.resolve()
    root = root.resolve()
    inside = real.is_relative_to(root) and real.relative_to(root).parts[0] != "reels"
    if inside or any(f.footage and f.footage.resolve() == real for f in fights):
        raise InputError(f"{out} belongs to the library or its footage; choose another place")


def check_film(out: Path, *, over: bool) -> None:
    """Raise InputError for a reel that is no MP4, or in the place of a file that is no reel of ours, unless
    it may go `over` that. A reel of ours is made anew in its place."""
    if out.suffix.casefold() not in REEL_ENDINGS:
        raise InputError(f"{out}: a reel is written as MP4; call it {out.with_suffix('.mp4').name}")
    if not over and out.exists() and digest_of(out) is None:
        raise InputError(f"{out} is there already and is no reel of ours; name another file, or use --force")
