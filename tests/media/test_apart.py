"""What strangers' files do to the process that looks into them, they do not do to the one that asks."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cliplib.core import errors
from cliplib.core.errors import Cancelled, FootageError
from cliplib.core.progress import Progress, silent
from cliplib.media.apart import asking as apart
from cliplib.media.apart import jobs
from cliplib.media.apart.asking import Apart
from cliplib.media.probe import probe

# Private parts: processes at rest are looked at, killed and stopped.

ROOT = Path(__file__).parents[2]


def answer(what: str) -> jobs.Answer:
    """What the tests have the other process do; so is all up to `Counter`."""
    print("something that a library says")
    os.write(1, b"{}\n")
    return {"got": what}, what.encode() * 100_000


def crash(how: str) -> jobs.Answer:
    if how == "leave":
        os._exit(3)
    os.kill(os.getpid(), getattr(signal, how))
    return {}, b""


def eat() -> jobs.Answer:
    held = [np.empty(64 << 20, np.uint8) for _ in range(1000)]  # address space: nothing is touched
    return {"held": len(held)}, b""


def spin() -> jobs.Answer:
    while True:
        sum(range(100_000))


def sleep() -> jobs.Answer:
    time.sleep(1000)
    return {}, b""


def write(place: str) -> jobs.Answer:
    with open(place, "wb") as file:
        file.write(b"x")
    return {}, b""


def steps(sign: str) -> jobs.Answer:
    """Work for longer than may be without a sign, with one now and then."""
    for number in range(30):
        sum(range(3_000_000))
        if sign == "tell":
            jobs.tell("counting", number, 30)
        elif sign == "alive":
            jobs.alive()
    return {}, b""


def refuse(kind: str) -> jobs.Answer:
    raise getattr(errors, kind)("not this one")


def stumble() -> jobs.Answer:
    raise ZeroDivisionError("a rate of nothing")


def lie() -> jobs.Answer:
    """A process that was taken over says that a petabyte follows."""
    os.write(sorted(int(fd) for fd in os.listdir("/proc/self/fd"))[-2], jobs.LENGTHS.pack(2, 1 << 50))
    return {}, b""


class Counter:
    """Keeps count, from call to call."""

    def __init__(self, start: int):
        self.count = start

    def add(self, number: int) -> jobs.Answer:
        self.count += number
        return {"count": self.count, "process": os.getpid()}, b""

    def up(self, to: int) -> Iterator[jobs.Answer]:
        for n in range(self.count, to):
            yield {"n": n}, bytes([n]) * 3_000_000

    def lent(self, sizes: list[int]) -> Iterator[jobs.Answer]:
        """In memory that both have, where there is room; some of it not used in the end."""
        for n, size in enumerate(sizes):
            room = jobs.lend(size)
            if n % 3 == 2:
                room = jobs.lend(size)
            room[:] = bytes([n]) * size
            yield {"n": n, "pid": os.getpid()}, room
            if n % 2:
                yield {"n": n}, b"sent"

    def crash(self) -> jobs.Answer:
        os.abort()

    def refuse(self) -> jobs.Answer:
        raise FootageError("not this one")


def surroundings() -> jobs.Answer:
    return dict(os.environ), b""


@pytest.fixture(autouse=True)
def crew(monkeypatch: pytest.MonkeyPatch) -> Iterator[apart.Crew]:
    """Processes that know this module."""
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    crew = apart.Crew()
    monkeypatch.setattr(apart, "CREW", crew)
    yield crew
    crew.end()


def ask(job: str, *args: Any, progress: Progress = silent) -> jobs.Answer:
    return apart.ask("film.mp4", f"tests.media.test_apart:{job}", *args, progress=progress)


def counter(start: int = 0) -> Apart:
    return Apart("film.mp4", "tests.media.test_apart:Counter", start)


def process(crew: apart.Crew) -> int:
    (child,) = crew._idle
    return child._process.pid


def test_nobody_s_keys_are_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOMEBODYS_SECRET_KEY", "swordfish")
    found, _ = ask("surroundings")
    assert "PATH" in found
    assert "swordfish" not in str(found)


def test_jobs_one_after_the_other(crew: apart.Crew) -> None:
    for what in ("é", "two"):
        assert ask("answer", what) == ({"got": what}, what.encode() * 100_000)
    first = process(crew)
    for kind in ("FootageError", "MediaError", "InputError"):
        with pytest.raises(errors.ClipLibError, match="not this one") as refused:
            ask("refuse", kind)
        assert type(refused.value).__name__ == kind
    assert ask("answer", "x")[0] == {"got": "x"}
    assert process(crew) == first


def test_a_job_that_is_asked_again_and_again(crew: apart.Crew) -> None:
    with counter(3) as job, counter(100) as other:
        said = [job.ask("add", 2)[0], other.ask("add", 1)[0], job.ask("add", 2)[0]]
        assert [one["count"] for one in said] == [5, 101, 7]
        assert said[0]["process"] == said[2]["process"] != said[1]["process"]
        assert not crew._idle
        assert [(said["n"], bytes(data)) for said, data in job.each("up", 10)] == [
            (n, bytes([n]) * 3_000_000) for n in (7, 8, 9)
        ]
    assert len(crew._idle) == 2
    with counter() as job:
        assert job.ask("add", 1)[0]["count"] == 1, "nothing is left of the job before"


def test_after_an_error_a_job_begins_anew() -> None:
    with counter(3) as job:
        first = job.ask("add", 2)[0]
        with pytest.raises(FootageError, match="not this one"):
            job.ask("refuse")
        assert job.ask("add", 1)[0] == {"count": 4, "process": first["process"]}
        with pytest.raises(FootageError, match=r"film.mp4 crashed what reads it"):
            job.ask("crash")
        assert job.ask("add", 1)[0]["count"] == 4


def test_answers_that_nobody_waits_for(crew: apart.Crew) -> None:
    with counter() as job:
        some = job.each("up", 200)
        assert next(some)[0] == {"n": 0}
        assert job.ask("add", 1)[0]["count"] == 1, "the answer to this question, and not to the last one"
        del some
        assert job.ask("add", 1)[0]["count"] == 2
        for said, _ in job.each("up", 200):
            assert said == {"n": 2}
            break
    assert not crew._idle, "it would have gone on answering"


@pytest.mark.parametrize("how", ["shared", "pipe", "here"])
def test_large_answers_lie_in_memory_that_both_have(monkeypatch: pytest.MonkeyPatch, how: str) -> None:
    """More of them than there is room for, longer ones than there is room for, and some in between."""
    monkeypatch.setattr(apart, "IN_PROCESS", how == "here")
    if how == "pipe":
        monkeypatch.delattr(os, "memfd_create")
    sizes = [1, 5_000_000, 3, jobs.SLOT_BYTES, jobs.SLOT_BYTES + 1, 0, *[2_000_000] * 9]
    with counter() as job:
        for _ in range(2):
            found = [(said["n"], bytes(data)) for said, data in job.each("lent", sizes)]
            wanted = []
            for n, size in enumerate(sizes):
                wanted += [(n, bytes([n]) * size), (n, b"sent")][: 1 + n % 2]
            assert found == wanted
            assert job.ask("add", 0)[0]["count"] == 0
        for said, data in job.each("lent", sizes):
            if said["n"] == 9:
                assert bytes(data) == b"\x09" * 2_000_000
                break
        assert job.ask("add", 0)[0]["count"] == 0


@pytest.mark.parametrize(
    ("how", "said"),
    [("SIGABRT", r"crashed what reads it \(signal 6\)"), ("SIGSEGV", r"crashed what reads it \(signal 11\)")]
    + [("SIGKILL", "needed more memory than there is"), ("leave", r"exit 3")],
)
def test_a_crash_is_an_error_about_the_file(how: str, said: str) -> None:
    with pytest.raises(FootageError, match=f"film.mp4 .*{said}"):
        ask("crash", how)
    assert ask("answer", "next")[0] == {"got": "next"}


def test_nonsense_is_an_error_about_the_file() -> None:
    with pytest.raises(
        FootageError, match=r"film.mp4 broke what reads it \(ZeroDivisionError: a rate of nothing"
    ):
        ask("stumble")
    with pytest.raises(FootageError, match=r"film.mp4 broke what reads it"):
        ask("lie")
    assert ask("answer", "next")[0] == {"got": "next"}


def test_memory_is_limited() -> None:
    with pytest.raises(FootageError, match="needs more memory than it may have"):
        ask("eat")
    assert ask("answer", "next")[0] == {"got": "next"}


def test_processor_time_without_getting_further_is_limited(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apart, "STALL_S", 0.5)
    for job in (("spin",), ("steps", "silent")):
        with pytest.raises(FootageError, match="kept the processor busy"):
            ask(*job)
    told: list[int] = []
    # More in all, but it gets further.
    ask("steps", "tell", progress=lambda stage, done, total: told.append(done))
    assert told[-1] == 29
    ask("steps", "alive")


def test_silence_is_limited(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apart, "LONGEST_SILENCE_S", 0.5)
    with pytest.raises(FootageError, match="nothing came of it"):
        ask("sleep")


def test_it_writes_no_file(tmp_path: Path) -> None:
    with pytest.raises(FootageError):
        ask("write", str(tmp_path / "x"))
    assert not (tmp_path / "x").exists() or (tmp_path / "x").stat().st_size == 0


def test_it_can_be_stopped_at_any_time(crew: apart.Crew) -> None:
    def stop(stage: str, done: int, total: int) -> None:
        raise Cancelled("enough")

    for job in ("sleep", "spin"):
        with pytest.raises(Cancelled):
            ask(job, progress=stop)
        assert not crew._idle
    assert ask("answer", "next")[0] == {"got": "next"}


def test_one_that_ended_while_it_waited_is_started_again(
    crew: apart.Crew, monkeypatch: pytest.MonkeyPatch
) -> None:
    ask("answer", "x")
    for how in (signal.SIGKILL, signal.SIGTERM):
        (child,) = crew._idle
        child._process.send_signal(how)
        child._process.wait()
        assert ask("answer", "next")[0] == {"got": "next"}
    with counter(5) as job:
        job.ask("add", 1)
        assert isinstance(job._other, apart.Child)
        job._other._process.kill()
        job._other._process.wait()
        assert job.ask("add", 1)[0]["count"] == 6, "begun anew"


def test_they_end_with_the_process_that_started_them(tmp_path: Path) -> None:
    """Killed or not, and in the middle of something or not; also when that one was forked."""
    code = (
        "import os, signal, sys; from cliplib.media.apart import asking as apart; from tests.media.test_apart import counter\n"
        "job, other = counter(), counter(); said = [one.ask('add', 1)[0]['process'] for one in (job, other)]\n"
        "other.close(); print(*said, flush=True)\n"
        "os.fork() if 'fork' in sys.argv else None\n"
        "some = counter(); some.ask('add', 1); next(some.each('up', 200))\n"
        "os.kill(os.getpid(), signal.SIGKILL) if 'kill' in sys.argv else some.close()\n"
    )
    for how in ([], ["kill"], ["fork"]):
        done = subprocess.run(
            [sys.executable, "-W", "ignore", "-c", code, *how],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == (-9 if "kill" in how else 0), done.stderr
        for pid in map(int, done.stdout.split()):
            deadline = time.monotonic() + 60
            while Path(f"/proc/{pid}").exists() and time.monotonic() < deadline:
                time.sleep(0.02)
            assert not Path(f"/proc/{pid}").exists()


def test_a_process_that_was_forked_starts_its_own(crew: apart.Crew) -> None:
    ask("answer", "x")
    before = process(crew)
    child = os.fork()
    if child == 0:
        try:
            ask("answer", "y")
            os._exit(0 if process(crew) != before else 1)
        finally:
            os._exit(2)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    assert ask("answer", "x")[0] == {"got": "x"}
    assert process(crew) == before


def test_without_processes_it_is_done_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apart, "IN_PROCESS", True)
    told: list[int] = []
    ask("steps", "tell", progress=lambda stage, done, total: told.append(done))
    assert told == list(range(30))
    with counter(3) as job:
        assert job.ask("add", 2)[0] == {"count": 5, "process": os.getpid()}
        assert len(list(job.each("up", 8))) == 3
        with pytest.raises(FootageError, match="not this one"):
            job.ask("refuse")
    with pytest.raises(FootageError, match="broke what reads it"):
        ask("stumble")


def test_no_module_of_the_folder_one_stands_in_is_run(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A fight folder from elsewhere may hold a file called av.py or json.py."""
    for name in ("av", "json", "numpy", "cliplib", "select"):
        (tmp_path / f"{name}.py").write_text("import os; os._exit(77)")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PYTHONPATH", raising=False)
    with pytest.raises(FootageError, match="is text, not video"):
        probe(tmp_path / "av.py")
