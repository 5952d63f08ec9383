"""Work on strangers' files in a process of its own, with limits, so that no file can crash, fill or hold up
the process that asks.

The other process is started when it is first needed, serves one request after the other, and ends with this
one. It may use `MEMORY_LIMIT` bytes of address space and `STALL_S` seconds of processor time without getting
further; it can write no file. A line of JSON each way; an answer may have bytes behind it.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cliplib.errors import FootageError
from cliplib.progress import Progress

MEMORY_LIMIT = 4 << 30
STALL_S = 30.0
"""Seconds of processor time between two signs of progress: a sound file needs a small part of one."""

LONGEST_SILENCE_S = 900.0
"""Of the clock: a disk may be slow, or wake up; nothing takes so long."""

_ROOT = str(Path(__file__).resolve().parents[2])

Answer = tuple[dict[str, Any], bytes]
Handler = Callable[[dict[str, Any], Progress], Answer]


class Apart:
    """Requests for one kind of work. `target`: "module:function" of a Handler, given to `serve` over there.
    For any number of threads, one after the other; after a fork each process has one of its own."""

    def __init__(self, target: str):
        self._target = target
        self._lock = threading.Lock()
        self._child: subprocess.Popen[bytes] | None = None
        self._kept = b""
        self._told = ("reading footage", 0, 0)
        self._others: list[object] = []  # of the process that this one was forked from: not ours to end
        atexit.register(self._end)
        if hasattr(os, "register_at_fork"):
            os.register_at_fork(after_in_child=self._forked)

    def ask(self, what: str, request: dict[str, Any], progress: Progress) -> Answer:
        """The handler's answer. `what`: the file that is looked into, for messages. Raises FootageError, also
        when the other process came to grief, and whatever `progress` raises."""
        with self._lock:
            for attempt in range(2):
                child = self._started()
                try:
                    assert child.stdin is not None
                    child.stdin.write(json.dumps({**request, "stall": STALL_S}).encode() + b"\n")
                    child.stdin.flush()
                    break
                except OSError:  # it was ended while it had nothing to do
                    self._end()
                    if attempt:
                        raise
            self._told = ("reading footage", 0, 0)
            try:
                return self._answer(what, progress)
            except FootageError:
                raise
            except BaseException:
                self._end()
                raise

    def _forked(self) -> None:
        self._others.append(self._child)
        self._child, self._lock = None, threading.Lock()

    def _started(self) -> subprocess.Popen[bytes]:
        if self._child is not None and self._child.poll() is None:
            return self._child
        self._end()
        module, _, function = self._target.partition(":")
        code = (
            f"import sys; sys.path.append({_ROOT!r}); from cliplib.media import apart; "
            f"from {module} import {function}; apart.serve({function})"
        )
        # One thread for arithmetic: a pool of them costs time and address space that nobody needs.
        calm = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        try:
            self._child = subprocess.Popen(
                [sys.executable, "-P", "-c", code],  # never a module of the folder somebody stands in
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # a terminal's Ctrl-C is for us
                env={**os.environ, **calm},
            )
        except OSError as problem:
            raise FootageError(f"no process could be started to look into footage: {problem}") from problem
        self._kept = b""
        return self._child

    def _end(self) -> None:
        child, self._child = self._child, None
        if child is None:
            return
        child.kill()
        for pipe in (child.stdin, child.stdout):
            with contextlib.suppress(OSError):
                assert pipe is not None
                pipe.close()
        child.wait()

    def _answer(self, what: str, progress: Progress) -> Answer:
        while True:
            said = json.loads(self._line(what, progress))
            if "progress" in said:
                stage, done, total = said["progress"]
                self._told = (stage, done, total)
                progress(stage, done, total)
            elif "refused" in said:
                raise FootageError(said["refused"])
            elif "grief" in said:
                raise _harmful(what, said["grief"])
            else:
                return said["answer"], self._bytes(said["bytes"], what, progress)

    def _line(self, what: str, progress: Progress) -> bytes:
        while b"\n" not in self._kept:
            self._more(what, progress)
        line, _, self._kept = self._kept.partition(b"\n")
        return line

    def _bytes(self, count: int, what: str, progress: Progress) -> bytes:
        pieces, there = [self._kept], len(self._kept)
        while there < count:
            self._kept = b""
            self._more(what, progress)
            pieces.append(self._kept)
            there += len(self._kept)
        data = b"".join(pieces)
        self._kept = data[count:]
        return data[:count]

    def _more(self, what: str, progress: Progress) -> None:
        """Take in what comes next."""
        child = self._child
        assert child is not None
        assert child.stdout is not None
        deadline = time.monotonic() + LONGEST_SILENCE_S
        while not select.select([child.stdout], [], [], 0.2)[0]:
            progress(*self._told)  # somebody may want to stop
            if time.monotonic() > deadline:
                self._end()
                raise FootageError(f"{what} could not be looked into: nothing came of it for too long")
        piece = os.read(child.stdout.fileno(), 1 << 20)
        if piece:
            self._kept += piece
            return
        code = child.wait()
        self._end()
        raise _harmful(what, _grief(code))


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


# --- over there -------------------------------------------------------------------------------------------


def serve(handler: Handler) -> None:
    """Answer requests until there are no more."""
    requests, answers = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints is no answer
    _limit()

    def say(said: dict[str, Any], data: bytes = b"") -> None:
        answers.write(json.dumps(said).encode() + b"\n" + data)
        answers.flush()

    stall = STALL_S

    def progress(stage: str, done: int, total: int) -> None:
        signal.setitimer(signal.ITIMER_PROF, stall)
        say({"progress": [stage, done, total]})

    for line in requests:
        request = json.loads(line)
        stall = request.pop("stall")
        signal.setitimer(signal.ITIMER_PROF, stall)  # a signal that nobody handles
        try:
            answer, data = handler(request, progress)
        except FootageError as problem:
            say({"refused": str(problem)})
        except MemoryError:
            say({"grief": "needs more memory than it may have when it is read"})
        else:
            say({"answer": answer, "bytes": len(data)}, data)
        signal.setitimer(signal.ITIMER_PROF, 0)


def _limit() -> None:
    import resource

    limits = {
        resource.RLIMIT_AS: MEMORY_LIMIT,
        resource.RLIMIT_FSIZE: 0,
        resource.RLIMIT_CORE: 0,
        resource.RLIMIT_NOFILE: 64,
    }
    for which, limit in limits.items():
        with contextlib.suppress(OSError, ValueError):  # a lower one is in force already
            resource.setrlimit(which, (limit, limit))
