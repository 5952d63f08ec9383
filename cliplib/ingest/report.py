"""What an ingest did, as data for people and scripts."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from cliplib.core.errors import ClipLibError, InputError, LogError, Problem
from cliplib.core.models import JSON


@dataclass(slots=True)
class FightReport:
    """What was done about one fight folder.

    `status`: added, changed, unchanged or failed. `waiting`: exchanges with times that are not cut yet, for
    want of footage. `cut` counts clips by how they were cut; `why`: what had to be done to the footage first.
    """

    folder: Path
    title: str = ""
    fight_id: int | None = None
    status: str = "unchanged"
    exchanges: int = 0
    exchanges_added: int = 0
    exchanges_changed: int = 0
    exchanges_removed: int = 0
    cut: Counter[str] = field(default_factory=Counter)
    clips_removed: int = 0
    waiting: int = 0
    why: list[str] = field(default_factory=list)
    skipped: tuple[Problem, ...] = ()
    errors: list[ClipLibError] = field(default_factory=list)
    footage: Path | None = None

    def did(self, status: str) -> None:
        """Record that something changed; `added` stays `added`."""
        if self.status == "unchanged":
            self.status = status

    def fail(self, error: ClipLibError) -> None:
        self.errors.append(error)
        self.status = "failed"

    @property
    def problems(self) -> list[str]:
        """What to tell the user about this fight, a sentence or a row of a log each."""
        told: list[str] = []
        for error in self.errors:
            told += [str(p) for p in error.problems] if isinstance(error, LogError) else [str(error)]
        return told

    def as_json(self) -> JSON:
        return {
            "title": self.title,
            "fight_id": self.fight_id,
            "folder": str(self.folder),
            "status": self.status,
            "exchanges": self.exchanges,
            "exchanges_added": self.exchanges_added,
            "exchanges_changed": self.exchanges_changed,
            "exchanges_removed": self.exchanges_removed,
            "clips_cut": dict(sorted(self.cut.items())),
            "clips_removed": self.clips_removed,
            "waiting_for_footage": self.waiting,
            "notes": self.why,
            "skipped_rows": [_problem_json(p) for p in self.skipped],
            "problems": [
                _problem_json(p) if isinstance(p, Problem) else {"message": p}
                for error in self.errors
                for p in (error.problems if isinstance(error, LogError) else (str(error),))
            ],
            "footage": str(self.footage) if self.footage else None,
        }


@dataclass(frozen=True, slots=True)
class IngestReport:
    """`vanished`: (title, folder) of stored fights whose folder is gone; they stay as they are."""

    fights: tuple[FightReport, ...]
    vanished: tuple[tuple[str, Path], ...] = ()
    seconds: float = 0.0

    def with_status(self, status: str) -> list[FightReport]:
        return [fight for fight in self.fights if fight.status == status]

    @property
    def changed_anything(self) -> bool:
        return any(
            fight.exchanges_added
            or fight.exchanges_changed
            or fight.exchanges_removed
            or fight.cut
            or fight.clips_removed
            or fight.status in ("added", "changed")
            for fight in self.fights
        )

    @property
    def exit_code(self) -> int:
        """0 if all went well, 1 if something failed on good input, 2 if some input was wrong."""
        errors = [error for fight in self.fights for error in fight.errors]
        if any(not isinstance(error, InputError) for error in errors):
            return 1
        return 2 if errors else 0

    def as_json(self) -> JSON:
        cut: Counter[str] = Counter()
        for fight in self.fights:
            cut.update(fight.cut)
        return {
            "added": len(self.with_status("added")),
            "changed": len(self.with_status("changed")),
            "unchanged": len(self.with_status("unchanged")),
            "failed": len(self.with_status("failed")),
            "exchanges": sum(fight.exchanges for fight in self.fights),
            "clips_cut": dict(sorted(cut.items())),
            "clips_removed": sum(fight.clips_removed for fight in self.fights),
            "waiting_for_footage": sum(fight.waiting for fight in self.fights),
            "seconds": round(self.seconds, 3),
            "fights": [fight.as_json() for fight in self.fights],
            "vanished": [{"title": title, "folder": str(folder)} for title, folder in self.vanished],
        }


def _problem_json(problem: Problem) -> JSON:
    return {
        "file": problem.file,
        "line": problem.line,
        "column": problem.column,
        "message": problem.message,
        "meant": problem.meant or None,
    }
