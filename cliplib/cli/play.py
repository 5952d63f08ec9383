"""Handing clips to the player that the system opens videos with."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from cliplib import InputError, MediaError, medium


def play(files: Sequence[Path], folder: Path) -> None:
    """Open one clip, or several as a playlist (M3U, UTF-8) in the cache of the library in `folder`, or, where
    that cannot be written, among the system's temporary files.

    Raises InputError when there is nothing to play, MediaError when this system has no way to open a file.
    """
    if not files:
        raise InputError("none of these clips has been cut yet, so there is nothing to play")
    target = files[0]
    if len(files) > 1:
        kept = Path(tempfile.mkdtemp(prefix="cliplib-")) if medium.is_read_only(folder) else folder / "cache"
        playlist = kept / "found.m3u8"
        playlist.parent.mkdir(parents=True, exist_ok=True)
        playlist.write_text("#EXTM3U\n" + "".join(f"{file}\n" for file in files), encoding="utf-8")
        target = playlist
    if sys.platform == "win32":
        import os

        os.startfile(target)  # noqa: S606 - that is how Windows opens a file with its default program
        return
    opener = shutil.which("open" if sys.platform == "darwin" else "xdg-open")
    if opener is None:
        raise MediaError(f"this system has no default player; open {target} in any video player")
    done = subprocess.run([opener, str(target)], stdin=subprocess.DEVNULL, check=False)
    if done.returncode:
        raise MediaError(f"the system's player could not open {target}; open it in any video player")
