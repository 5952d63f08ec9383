"""Cutting what was logged, in the background: a while after the last line, or when somebody says so."""

from __future__ import annotations

import threading

from cliplib import BusyError, ClipLibError, Library, Progress

from ..site.jobs import Jobs

PAUSE_S = 8.0
"""Nobody has logged anything for so long: time to cut. Cutting is cheap; the wait is there so that no
exchange is cut anew after each of its actions."""


class Cuts:
    """Plans cutting of fights in one library. Plans die with the process, and nothing is lost by that: what
    is not cut yet is cut after the next line, by "Done", or by the next ingest."""

    def __init__(self, library: Library, jobs: Jobs):
        self._library, self._jobs = library, jobs
        self._lock = threading.Lock()
        self._timers: dict[int, threading.Timer] = {}

    def later(self, fight_id: int, seconds: float = PAUSE_S) -> None:
        """Cut when nothing was logged for a while; asking again begins the wait anew."""
        timer = threading.Timer(seconds, self.now, (fight_id,))
        timer.daemon = True
        with self._lock:
            before = self._timers.pop(fight_id, None)
            self._timers[fight_id] = timer
        if before is not None:
            before.cancel()
        timer.start()

    def now(self, fight_id: int) -> None:
        """Cut as soon as other work is done."""
        with self._lock:
            timer = self._timers.pop(fight_id, None)
        if timer is not None:
            timer.cancel()
        try:
            self._jobs.start("Cutting what was logged", lambda progress: self._cut(fight_id, progress))
        except BusyError:
            self.later(fight_id, 30)

    def _cut(self, fight_id: int, progress: Progress) -> str:
        try:
            self._library.logging.live.cut(fight_id, progress)
        except BusyError:  # an ingest is at work; it cuts these clips too, if it comes to this fight
            self.later(fight_id, 30)
        except ClipLibError:
            raise  # told to whoever watches the job; tried again after the next line
        return f"/fights/{fight_id}"
