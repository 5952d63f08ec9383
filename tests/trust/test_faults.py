"""A few of the moments that `python -m tests.trust.faults` goes through by the hundred; and a few fuzzed inputs."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.trust.crowd import Crowd
from tests.trust.fault_shim import KINDS
from tests.trust.fault_work import SCENARIOS
from tests.trust.fuzz_targets import TARGETS

ROOT = Path(__file__).parents[2]


def _run(*command: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False, timeout=250
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_faults(tmp_path: Path) -> None:
    """Each kind of fault and each kind of work once; the process forks, so it is one of its own."""
    results = tmp_path / "results.jsonl"
    said = _run("tests.trust.faults", "--moments", "9", "--seed", "3", "--results", str(results))
    assert "9 moments: 0 wrong" in said
    noted = [json.loads(line) for line in results.read_text().splitlines()]
    assert {entry["kind"] for entry in noted} == set(KINDS)
    assert {entry["scenario"] for entry in noted} == set(SCENARIOS)


def test_the_harness_notices(tmp_path: Path) -> None:
    """Without its fsync, a power cut leaves clips cut short, and the harness says so."""
    said = subprocess.run(
        [sys.executable, "-m", "tests.trust.faults", "--moments", "1", "--seed", "3", "--break-sync"],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=250,
    )  # fmt: skip
    assert said.returncode == 1, said.stdout + said.stderr
    assert "half-written" in said.stdout


def test_fuzzing_finds_nothing(tmp_path: Path) -> None:
    said = _run("tests.trust.fuzz", "--executions", "150", "--seconds", "15", "--keep", str(tmp_path))
    assert said.count(" 0 findings") == len(TARGETS) + 1, said


@pytest.mark.parametrize("name", sorted(TARGETS))
def test_every_reader_has_seeds(name: str) -> None:
    assert TARGETS[name].seeds(name) != [b""]


def test_a_crowd(tmp_path: Path) -> None:
    """Eight loggers, four searchers and an ingest for a moment; `python -m tests.trust.crowd` for longer."""
    crowd = Crowd(tmp_path, seconds=3)
    assert crowd.run() == []
    assert len(crowd.took["line"]) >= 8
