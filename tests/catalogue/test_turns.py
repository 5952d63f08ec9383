"""Threads of one process write in the order in which they came, and nobody who waits in vain blocks the rest."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest

from cliplib.catalogue import turns
from cliplib.catalogue.turns import turns_of
from cliplib.core.errors import BusyError

# Private parts: who waits, which nobody else asks.


def _wait_for(count: int, queue: turns.Turns) -> None:
    end = time.monotonic() + 10
    while len(queue._waiting) < count:
        assert time.monotonic() < end
        time.sleep(0.001)


def test_first_come_first_served(tmp_path: Path) -> None:
    path = tmp_path / "catalogue.db"
    queue, came = turns_of(path), []
    assert turns_of(path) is queue

    def write(n: int) -> None:
        with queue.one(path):
            came.append(n)

    threads = [threading.Thread(target=write, args=(n,)) for n in range(12)]
    with queue.one(path):
        for n, thread in enumerate(threads):
            thread.start()
            _wait_for(n + 1, queue)
    for thread in threads:
        thread.join()
    assert came == list(range(12))
    with queue.one(path):  # nobody has it any more
        pass


def test_who_waits_in_vain_is_told_and_leaves_the_queue(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(turns, "MOST_WAIT_S", 0.05)
    path = tmp_path / "catalogue.db"
    queue = turns_of(path)
    refused: list[str] = []

    def write() -> None:
        try:
            with queue.one(path):
                pass
        except BusyError as error:
            refused.append(str(error))

    with queue.one(path):
        thread = threading.Thread(target=write)
        thread.start()
        thread.join()
    assert ["another program is writing" in said for said in refused] == [True]
    assert not queue._waiting
    with queue.one(path):
        pass


def test_a_turn_ends_with_an_error(tmp_path: Path) -> None:
    path = tmp_path / "catalogue.db"
    queue = turns_of(path)
    with pytest.raises(ValueError, match="mine"), queue.one(path):
        raise ValueError("mine")
    with queue.one(path):
        pass
