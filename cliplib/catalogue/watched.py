"""What counting per minute needs of the catalogue: round lengths, bells, and where an early end was."""

from __future__ import annotations

import json
from dataclasses import dataclass

from cliplib.catalogue.store import Store


@dataclass(frozen=True, slots=True)
class ClockRow:
    """`last_us`: when the last logged exchange of the fight ends, footage time; None without times."""

    round_us: int | None
    round_starts_us: tuple[int, ...]
    method: str | None
    last_us: int | None


def clocks(store: Store) -> dict[int, ClockRow]:
    """The clock of every fight, by fight id."""
    rows = store.rows(
        "SELECT id, round_us, round_starts, method, CASE WHEN method IN ('knockout', 'stoppage', "
        "'disqualification') THEN (SELECT max(e.end_us) FROM exchanges e WHERE e.fight_id = fights.id "
        "AND e.second_opinion = 0) END FROM fights"
    )
    return {
        fight_id: ClockRow(round_us, tuple(json.loads(starts)), method, last_us)
        for fight_id, round_us, starts, method, last_us in rows
    }
