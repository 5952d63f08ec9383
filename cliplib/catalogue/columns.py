"""What the search's own files are made from: a library's actions as columns, and its notes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from cliplib.catalogue.store import Store, batches, marks
from cliplib.core.timebase import UNTIMED

if TYPE_CHECKING:
    import numpy.typing as npt

MISSING = -1
"""What an integer column holds where the log says nothing; times: UNTIMED."""
_NOTHING = {"time_us": UNTIMED, "until_us": UNTIMED}

_INT_COLUMNS = (
    "exchange_id", "position", "fight_id", "round", "fighter_id", "time_us", "until_us", "answers",
    "beside", "exchange_position",
)  # fmt: skip
_TEXT_COLUMNS = (
    "technique", "hand", "side", "target", "outcome", "direction", "stance", "place", "range", "roles",
    "said_roles", "inferred",
)  # fmt: skip
_COLUMNS_SQL = """
    SELECT a.exchange_id, a.position, e.fight_id, e.round, a.fighter_id, a.time_us, a.until_us, a.answers,
           e.second_opinion + 2 * (e.view_of IS NOT NULL), e.position,
           a.technique, a.hand, a.side, a.target, a.outcome, a.direction, a.stance, a.place, a.range, a.roles,
           a.said_roles, a.inferred
    FROM exchanges e CROSS JOIN actions a ON a.exchange_id = e.id
    WHERE e.fight_id = ? ORDER BY e.position, a.position
"""


def columns(store: Store, fight_ids: Iterable[int] | None = None) -> dict[str, npt.NDArray[Any]]:
    """Every action of the fights (None: all) as columns, in order of fight, exchange and action.

    int64 arrays, MISSING (times: UNTIMED) where nothing was said: exchange_id, position, fight_id, round,
    fighter_id, time_us, until_us, answers, beside (what is not counted: 1 for a second
    opinion, 2 for a view in a replay, 3 for both), exchange_position (in the fight).
    Object arrays of str or None: technique, hand, side, target, outcome, direction, stance, place, range, and
    as JSON lists roles, said_roles and inferred.
    """
    import numpy as np  # what asks for no columns starts without it

    ids = _fight_ids(store) if fight_ids is None else sorted(set(fight_ids))
    parts: dict[str, list[npt.NDArray[Any]]] = {name: [] for name in (*_INT_COLUMNS, *_TEXT_COLUMNS)}
    for fight_id in ids:  # a fight at a time: memory stays flat over millions of rows
        rows = store.rows(_COLUMNS_SQL, (fight_id,))
        if not rows:
            continue
        for name, column in zip(parts, zip(*rows, strict=True), strict=True):
            if name in _TEXT_COLUMNS:
                parts[name].append(np.array(column, dtype=object))
            elif None in column:
                nothing = _NOTHING.get(name, MISSING)
                parts[name].append(np.array([nothing if v is None else v for v in column], dtype=np.int64))
            else:
                parts[name].append(np.array(column, dtype=np.int64))
    return {
        name: np.concatenate(arrays)
        if arrays
        else np.zeros(0, dtype=object if name in _TEXT_COLUMNS else np.int64)
        for name, arrays in parts.items()
    }


def notes(store: Store, fight_ids: Iterable[int] | None = None) -> list[tuple[int, str]]:
    """(exchange id, its note and those of its actions) wherever anything was noted."""
    ids = _fight_ids(store) if fight_ids is None else sorted(set(fight_ids))
    found: list[tuple[int, str]] = []
    for batch in batches(ids):
        texts: dict[int, list[str]] = {}
        for exchange_id, note in store.rows(
            f"SELECT e.id, e.note FROM exchanges e WHERE e.note <> '' AND e.fight_id IN ({marks(batch)})",
            batch,
        ):
            texts[exchange_id] = [note]
        for exchange_id, note in store.rows(
            "SELECT e.id, a.note FROM exchanges e CROSS JOIN actions a ON a.exchange_id = e.id "
            f"WHERE a.note <> '' AND e.fight_id IN ({marks(batch)}) "
            "ORDER BY e.id, a.position",
            batch,
        ):
            lines = texts.setdefault(exchange_id, [])
            if note not in lines:
                lines.append(note)
        found += [(exchange_id, "\n".join(lines)) for exchange_id, lines in texts.items()]
    return sorted(found)


def _fight_ids(store: Store) -> list[int]:
    return [fight_id for (fight_id,) in store.rows("SELECT id FROM fights ORDER BY id")]
