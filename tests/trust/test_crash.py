"""Killed at any moment, an ingest that is run again gives the same library as one that was left in peace."""

from __future__ import annotations

import contextlib
import random
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

from cliplib import Library
from tests.libraries import ROWS, dump, faults, ingest, make_fight, write_log

# One process with everything imported forks a child for each trial, so that the kill falls into the work and
# not into Python's start. It reads "moment in seconds" lines and answers whether the child was killed.
_KILLER = """
import os, signal, sys, time
from pathlib import Path
from tests.libraries import ingest
root, fights = map(Path, sys.argv[1:])
for line in sys.stdin:
    child = os.fork()
    if child == 0:
        try:
            ingest(root, fights)
        finally:
            os._exit(0)
    time.sleep(float(line))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    print("killed" if os.WIFSIGNALED(status) else "finished", flush=True)
"""
KILLS = 30


def test_thirty_kills(tmp_path: Path) -> None:
    """SIGKILL, which nothing can catch, at random moments of a first ingest and of one after a change."""
    fights, root = tmp_path / "fights", tmp_path / "library"
    rows = [f"0:0{i}.{i},Adeyemi,jab,missed," for i in range(1, 8, 3)]
    make_fight(fights / "one", rows=rows)
    make_fight(fights / "two", kind="matroska", title="Other", rows=ROWS)

    ingest(root, fights)
    first = dump(root)
    write_log(fights / "one", [rows[0], rows[2], "0:05,Brandt,lead hook,landed,"])
    seconds = ingest(root, fights).seconds
    second = dump(root)
    shutil.rmtree(root)
    write_log(fights / "one", rows)
    seconds += ingest(root, fights).seconds
    assert dump(root) == first, "an ingest is repeatable to begin with"

    moments = random.Random(20241105)
    killed = 0
    killer = subprocess.Popen(
        [sys.executable, "-c", _KILLER, str(root), str(fights)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    assert killer.stdin is not None
    assert killer.stdout is not None

    def disturb() -> None:
        nonlocal killed
        assert killer.stdin is not None
        assert killer.stdout is not None
        killer.stdin.write(f"{moments.uniform(0.001, seconds)}\n")
        killer.stdin.flush()
        killed += killer.stdout.readline() == "killed\n"

    try:
        trial = 0
        while killed < KILLS:
            trial += 1
            assert trial < 6 * KILLS, "kills come too late to disturb anything"
            shutil.rmtree(root)
            root.mkdir()
            write_log(fights / "one", rows)
            disturb()
            if trial % 3 == 0:
                disturb()  # and again, on top of the ruins
            ingest(root, fights)
            assert dump(root) == first
            if trial % 2:
                write_log(fights / "one", [rows[0], rows[2], "0:05,Brandt,lead hook,landed,"])
                disturb()
                ingest(root, fights)
                assert dump(root) == second
            assert not list(root.rglob("*.part.*"))
    finally:
        killer.stdin.close()
        killer.wait()
        killer.stdout.close()


def test_killed_while_a_rollback_journal_was_in_use(tmp_path: Path) -> None:
    """Whoever opens it next takes the half of a transaction back (SQLite, "Atomic Commit In SQLite", 4.2: a hot
    journal); a connection that only reads cannot, and said that the database was read-only, for good."""
    library = Library(tmp_path / "library", create=True)
    library.close()
    raw = sqlite3.connect(library.folder / "catalogue.db", isolation_level=None)
    for statement in (
        "PRAGMA journal_mode = DELETE",
        "PRAGMA cache_size = 2",
        "BEGIN",
        "CREATE TABLE half (text)",
    ):
        raw.execute(statement)
    raw.executemany("INSERT INTO half VALUES (?)", [("y" * 4000,)] * 50)  # more than stays in memory
    shutil.copytree(library.folder, tmp_path / "killed")
    raw.close()
    assert (tmp_path / "killed" / "catalogue.db-journal").stat().st_size
    with contextlib.closing(Library(tmp_path / "killed")) as again:
        assert again.finding.fights() == ()
        assert faults(again) == []
    assert not (tmp_path / "killed" / "catalogue.db-journal").exists()
