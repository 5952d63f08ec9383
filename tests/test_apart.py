"""What strangers' files do to the process that looks into them, they do not do to the one that asks."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cliplib.errors import Cancelled, FootageError
from cliplib.media import apart
from cliplib.media.apart import Apart
from cliplib.progress import Progress, silent

ROOT = Path(__file__).parents[1]


def handler(request: dict[str, Any], progress: Progress) -> apart.Answer:
    """What the tests have the other process do."""
    match request["do"]:
        case "answer":
            print("something that a library says")
            os.write(1, b"{}\n")
            return {"got": request["what"]}, request["what"].encode() * 100_000
        case "crash":
            os.abort()
        case "leave":
            os._exit(3)
        case "eat":
            held = [np.empty(64 << 20, np.uint8) for _ in range(1000)]  # address space: nothing is touched
            return {"held": len(held)}, b""
        case "spin":
            while True:
                sum(range(100_000))
        case "sleep":
            time.sleep(1000)
        case "write":
            with open(request["place"], "wb") as file:
                file.write(b"x")
        case "steps":
            for number in range(30):
                sum(range(3_000_000))
                progress("counting", number, 30)
        case "refuse":
            raise FootageError("not this one")
    return {}, b""


@pytest.fixture
def other(monkeypatch: pytest.MonkeyPatch) -> Iterator[Apart]:
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    other = Apart("tests.test_apart:handler")
    yield other
    other._end()


def ask(other: Apart, do: str, progress: Progress = silent, **more: str) -> apart.Answer:
    return other.ask("film.mp4", {"do": do, **more}, progress)


def test_requests_one_after_the_other(other: Apart) -> None:
    for what in ("é", "two"):
        assert ask(other, "answer", what=what) == ({"got": what}, what.encode() * 100_000)
    first = other._child
    with pytest.raises(FootageError, match="not this one"):
        ask(other, "refuse")
    assert ask(other, "answer", what="x")[0] == {"got": "x"}
    assert other._child is first


@pytest.mark.parametrize(
    ("do", "said"), [("crash", r"film.mp4 crashed what reads it \(signal 6\)"), ("leave", r"exit 3")]
)
def test_a_crash_is_an_error_about_the_file(other: Apart, do: str, said: str) -> None:
    with pytest.raises(FootageError, match=said):
        ask(other, do)
    assert ask(other, "answer", what="next")[0] == {"got": "next"}


def test_memory_is_limited(other: Apart) -> None:
    with pytest.raises(FootageError, match="needs more memory than it may have"):
        ask(other, "eat")
    assert ask(other, "answer", what="next")[0] == {"got": "next"}


def test_processor_time_without_getting_further_is_limited(
    other: Apart, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(apart, "STALL_S", 0.5)
    with pytest.raises(FootageError, match="kept the processor busy"):
        ask(other, "spin")
    told: list[int] = []
    ask(other, "steps", lambda stage, done, total: told.append(done))  # more in all, but it gets further
    assert told[-1] == 29


def test_silence_is_limited(other: Apart, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apart, "LONGEST_SILENCE_S", 0.5)
    with pytest.raises(FootageError, match="nothing came of it"):
        ask(other, "sleep")


def test_it_writes_no_file(other: Apart, tmp_path: Path) -> None:
    with pytest.raises(FootageError):
        ask(other, "write", place=str(tmp_path / "x"))
    assert not (tmp_path / "x").exists() or (tmp_path / "x").stat().st_size == 0


def test_it_can_be_stopped_at_any_time(other: Apart) -> None:
    def stop(stage: str, done: int, total: int) -> None:
        raise Cancelled("enough")

    with pytest.raises(Cancelled):
        ask(other, "sleep", stop)
    assert other._child is None
    assert ask(other, "answer", what="next")[0] == {"got": "next"}


def test_one_that_was_ended_while_idle_is_started_again(other: Apart) -> None:
    ask(other, "answer", what="x")
    assert other._child is not None
    other._child.kill()
    other._child.wait()
    assert ask(other, "answer", what="next")[0] == {"got": "next"}


def test_no_module_of_the_folder_one_stands_in_is_run(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A fight folder from elsewhere may hold a file called av.py or json.py."""
    for name in ("av", "json", "numpy", "cliplib", "select"):
        (tmp_path / f"{name}.py").write_text("import os; os._exit(77)")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PYTHONPATH", raising=False)
    real = Apart("cliplib.media.probe:_answer")
    with pytest.raises(FootageError, match="is text, not video"):
        real.ask("x", {"path": str(tmp_path / "av.py")}, silent)
    real._end()
