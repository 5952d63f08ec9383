"""What somebody corrected in the library itself, kept beside what the log says, so that both can be had.

A correction belongs to an exchange of a log, told by the log's name, the round and the moment at which the
log has it begin. It stands when the fight is ingested again; one of the actions ends when the log itself says
something else, since then the logger has spoken last.
"""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from cliplib.catalogue.rows import ACTION_COLUMNS, StoredExchange, action_from, action_values, exchange_digest
from cliplib.catalogue.store import Store, marks
from cliplib.catalogue.writing import touch
from cliplib.core.errors import NotFoundError
from cliplib.core.models import Action, Exchange

if TYPE_CHECKING:
    from sqlite_utils import Database

Key = tuple[str, int | None, int]
"""(name of the log, round, microseconds at which the log has the exchange begin)."""


@dataclass(frozen=True, slots=True)
class Correction:
    """`logged`: the actions as the log has them, roles and all. `actions`: what stands instead, or None.
    `in_us`, `out_us`: the clip's in and out instead of the planned ones, or None."""

    exchange_id: int | None
    key: Key
    logged: tuple[Action, ...]
    actions: tuple[Action, ...] | None = None
    in_us: int | None = None
    out_us: int | None = None

    @property
    def says_nothing(self) -> bool:
        return self.actions is None and self.in_us is None


def said_digest(actions: Sequence[Action]) -> str:
    """A fingerprint of what was said: derived roles, answers and outcomes are no part of it."""
    plain = [
        replace(
            a,
            roles=(),
            answers=None,
            stance=None,
            outcome=None if "outcome" in a.inferred else a.outcome,
            hand=None if "hand" in a.inferred else a.hand,
            side=None if "side" in a.inferred else a.side,
            inferred=(),
        )
        for a in actions
    ]
    return hashlib.blake2b(_to_json(plain).encode(), digest_size=16).hexdigest()


def corrections(store: Store, fight_id: int) -> list[Correction]:
    """Those of one fight."""
    rows = store.rows(
        "SELECT exchange_id, log_file, round, start_us, logged, actions, in_us, out_us FROM corrections "
        "WHERE fight_id = ? ORDER BY id",
        (fight_id,),
    )
    return [
        Correction(
            row[0],
            (row[1], row[2], row[3]),
            _from_json(row[4]),
            row[5] and _from_json(row[5]),
            row[6],
            row[7],
        )
        for row in rows
    ]


def correct(
    store: Store, fight_id: int, stored: StoredExchange, exchange: Exchange, correction: Correction
) -> None:
    """Put `exchange` with the correction's in and out in place of what is stored, and keep the correction (or
    forget it, if it says nothing), in one transaction."""
    people = dict(
        store.rows(
            "SELECT p.name, p.id FROM fighters p JOIN fights f ON p.id IN (f.red_id, f.blue_id) "
            "WHERE f.id = ?",
            (fight_id,),
        )
    )
    with store.transaction() as db:
        changed = db.execute(
            "UPDATE exchanges SET start_us = ?, end_us = ?, exact_span = ?, digest = ?, in_us = ?, "
            "out_us = ? WHERE id = ? AND fight_id = ?",
            [
                exchange.start_us,
                exchange.end_us,
                int(exchange.exact_span),
                exchange_digest(exchange),
                stored.in_us,
                stored.out_us,
                stored.id,
                fight_id,
            ],
        )
        if changed.rowcount == 0:
            raise NotFoundError(f"there is no clip {stored.id} in this library any more")
        db.execute("DELETE FROM actions WHERE exchange_id = ?", [stored.id])
        db.conn.executemany(
            f"INSERT INTO actions (exchange_id, position, fighter_id, {', '.join(ACTION_COLUMNS)}) "
            f"VALUES (?, ?, ?, {marks(ACTION_COLUMNS)})",
            [
                (stored.id, place, people[action.fighter or ""], *action_values(action))
                for place, action in enumerate(exchange.actions)
            ],
        )
        _keep(db, fight_id, correction)
        touch(db, fight_id)


def _keep(db: Database, fight_id: int, c: Correction) -> None:
    log_file, round_no, start_us = c.key
    db.execute(
        "DELETE FROM corrections WHERE fight_id = ? AND log_file = ? AND round IS ? AND start_us = ?",
        [fight_id, log_file, round_no, start_us],
    )
    if c.says_nothing:
        return
    values: list[Any] = [
        fight_id,
        c.exchange_id,
        log_file,
        round_no,
        start_us,
        _to_json(c.logged),
        None if c.actions is None else _to_json(c.actions),
        c.in_us,
        c.out_us,
        datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
    ]
    db.execute(
        "INSERT INTO corrections (fight_id, exchange_id, log_file, round, start_us, logged, actions, in_us, "
        f"out_us, made) VALUES ({marks(values)})",
        values,
    )


def _to_json(actions: Sequence[Action]) -> str:
    return json.dumps([[a.fighter, *action_values(a)] for a in actions], ensure_ascii=False)


def _from_json(text: str) -> tuple[Action, ...]:
    return tuple(action_from(row[0], row[1:]) for row in json.loads(text))
