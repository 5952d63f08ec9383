"""What counting per minute needs of the catalogue: round lengths, bells, and where an early end was."""

from __future__ import annotations

import json
from dataclasses import dataclass

from cliplib.catalogue.rows import parts_from_json, periods_from_json
from cliplib.catalogue.store import Store
from cliplib.core.parts import clock_of
from cliplib.core.periods import Course


@dataclass(frozen=True, slots=True)
class ClockRow:
    """`last_us`: when the last logged exchange of the fight ends, footage time; where only a round clock is
    known, what it showed at the last action of the last round, negated; None without times."""

    round_us: int | None
    round_starts_us: tuple[int, ...]
    method: str | None
    last_us: int | None
    course: Course


def clocks(store: Store) -> dict[int, ClockRow]:
    """The clock of every fight, by fight id."""
    rows = store.rows(
        """
        SELECT id, round_us, round_starts, method,
          CASE WHEN method IN ('knockout', 'stoppage', 'disqualification') THEN coalesce(
            (SELECT max(e.end_us) FROM exchanges e
             WHERE e.fight_id = fights.id AND e.second_opinion = 0 AND e.view_of IS NULL),
            (SELECT max(coalesce(a.until_us, a.time_us))
             FROM exchanges e JOIN actions a ON a.exchange_id = e.id
             WHERE e.fight_id = fights.id AND e.second_opinion = 0 AND e.view_of IS NULL AND e.round =
               (SELECT max(round) FROM exchanges
                WHERE fight_id = fights.id AND second_opinion = 0 AND view_of IS NULL)))
          END,
          periods, parts FROM fights
        """
    )
    found = {}
    for fight_id, round_us, starts, method, last_us, periods, parts in rows:
        bells = tuple(json.loads(starts))
        clock = clock_of(bells, round_us, parts_from_json(parts))
        course = Course.of(periods_from_json(periods), clock)
        found[fight_id] = ClockRow(round_us, bells, method, last_us, course)
    return found
