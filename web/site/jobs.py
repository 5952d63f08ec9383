"""Long work that a page started: one at a time, each with progress that any number of pages may watch."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from cliplib import BusyError, Cancelled, ClipLibError, Progress

KEPT = 50
WAITING = 8


@dataclass
class Job:
    """`state`: waiting | running | done | failed | cancelled."""

    key: str
    title: str
    state: str = "waiting"
    stage: str = ""
    done: int = 0
    total: int = 0
    message: str = ""
    result: str = ""
    cancel: threading.Event = field(default_factory=threading.Event)
    changed: threading.Condition = field(default_factory=threading.Condition)

    def snapshot(self) -> dict[str, str | int]:
        return {
            "state": self.state,
            "stage": self.stage,
            "done": self.done,
            "total": self.total,
            "message": self.message,
            "result": self.result,
        }

    @property
    def over(self) -> bool:
        return self.state in ("done", "failed", "cancelled")

    def _set(self, **values: str | int) -> None:
        with self.changed:
            for name, value in values.items():
                setattr(self, name, value)
            self.changed.notify_all()

    def watch(self, beat: float = 10.0) -> Iterator[dict[str, str | int] | None]:
        """Snapshots, one at each change, up to the last; None when nothing changed for `beat` seconds."""
        last = None
        while True:
            with self.changed:
                if self.snapshot() == last:
                    self.changed.wait(beat)
                now = self.snapshot()
            yield now if now != last else None
            last = now
            if self.over:
                return


class Jobs:
    """Runs jobs one after the other on a thread that lives as long as there is work."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._jobs: OrderedDict[str, Job] = OrderedDict()
        self._turn = threading.Lock()

    def start(self, title: str, work: Callable[[Progress], str]) -> Job:
        """Begin `work`; its return value is the job's `result` (an address). BusyError if too many wait."""
        job = Job(secrets.token_urlsafe(9), title)
        with self._lock:
            if sum(not j.over for j in self._jobs.values()) >= WAITING:
                raise BusyError(
                    f"{WAITING} pieces of work are waiting already; try again when one is finished."
                )
            self._jobs[job.key] = job
            while len(self._jobs) > KEPT:
                oldest = next((k for k, j in self._jobs.items() if j.over), None)
                if oldest is None:
                    break
                del self._jobs[oldest]
        threading.Thread(target=self._run, args=(job, work), name=f"job-{job.key}", daemon=True).start()
        return job

    def get(self, key: str) -> Job | None:
        return self._jobs.get(key)

    def _run(self, job: Job, work: Callable[[Progress], str]) -> None:
        def progress(stage: str, done: int, total: int) -> None:
            if job.cancel.is_set():
                raise Cancelled("The work was cancelled.")
            job._set(stage=stage, done=done, total=total)

        with self._turn:
            job._set(state="running")
            try:
                progress("starting", 0, 0)
                result = work(progress)
            except Cancelled:
                job._set(state="cancelled", message="Cancelled. Nothing was changed.")
            except ClipLibError as problem:
                job._set(state="failed", message=str(problem))
            except Exception:
                job._set(state="failed", message="An unexpected fault; the server's log has the details.")
                raise
            else:
                job._set(state="done", result=result)
