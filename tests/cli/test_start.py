"""What a command loads: only what it needs. Times are compared in tests/bench/start.py."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from cliplib import Library

HEAVY = ("av", "PIL", "matplotlib", "fontTools", "whoosh", "sqlite_utils", "flask", "fpdf", "opentimelineio")
PROBE = (
    "import json, sys\n"
    "from cliplib.cli.main import main\n"
    "try:\n    main(sys.argv[1:])\n"
    "except SystemExit as end:\n    assert not end.code, end.code\n"
    "finally:\n    print(json.dumps(sorted(sys.modules)), file=sys.stderr)\n"
)


def loaded(*words: str) -> set[str]:
    done = subprocess.run([sys.executable, "-c", PROBE, *words], capture_output=True, text=True, check=True)
    return set(json.loads(done.stderr.splitlines()[-1]))


def test_help_loads_nothing(tmp_path: Path) -> None:
    modules = loaded("--help")
    assert not modules & {*HEAVY, "numpy", "sqlite3"}
    assert {name for name in modules if name.startswith("cliplib.")} <= {
        "cliplib.cli", "cliplib.cli.commands", "cliplib.cli.main", "cliplib.core", "cliplib.core.errors",
    }  # fmt: skip


@pytest.mark.parametrize("words", [("explain", "jab after a slip"), ("fights",), ("complete", "ja")])
def test_reading_a_phrase_loads_nothing_that_films_or_searches(
    tmp_path: Path, words: tuple[str, ...]
) -> None:
    Library(tmp_path / "library", create=True).close()
    assert not loaded("--library", str(tmp_path / "library"), *words) & {*HEAVY, "numpy"}


def test_finding_loads_no_film_and_no_words_of_notes(tmp_path: Path) -> None:
    """A phrase that is understood needs the columns alone."""
    Library(tmp_path / "library", create=True).close()
    assert not loaded("--library", str(tmp_path / "library"), "find", "jab after a slip") & set(HEAVY)
