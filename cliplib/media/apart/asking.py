"""Work on strangers' files in processes apart, with limits, so that no file can crash, fill or hold up the
process that asks.

    said, data = apart.ask("fight.mp4", "cliplib.media.apart.probing:answer", path)        once
    with Apart("fight.mp4", "cliplib.media.apart.painting:Painter", prepared) as painter:  again and again
        said, data = painter.ask("picture", 25)

A job is a function, or a class whose methods are asked for; it answers with plain data and bytes, or with an
iterator of such answers. The processes are started when they are needed, wait for the next job for a while,
and end with this one. Over there a job may use `MEMORY_LIMIT` bytes of address space and `STALL_S` seconds of
processor time without getting further (`tell` and `alive` are signs of it, and so is each answer), and no
file can be written: what is to be written comes back as bytes. What comes back is never code: lengths, JSON
and bytes. What goes there is pickled, as this side has nothing to hide from it.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import mmap
import os
import pickle
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from cliplib.core.errors import MISTAKES, ClipLibError, FootageError
from cliplib.core.progress import Progress, silent
from cliplib.media.apart.jobs import (
    KINDS,
    LENGTHS,
    MEMORY_LIMIT,
    REQUEST_LENGTH,
    SLOT_BYTES,
    SLOTS,
    STALL_S,
    Answer,
    Job,
    Request,
    broken,
    listener,
    write,
)
from cliplib.media.surroundings import environment
from cliplib.media.versions import fault, told

LONGEST_SILENCE_S = 900.0
"""Of the clock: a disk may be slow, or wake up; nothing takes so long."""

KEPT = 2
"""How many processes wait for the next job, `jobs.IDLE_S` long."""

IN_PROCESS = os.name == "nt"
"""Jobs run here instead, without limits: where the system has none, and where tests kill whole processes."""

_ROOT = str(Path(__file__).resolve().parents[3])
_PIPE_BYTES = 1 << 20
_PYTHON_STUMBLED = 1  # exit code after an error that nobody handled: of `serve`, which handles those of jobs


class Apart:
    """A job in a process apart, for one thread at a time.

    `what`: the file that is worked on, for messages. `target`: "module:name" of what does the job, which is
    called with `args` there, when it is first asked for something. Use as a context manager.
    """

    def __init__(self, what: object, target: str, *args: Any):
        self._what, self._opening = str(what), (target, args)
        self._other: Child | _Here | None = None

    def __enter__(self) -> Apart:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        other, self._other = self._other, None
        if other is not None:
            CREW.give(other)

    def ask(self, method: str | None, *args: Any, progress: Progress = silent) -> Answer:
        """The only answer of a method; of the target itself, if `method` is None. Raises as `each` does."""
        (answer,) = self.each(method, *args, progress=progress)
        return answer

    def each(self, method: str | None, *args: Any, progress: Progress = silent) -> Iterator[Answer]:
        """A method's answers as they come. Raises FootageError, also when the other process came to grief,
        MediaError and InputError if the job does, FaultError if it makes a mistake, and whatever `progress`
        raises. After an error, or if not all answers are taken, the job begins anew with the next thing it
        is asked for.
        """
        request = (method, args)
        for attempt in range(3):
            try:
                yield from self._each(request, progress)
                return
            except _Left:  # it had waited for long enough; another one will do
                if attempt == 2:
                    raise FootageError(f"no process for reading {self._what} stays alive") from None

    def _each(self, request: tuple[str | None, tuple[Any, ...]], progress: Progress) -> Iterator[Answer]:
        opening = None
        if self._other is not None and self._other.busy:  # somebody did not take all answers
            self.close()
        if self._other is None:
            self._other, opening = CREW.take(), self._opening
        other, whole = self._other, False
        try:
            yield from other.answers(self._what, (STALL_S, opening, *request), progress)
            whole = True
        finally:
            if not whole and self._other is other:
                self.close()


def ask(what: object, target: str, *args: Any, progress: Progress = silent) -> Answer:
    """The answer of a job that is a function."""
    with Apart(what, target, *args) as job:
        return job.ask(None, progress=progress)


def warm(count: int) -> None:
    """Start processes, if fewer wait for a job, for jobs that are about to come."""
    if not IN_PROCESS:
        CREW.warm(count)


# --- where jobs run ---------------------------------------------------------------------------------------


class _Left(Exception):
    """The other process had ended before it was asked."""


class Crew:
    """The processes of this one that have nothing to do."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._idle: list[Child] = []
        self._others: list[Child] = []  # of the process that this one was forked from: not ours to end
        atexit.register(self.end)
        if hasattr(os, "register_at_fork"):
            os.register_at_fork(after_in_child=self._forked)

    def _forked(self) -> None:
        self._others += self._idle
        self._lock, self._idle = threading.Lock(), []

    def take(self) -> Child | _Here:
        if IN_PROCESS:
            return _Here()
        with self._lock:
            while self._idle:
                child = self._idle.pop(0)  # the one that waited longest is the likeliest to be ready
                if child.is_alive():
                    return child
                child.end()
        return Child()

    def give(self, child: Child | _Here) -> None:
        """What is in the middle of something is ended: nobody waits for the rest of it."""
        if isinstance(child, Child) and child.forget():
            with self._lock:
                if len(self._idle) < KEPT:
                    self._idle.append(child)
                    return
        child.end()

    def warm(self, count: int) -> None:
        with self._lock:
            while len(self._idle) < min(count, KEPT):
                self._idle.append(Child())

    def end(self) -> None:
        with self._lock:
            idle, self._idle = self._idle, []
        for child in idle:
            child.end()


