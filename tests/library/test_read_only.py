"""A library that cannot be written is searched, watched, counted and checked; nothing in it changes.

Tried from a process that cannot write it: in a mount of its own that is read-only (Linux, user namespaces), and
as somebody without the right.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cliplib import Library, StorageError
from tests.libraries import BLUE, ROWS, make_fight
from tests.trust.reading import COMMANDS, PAGES

_NOT_ROOT = "-dac_override"
_MOUNT = 'mount --bind "$1" "$1" && mount -o remount,bind,ro "$1" && exec "$2" -m tests.trust.reading "$1"'


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    """Somewhere that others may read, with a library whose last change stands in SQLite's log alone."""
    place = Path(tempfile.mkdtemp(prefix="cliplib-reading-"))
    place.chmod(0o755)
    make_fight(place / "fights" / "one", rows=ROWS)
    library = Library(place / "library", create=True)
    assert library.logging.ingest([place / "fights"]).exit_code == 0
    library.finding.find("nice")
    name = library.making.breakdowns.put(None, "# It\n\n## First\n\n- [one](clip:1)\n")
    text = place / "library" / "breakdowns" / name / "breakdown.md"
    text.write_text(text.read_text() + "\nIt is [1](count:jab).\n")  # by another editor: not noted yet
    shutil.copytree(place / "library", place / "still")
    library.logging.live.add(1, "MK", 100, "overhand", fighter=BLUE)
    library.finding.find("overhand")
    library.finding.words("nice")
    for name in ("copied in use", "copied in part"):
        shutil.copytree(place / "library", place / name)
    library.close()
    for lost in ("catalogue.db-shm", "columns", "index"):
        gone = place / "copied in part" / lost
        shutil.rmtree(gone) if gone.is_dir() else gone.unlink()
    yield place
    shutil.rmtree(place)


def tried(library: Path, way: str) -> dict[str, Any]:
    if way == "mount":
        if (
            shutil.which("unshare") is None
            or subprocess.run(["unshare", "-rm", "true"], check=False).returncode
        ):
            pytest.skip("no mount of one's own on this machine")
        command = ["unshare", "-rm", "sh", "-c", _MOUNT, "sh", str(library), sys.executable]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    else:
        for path in (library, *library.rglob("*")):
            path.chmod(0o555 if path.is_dir() else 0o444)
        command = [sys.executable, "-m", "tests.trust.reading", str(library)]
        if os.geteuid() == 0:  # for whom rights are no obstacle, unless that is taken away
            if shutil.which("setpriv") is None:
                pytest.skip("root without setpriv")
            command = ["setpriv", f"--bounding-set={_NOT_ROOT}", f"--inh-caps={_NOT_ROOT}", *command]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    found: dict[str, Any] = json.loads(done.stdout)
    return found


@pytest.mark.parametrize(
    ("name", "way", "overhands"),
    [
        ("still", "mount", 0),
        ("still", "rights", 0),
        ("copied in use", "mount", 1),
        ("copied in part", "mount", 1),
    ],
)
def test_it_is_read_and_never_changed(folder: Path, name: str, way: str, overhands: int) -> None:
    told = tried(folder / name, way)
    log = told["library"].pop("log")
    for said in (log, *told["library"].pop("refused")):
        assert said.startswith("StorageError: the library at "), said
        assert said.endswith("nothing was changed"), said
    assert told["library"] == {
        "overhand": overhands, "find": 1, "find in another thread": 1, "words": 1, "tally": 3 + overhands,
        "watch": "ftyp", "check": [], "breakdown": True, "private": 1,
    }  # fmt: skip
    assert told["commands"] == {command: [0, 1] for command in COMMANDS}
    assert told["pages"] == dict.fromkeys(PAGES, 200)
    assert told["changed"] == []


def test_a_reader_follows_what_others_write(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever may not write a gym's library sees what others write into it, also what they write later."""
    place = folder / "used"
    shutil.copytree(folder / "still", place)
    place.chmod(0o755)
    for path in place.iterdir():
        path.chmod(0o755 if path.is_dir() else 0o644)
    writer = Library(place)
    monkeypatch.setattr(os, "access", lambda path, mode: mode != os.W_OK)
    reader = Library(place)
    assert reader.finding.find("bolo").total == 0
    writer.logging.live.add(1, "MK", 100, "bolo", fighter=BLUE)
    assert reader.finding.find("bolo").total == 1
    writer.close()  # brings its log into the file
    assert reader.finding.find("bolo").total == 1
    writer.logging.live.add(1, "MK", 102, "bolo", fighter=BLUE)
    assert reader.evidence.tally("bolo").table.total.tried == 2
    with pytest.raises(StorageError, match="repair a copy"):
        reader.care.check(repair=True)
    reader.close()
