"""Fight folders and libraries for tests, and what a library holds in a form that can be compared."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from collections.abc import Iterable
from pathlib import Path

from cliplib import Library
from cliplib.catalogue.catalogue import Catalogue
from cliplib.core.progress import Progress, silent
from cliplib.core.settings import read_settings
from cliplib.ingest.ingest import Ingest
from cliplib.ingest.report import IngestReport
from cliplib.library.care.check import Fault
from cliplib.vocabulary import load_vocabulary
from tests.media import footage

RED, BLUE = "Emeka Adeyemi", "Jonas Brandt"
HEAD = "time,fighter,action,outcome,note\n"
ROWS = (
    "0:02,Adeyemi,jab,missed,",
    "0:02.4,Brandt,counter right uppercut to the body,landed,nice and low",
    "0:06.5,Brandt,lead hook,blocked,",
)
"""Two exchanges of a fight whose only bell rings at 0:01; the footage is 8 s long at least."""


def toml(
    *,
    title: str = "Adeyemi v Brandt",
    date: str | None = "2024-05-11",
    file: str | None = "fight.mp4",
    logs: Iterable[tuple[str, str]] = (("log.csv", "JL"),),
    bell: str | None = "0:01",
) -> str:
    quoted = title.replace("\\", "\\\\").replace('"', '\\"')
    lines = [f'title = "{quoted}"', f"date = {date}" if date else "", "rounds = 1", "round_seconds = 7"]
    lines += ["[red]", f'name = "{RED}"', 'stance = "southpaw"', "[blue]", f'name = "{BLUE}"']
    lines += ['stance = "orthodox"']
    if file:
        lines += ["[footage]", f'file = "{file}"', f'first_bell = "{bell}"' if bell else ""]
    for name, by in logs:
        lines += ["[[log]]", f'file = "{name}"', f'by = "{by}"']
    return "\n".join(lines) + "\n"


def make_fight(
    folder: Path, *, kind: str | None = "closed gop", rows: Iterable[str] = ROWS, **more: object
) -> Path:
    """A fight folder. `kind`: of footage.KINDS, or None for a fight whose footage is not there yet."""
    folder.mkdir(parents=True)
    suffix = footage.KINDS[kind].suffix if kind else ".mp4"
    more.setdefault("file", f"fight{suffix}")
    (folder / "fight.toml").write_text(toml(**more), encoding="utf-8")  # type: ignore[arg-type]
    write_log(folder, rows)
    if kind:
        shutil.copy(footage.make(kind).path, folder / f"fight{suffix}")
    return folder


def write_log(folder: Path, rows: Iterable[str], name: str = "log.csv") -> None:
    (folder / name).write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")


def ingest(
    root: Path, *paths: Path, progress: Progress = silent, cut: bool = True, skip_bad_rows: bool = False
) -> IngestReport:
    """An ingest without the text index, which is another module's matter."""
    root.mkdir(parents=True, exist_ok=True)
    settings = read_settings(root / "settings.toml")
    catalogue = Catalogue(root / "catalogue.db", create=True)
    try:
        run = Ingest(root, catalogue, settings, load_vocabulary(root, settings.number_profile), progress)
        return run.run(paths, cut=cut, skip_bad_rows=skip_bad_rows)
    finally:
        catalogue.close()


def faults(library: Library, **how: bool) -> list[Fault]:
    """What `check` finds wrong with the library itself; a machine whose disk is nearly full is no matter of it."""
    return [f for f in library.care.check(**how) if "MB are free" not in f.what]


_VOLATILE = {"fights": ("revision",), "footage": ("mtime_ns",)}


def dump(root: Path) -> dict[str, object]:
    """All rows of the catalogue but counters and file dates, and a digest of each clip, poster and copy.

    Two libraries of the same fights at the same place that went through different troubles must be equal.
    """
    raw = sqlite3.connect(f"file:{root / 'catalogue.db'}?mode=ro", uri=True)
    raw.row_factory = sqlite3.Row
    held: dict[str, object] = {}
    try:
        for table in ("fighters", "fights", "footage", "logs", "exchanges", "actions", "marks", "clips"):
            held[table] = [
                {k: row[k] for k in row.keys() if k not in _VOLATILE.get(table, ())}  # noqa: SIM118 - a Row
                for row in raw.execute(f"SELECT * FROM {table} ORDER BY 1, 2")
            ]
    finally:
        raw.close()
    for kind in ("clips", "posters", "working"):
        for path in sorted((root / kind).rglob("*")):
            if path.is_file():
                held[path.relative_to(root).as_posix()] = hashlib.sha256(path.read_bytes()).hexdigest()
    return held


def clip_files(root: Path) -> dict[str, bytes]:
    """Clips and posters by their place in the library."""
    return {
        path.relative_to(root).as_posix(): path.read_bytes()
        for kind in ("clips", "posters")
        for path in sorted((root / kind).rglob("*"))
        if path.is_file()
    }
