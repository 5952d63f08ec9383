"""The clips of a reel as everything that is handed on tells them: numbered, with their place in the reel."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from cliplib.reels.parts import ReelPart
from cliplib.reels.plan import PlannedPart, ReelPlan


@dataclass(frozen=True, slots=True)
class Row:
    """One clip of a reel. `number` counts from 1; `start` is its first frame in the reel."""

    number: int
    part: ReelPart
    planned: PlannedPart
    start: int

    @property
    def file(self) -> str:
        """Its name in a bundle."""
        plain = unicodedata.normalize("NFKD", self.planned.title).encode("ascii", "ignore").decode().lower()
        stem = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-")
        return f"clips/{self.number:03d}{'-' if stem else ''}{stem}.mp4"

    @property
    def key_frame(self) -> int:
        """The source frame at which the last matched action starts, or the middle one."""
        part = self.part
        if not part.moments_us:
            return (part.first + part.last) // 2
        return min(max(part.source.timeline.frame_at(part.moments_us[-1]), part.first), part.last - 1)


def rows_of(parts: Sequence[ReelPart], plan: ReelPlan) -> list[Row]:
    rows = []
    for planned, start in zip(plan.parts, plan.starts(), strict=True):
        if planned.clip is not None:
            rows.append(Row(planned.clip + 1, parts[planned.clip], planned, start))
    return rows


def counts_of(rows: Sequence[Row]) -> list[tuple[str, list[tuple[str, int]]]]:
    """How many examples by fight, fighter and round, the most first: [(what, [(name, count)])]."""
    counts = []
    for what in ("fight", "fighter", "round"):
        count = Counter(row.part.facts.get(what, "") or "not known" for row in rows)
        counts.append((what, sorted(count.items(), key=lambda item: (-item[1], item[0]))))
    return counts
