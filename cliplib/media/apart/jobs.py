"""Jobs that are done in a process apart, seen from in there: see `apart`.

A request comes as its length and a pickle; what is said in return, as two lengths, JSON, and bytes. Bytes in
room that was lent (`lend`) lie in memory that both processes have, and are not sent: the other side says with
a byte that it has taken them.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import mmap
import os
import pickle
import select
import signal
import struct
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

from cliplib.core.errors import MISTAKES, FootageError, InputError, MediaError
from cliplib.core.progress import Progress, silent
from cliplib.media.versions import told

MEMORY_LIMIT = 4 << 30
STALL_S = 30.0
"""Seconds of processor time between two signs of progress: a sound file needs a small part of one."""

IDLE_S = 60.0

KINDS = {kind.__name__: kind for kind in (FootageError, MediaError, InputError)}
REQUEST_LENGTH, LENGTHS = struct.Struct(">Q"), struct.Struct(">IQ")
SLOTS, SLOT_BYTES = 3, 16 << 20
"""How many answers may lie there at once, and how long each may be: a picture of 8 megapixels."""
COMMON = (
    "cliplib.media.apart.painting",
    "cliplib.media.apart.probing",
    "cliplib.media.apart.recoding",
)
_SIGN_S = 1.0

Buffer = bytes | bytearray | memoryview
Answer = tuple[dict[str, Any], Buffer]
Request = tuple[float, tuple[str, tuple[Any, ...]] | None, str | None, tuple[Any, ...]]
"""The processor time it may need without getting further; the target to be opened first, with its arguments;
a method, and its arguments. With neither target nor method, what was opened is to be closed, without a word.
"""


class _Listener(threading.local):
    to: Progress = staticmethod(silent)
    alive: Callable[[], None] = staticmethod(lambda: None)


listener = _Listener()


class _Shared:
    """Memory that the other process has too. `_out`: answers in it that were not taken yet."""

    def __init__(self, memory: int, taken: int):
        self._memory = memoryview(mmap.mmap(memory, SLOTS * SLOT_BYTES))
        self._pipe, self._next, self._out = taken, 0, 0
        self._lent: memoryview | None = None

    def lend(self, count: int) -> memoryview:
        if count > SLOT_BYTES:
            return memoryview(bytearray(count))
        if self._out == SLOTS:
            self.wait(1)
        at = self._next % SLOTS * SLOT_BYTES
        self._lent = self._memory[at : at + count]
        return self._lent

    def place(self, data: memoryview) -> int | None:
        """Where it lies, if it is what was lent last; it is as good as sent then."""
        if data is not self._lent:
            return None
        self._lent = None
        self._next, self._out = self._next + 1, self._out + 1
        return (self._next - 1) % SLOTS * SLOT_BYTES

    def wait(self, count: int | None = None) -> None:
        """Until so many were taken; or all."""
        for _ in range(self._out if count is None else count):
            if not os.read(self._pipe, 1):
                raise BrokenPipeError
            self._out -= 1


_shared: _Shared | None = None


def lend(count: int) -> memoryview:
    """Of a job: room for the data of the next answer, which need not be sent then, if it is large."""
    return memoryview(bytearray(count)) if _shared is None else _shared.lend(count)


def tell(stage: str, done: int, total: int) -> None:
    """Of a job: how far it is, to whoever asked for it."""
    listener.to(stage, done, total)


def alive() -> None:
    """Of a job: it got further, though there is nothing to tell yet."""
    listener.alive()


class Job:
    """What is done for one that asks."""

    def __init__(self) -> None:
        self._opened: Any = None

    def answers(self, request: Request) -> Iterator[Answer]:
        _, opening, method, args = request
        if opening is None and method is None:
            self.close()
            return
        result: Any = None
        if opening is not None:
            self.close()
            target, given = opening
            module, _, name = target.partition(":")
            result = self._opened = getattr(importlib.import_module(module), name)(*given)
        if method is not None:
            result = getattr(self._opened, method)(*args)
        if isinstance(result, Iterator):
            yield from result
        else:
            yield result

    def close(self) -> None:
        opened, self._opened = self._opened, None
        if hasattr(opened, "close"):
            opened.close()


def serve(memory: int | None) -> None:  # noqa: C901 - one loop, and what may happen in it
    """Do jobs until there are no more. `memory`: file that both processes have mapped."""
    global _shared
    unfit: Exception | None = None  # said to whoever asks first
    try:
        for name in COMMON:
            importlib.import_module(name)
    except MISTAKES as problem:
        unfit = problem
    requests, answers = 0, os.dup(1)
    os.dup2(2, 1)  # whatever a library prints is no answer
    if memory is not None:
        _shared = _Shared(memory, requests)
    _limit()
    stall, spoken = STALL_S, 0.0

    def say(said: dict[str, Any], data: Buffer = b"") -> None:
        nonlocal spoken
        place = _shared.place(data) if _shared is not None and isinstance(data, memoryview) else None
        if place is not None:
            said, data = {**said, "at": place, "bytes": len(data)}, b""
        text = json.dumps(said).encode()
        data = memoryview(data).cast("B")
        write(answers, LENGTHS.pack(len(text), len(data)), text, data)
        spoken = time.monotonic()
        signal.setitimer(signal.ITIMER_PROF, stall)

    def sign() -> None:
        signal.setitimer(signal.ITIMER_PROF, stall)
        if time.monotonic() > spoken + _SIGN_S:
            say({})

    listener.to = lambda stage, done, total: say({"progress": [stage, done, total]})
    listener.alive = sign
    job, waiting = Job(), select.poll()
    waiting.register(requests, select.POLLIN)
    with contextlib.suppress(BrokenPipeError):  # nobody wants to know any more
        while waiting.poll(IDLE_S * 1000):
            request = _received(requests)
            if request is None:
                return
            stall = request[0]
            signal.setitimer(signal.ITIMER_PROF, stall)  # a signal that nobody handles
            silently = request[1] is None and request[2] is None
            try:
                if unfit is not None:
                    raise unfit
                for answer, data in job.answers(request):
                    say({"answer": answer}, data)
            except tuple(KINDS.values()) as problem:
                kind = next(name for name, kind in KINDS.items() if isinstance(problem, kind))
                say({"refused": str(problem), "kind": kind})
            except BrokenPipeError:
                raise
            except MISTAKES as problem:
                say({"fault": told(problem)})
                return
            except Exception as problem:  # noqa: BLE001  whatever else it is, it is the file's doing
                say({"grief": broken(problem)})
                return
            else:
                if not silently:
                    say({"last": True})
            if _shared is not None:
                _shared.wait()
            signal.setitimer(signal.ITIMER_PROF, 0)


def _received(pipe: int) -> Request | None:
    def exactly(count: int) -> bytearray | None:
        data, there = bytearray(count), 0
        while there < count:
            got = os.readv(pipe, [memoryview(data)[there:]])
            if not got:
                return None
            there += got
        return data

    length = exactly(8)
    data = None if length is None else exactly(REQUEST_LENGTH.unpack(length)[0])
    if data is None:
        return None
    request: Request = pickle.loads(data)  # noqa: S301  from the process that started this one
    return request


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


def broken(problem: Exception) -> str:
    if isinstance(problem, MemoryError):
        return "needs more memory than it may have when it is read"
    return f"broke what reads it ({type(problem).__name__}: {str(problem)[:300]})"


def write(pipe: int, *pieces: Buffer) -> None:
    left = [memoryview(piece).cast("B") for piece in pieces if len(piece)]
    while left:
        done = os.writev(pipe, left)
        while left and done >= len(left[0]):
            done -= len(left.pop(0))
        if left:
            left[0] = left[0][done:]
