"""Who may write to a catalogue next: of this process's threads one at a time, in the order they came.

SQLite lets whoever looks at the right moment write, and those who wait look ever more seldom; so of several
threads that write all the time some would wait for seconds. Between processes it stays as it is.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from weakref import WeakValueDictionary

from cliplib.core.errors import BusyError

MOST_WAIT_S = 10


class Turns:
    """The turns at one catalogue."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: deque[threading.Lock] = deque()  # each is opened when its turn comes
        self._taken = False

    @contextmanager
    def one(self, path: Path) -> Iterator[None]:
        """A turn. BusyError if it has not come after MOST_WAIT_S. Who has one must not ask for another."""
        self._wait(path)
        try:
            yield
        finally:
            self._pass_on()

    def _wait(self, path: Path) -> None:
        mine = threading.Lock()
        mine.acquire()
        with self._lock:
            if not self._taken:
                self._taken = True
                return
            self._waiting.append(mine)
        come = False
        try:
            come = mine.acquire(timeout=MOST_WAIT_S)
        finally:
            if not come:
                self._leave(mine)
        if not come:
            raise BusyError(f"another program is writing to {path}; try again in a moment")

    def _leave(self, mine: threading.Lock) -> None:
        """Wait no longer; a turn that came at this very moment goes to the next."""
        with self._lock:
            try:
                self._waiting.remove(mine)
                return
            except ValueError:
                pass
        self._pass_on()

    def _pass_on(self) -> None:
        with self._lock:
            if self._waiting:
                self._waiting.popleft().release()
            else:
                self._taken = False


_known: WeakValueDictionary[Path, Turns] = WeakValueDictionary()
_known_lock = threading.Lock()


def turns_of(path: Path) -> Turns:
    """Those of a file, the same for everybody in this process."""
    with _known_lock:
        found = _known.get(path.resolve())
        if found is None:
            found = _known[path.resolve()] = Turns()
        return found