CREW = Crew()


class Child:
    """A process apart, seen from here. `busy`: something is still to come from it."""

    def __init__(self) -> None:
        memory = _memory()
        code = (
            f"import sys; sys.path.append({_ROOT!r}); "
            f"from cliplib.media.apart import jobs; jobs.serve({memory})"
        )
        # One thread for arithmetic: a pool of them costs time and address space that nobody needs.
        surroundings = environment(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")
        self._owner, self.busy = os.getpid(), False
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", code],  # never a module of the folder somebody stands in
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                bufsize=0,
                pass_fds=() if memory is None else (memory,),
                start_new_session=True,  # a terminal's Ctrl-C is for us
                env=surroundings,
            )
            self._shared = None if memory is None else mmap.mmap(memory, SLOTS * SLOT_BYTES)
        except OSError as problem:
            raise FootageError(f"no process could be started to look into footage: {problem}") from problem
        finally:
            if memory is not None:
                os.close(memory)
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._to: IO[bytes] = self._process.stdin
        self._from: IO[bytes] = self._process.stdout
        self._poll = select.poll()
        self._poll.register(self._from, select.POLLIN)
        _widen(self._from.fileno())

    def is_alive(self) -> bool:
        return self._process.poll() is None

    def end(self) -> None:
        if self._owner != os.getpid():  # of the process that this one was forked from
            return
        self._process.kill()
        for pipe in (self._to, self._from):
            with contextlib.suppress(OSError):
                pipe.close()
        self._process.wait()

    def forget(self) -> bool:
        """Have it close what it works on, and say whether it can begin something else."""
        if self._owner != os.getpid() or self.busy or not self.is_alive():
            return False
        with contextlib.suppress(_Left):
            self._send((0.0, None, None, ()))
            return True
        return False

    def _send(self, request: Request) -> None:
        data = pickle.dumps(request, pickle.HIGHEST_PROTOCOL)
        try:
            write(self._to.fileno(), REQUEST_LENGTH.pack(len(data)), data)
        except OSError as problem:
            raise _Left from problem

    def answers(self, what: str, request: Request, progress: Progress) -> Iterator[Answer]:
        self.busy = True
        self._send(request)
        stand, first = ("reading footage", 0, 0), True
        while True:
            lengths = self._exactly(LENGTHS.size, what, progress, stand, asked_just_now=first)
            for_json, for_data = LENGTHS.unpack(lengths)
            if for_json + for_data > MEMORY_LIMIT:  # it cannot have so much: it is not itself any more
                raise _harmful(what, "broke what reads it")
            said = json.loads(self._exactly(for_json, what, progress, stand))
            first = False
            if "at" in said:
                yield said["answer"], self._taken(said["at"], said["bytes"])
            elif "answer" in said:
                yield said["answer"], self._exactly(for_data, what, progress, stand)
            if "progress" in said:
                stage, done, total = said["progress"]
                stand = (stage, done, total)
                progress(*stand)
            elif "refused" in said:
                self.busy = False
                raise KINDS[said["kind"]](said["refused"])
            elif "fault" in said:
                raise fault(said["fault"], what)
            elif "grief" in said:
                raise _harmful(what, said["grief"])
            elif said.get("last"):
                self.busy = False
                return

    def _taken(self, at: int, count: int) -> bytes:
        assert self._shared is not None
        data = self._shared[at : at + count]
        with contextlib.suppress(OSError):  # that it ended is seen when more is asked
            os.write(self._to.fileno(), b"t")
        return data

    def _exactly(
        self,
        count: int,
        what: str,
        progress: Progress,
        stand: tuple[str, int, int],
        *,
        asked_just_now: bool = False,
    ) -> bytearray:
        data, there = bytearray(count), 0
        view = memoryview(data)
        descriptor = self._from.fileno()
        while there < count:
            deadline = time.monotonic() + LONGEST_SILENCE_S
            while not self._poll.poll(200):
                progress(*stand)  # somebody may want to stop
                if time.monotonic() > deadline:
                    raise FootageError(f"{what} could not be looked into: nothing came of it for too long")
            got = os.readv(descriptor, [view[there:]])
            if not got:
                code = self._process.wait()
                if asked_just_now and code == 0 and not there:
                    raise _Left
                if code == _PYTHON_STUMBLED:
                    raise fault("a process apart could not go on", what)
                raise _harmful(what, _grief(code))
            there += got
        return data


