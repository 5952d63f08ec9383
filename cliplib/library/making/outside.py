"""What is written outside the library: noted while it is, so that whoever is killed at it leaves nothing that
nobody knows of. Half a backup or half a reel can hold any name of the library, also a private one."""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Iterator
from pathlib import Path

from cliplib.ingest.cut import take_away, unfinished

NOTES = "unfinished"


@contextlib.contextmanager
def noted_outside(root: Path, place: Path) -> Iterator[None]:
    """Hold while something is written into the folder `place` for the library at `root`. First takes away
    what others were killed at, wherever it was noted. Where nothing can be noted, nothing is."""
    take_away(parts_elsewhere(root))
    parts_elsewhere(root)  # notes of what is gone now go too
    note = root / NOTES / f"{os.getpid()}-{threading.get_ident() & 0xFFFFFF:x}.json"
    with contextlib.suppress(OSError):
        note.parent.mkdir(exist_ok=True)
        note.write_text(json.dumps({"place": str(place.resolve())}), encoding="utf-8")
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            note.unlink(missing_ok=True)


def parts_elsewhere(root: Path) -> list[Path]:
    """What somebody who is no more was in the middle of writing outside the library: where it was noted, and
    beside the library, where a restored one would lie."""
    found = {path for path in unfinished(root.parent) if path.name.startswith(".restore-")}
    for note in (root / NOTES).glob("*.json"):
        process = note.stem.partition("-")[0]
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            place = Path(json.loads(note.read_text(encoding="utf-8"))["place"])
            parts = [
                path
                for path in unfinished(place)
                if f"{process}-" in path.name or f".{process}." in path.name
            ]
            found.update(parts)
            if not parts and not _lives(process):
                note.unlink(missing_ok=True)
    return sorted(found)


def _lives(process: str) -> bool:
    try:
        os.kill(int(process), 0)
    except (ProcessLookupError, ValueError):
        return False
    except OSError:
        pass
    return True
