"""How long the command line takes before it works: processor time of a command as a ratio to a Python that imports
click, tomllib and sqlite3, in turn; not a test.

    python -m tests.bench.start [LIBRARY]      default: build/demo/library, which `make demo` makes
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from statistics import median

ROUNDS = 7
GOALS = {"--help": 1.5, "explain": 2.5, "find": 5.0}


def seconds(words: Sequence[str]) -> float:
    """Processor time of a process, its own and the system's for it."""
    child = subprocess.Popen([sys.executable, *words], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        sys.exit(f"{' '.join(words)} failed")
    return used.ru_utime + used.ru_stime


def main(arguments: Sequence[str]) -> int:
    library = Path(arguments[0] if arguments else "build/demo/library")
    if not (library / "catalogue.db").is_file():
        sys.exit(f"there is no library at {library}; make it with: make demo")
    cliplib = ("-m", "cliplib", "--library", str(library))
    asked = {
        "python": ("-c", "import click, tomllib, sqlite3"),
        "--help": (*cliplib, "--help"),
        "explain": (*cliplib, "explain", "counter to the body after a missed jab"),
        "find": (*cliplib, "find", "counter to the body after a missed jab"),
    }
    taken: dict[str, list[float]] = {name: [] for name in asked}
    for _ in range(ROUNDS):
        for name, words in asked.items():
            taken[name].append(seconds(words))
    print(f"python with click, tomllib, sqlite3: {1000 * median(taken['python']):.0f} ms; median of {ROUNDS}")
    missed = 0
    for name, goal in GOALS.items():
        ratio = median(mine / plain for mine, plain in zip(taken[name], taken["python"], strict=True))
        missed += ratio > goal
        print(f"{name:10} {ratio:5.2f} times that (goal {goal}){'' if ratio <= goal else '   MISSED'}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