class _Here:
    """The same in this process."""

    busy = False

    def __init__(self) -> None:
        self._job = Job()

    def end(self) -> None:
        self._job.close()

    def answers(self, what: str, request: Request, progress: Progress) -> Iterator[Answer]:
        answers = self._job.answers(request)
        while True:
            listener.to = progress
            try:
                answer = next(answers)
            except StopIteration:
                return
            except (ClipLibError, OSError):  # of the file system: as tests of that make them
                raise
            except MISTAKES as problem:
                raise fault(told(problem), what) from problem
            except Exception as problem:
                raise _harmful(what, broken(problem)) from problem
            yield answer


def _memory() -> int | None:
    """A file without a name, in memory, for answers, which takes no room until something is there; None where
    there are none (memfd_create(2)), or none so long."""
    with contextlib.suppress(AttributeError, OSError):
        memory = os.memfd_create("answers")
        try:
            os.truncate(memory, SLOTS * SLOT_BYTES)
        except OSError:
            os.close(memory)
            raise
        return memory
    return None


def _widen(pipe: int) -> None:
    """Room for a whole picture in a pipe is fewer turns to be taken."""
    with contextlib.suppress(ImportError, AttributeError, OSError):
        import fcntl

        fcntl.fcntl(pipe, fcntl.F_SETPIPE_SZ, _PIPE_BYTES)


def _harmful(what: str, how: str) -> FootageError:
    return FootageError(
        f"{what} {how}, so it is damaged in a way that does harm; play it to see whether it is whole, and "
        "copy it again or convert it"
    )


def _grief(code: int) -> str:
    if -code in (signal.SIGPROF, signal.SIGXCPU):
        return "kept the processor busy without end when it was read"
    if -code == signal.SIGKILL:
        return "needed more memory than there is when it was read"
    return f"crashed what reads it (signal {-code})" if code < 0 else f"broke what reads it (exit {code})"
