"""What is proposed of a film by machine, and what somebody decided. Nothing that counts or finds reads it.

It lies in the catalogue and not in a file beside it, because decisions are people's work: they go into
backups, are hidden with a private fight and forgotten with it, and of two people who decide at once one
wins, by the database.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from cliplib.catalogue.store import Store
from cliplib.core.errors import BusyError, NotFoundError

if TYPE_CHECKING:
    from sqlite_utils import Database

DECISIONS = ("accepted", "changed", "refused")


@dataclass(frozen=True, slots=True)
class StoredProposal:
    """[`from_us`, `until_us`) of footage time. `sureness`: sure, likely or perhaps; `verdict`: of a round,
    what its two witnesses come to; `evidence`: in sentences. `of_us`, `speed`: what a replay shows again,
    and `of_sureness` of that. `stops`: of a round, (when the clock stood still, for how long).

    `decision`: None while it is open; with `by`, `at` (UTC) and, if it was changed, `as_us`.
    """

    kind: str
    from_us: int
    until_us: int
    sureness: str
    evidence: tuple[str, ...]
    version: str
    number: int | None = None
    verdict: str = ""
    of_us: int | None = None
    speed: float | None = None
    of_sureness: str = ""
    stops: tuple[tuple[int, int], ...] = ()
    id: int = 0
    decision: str | None = None
    by: str = ""
    at: str = ""
    as_us: tuple[int, int] | None = None

    @property
    def span_us(self) -> tuple[int, int]:
        """What it was decided to be, or else what is proposed."""
        return self.as_us or (self.from_us, self.until_us)


@dataclass(frozen=True, slots=True)
class Watching:
    """The last look at a film. `stage`: sound or whole; `notes`: what somebody should know, in sentences."""

    fingerprint: str
    version: str
    stage: str
    notes: tuple[str, ...]


class Proposals:
    """The proposals of a catalogue."""

    def __init__(self, store: Store):
        self._store = store

    def of(self, fight_id: int) -> list[StoredProposal]:
        """A fight's, in order of time."""
        rows = self._store.rows(
            "SELECT id, kind, from_us, until_us, facts, decision, decided_by, decided_at, as_from_us, "
            "as_until_us FROM proposals WHERE fight_id = ? ORDER BY from_us, id",
            (fight_id,),
        )
        return [_stored(row) for row in rows]

    def watching(self, fight_id: int) -> Watching | None:
        """When the fight's film was last looked at, and how far; None if never."""
        rows = self._store.rows(
            "SELECT fingerprint, version, stage, notes FROM watchings WHERE fight_id = ?", (fight_id,)
        )
        if not rows:
            return None
        fingerprint, version, stage, notes = rows[0]
        return Watching(fingerprint, version, stage, tuple(json.loads(notes)))

    def put(self, fight_id: int, found: Sequence[StoredProposal], watching: Watching) -> None:
        """What was found takes the place of what is open. What was decided stays, and is not asked again."""
        with self._store.transaction() as db:
            if not db.execute("SELECT 1 FROM fights WHERE id = ?", [fight_id]).fetchone():
                raise NotFoundError(f"no fight {fight_id} in this library")
            there = self.of(fight_id)
            decided = [one for one in there if one.decision is not None]
            fresh = [one for one in found if not any(same(one, other) for other in decided)]
            ids = {(one.kind, one.from_us, one.until_us): one.id for one in there if one.decision is None}
            kept = {ids[key] for one in fresh if (key := (one.kind, one.from_us, one.until_us)) in ids}
            db.conn.executemany(
                "DELETE FROM proposals WHERE id = ?", [(i,) for i in ids.values() if i not in kept]
            )
            for one in fresh:
                old = ids.get((one.kind, one.from_us, one.until_us))
                if old is not None:
                    db.execute("UPDATE proposals SET facts = ? WHERE id = ?", [_facts(one), old])
                else:
                    db.execute(
                        "INSERT INTO proposals (fight_id, kind, from_us, until_us, facts) "
                        "VALUES (?, ?, ?, ?, ?)",
                        [fight_id, one.kind, one.from_us, one.until_us, _facts(one)],
                    )
            db.execute(
                "INSERT OR REPLACE INTO watchings (fight_id, fingerprint, version, stage, notes) "
                "VALUES (?, ?, ?, ?, ?)",
                [
                    fight_id, watching.fingerprint, watching.version, watching.stage,
                    json.dumps(watching.notes, ensure_ascii=False),
                ],
            )  # fmt: skip

    def decide(
        self, fight_id: int, proposal_id: int, decision: str, by: str, as_us: tuple[int, int] | None = None
    ) -> StoredProposal:
        """Decide an open one. BusyError if somebody has: they won; NotFoundError if it is there no more."""
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        with self._store.transaction() as db:
            done = db.execute(
                "UPDATE proposals SET decision = ?, decided_by = ?, decided_at = ?, as_from_us = ?, "
                "as_until_us = ? WHERE id = ? AND fight_id = ? AND decision IS NULL",
                [decision, by, now, *(as_us or (None, None)), proposal_id, fight_id],
            ).rowcount
            one = self._one(db, fight_id, proposal_id)
            if not done:
                raise BusyError(f"{one.by} has {one.decision} this already")
        self._store.settle()
        return one

    def reopen(self, fight_id: int, proposal_id: int) -> StoredProposal:
        """Take a decision back; what it was."""
        with self._store.transaction() as db:
            one = self._one(db, fight_id, proposal_id)
            db.execute(
                "UPDATE proposals SET decision = NULL, decided_by = NULL, decided_at = NULL, "
                "as_from_us = NULL, as_until_us = NULL WHERE id = ?",
                [proposal_id],
            )
        self._store.settle()
        return one

    def counts(self) -> dict[tuple[str, str], dict[str, int]]:
        """(kind, sureness) to how many are open, accepted, changed, refused; over all fights."""
        found: dict[tuple[str, str], dict[str, int]] = {}
        rows = self._store.rows(
            "SELECT kind, json_extract(facts, '$.sureness'), coalesce(decision, 'open'), count(*) "
            "FROM proposals GROUP BY 1, 2, 3 ORDER BY 1, 2"
        )
        for kind, sureness, decision, count in rows:
            found.setdefault((kind, sureness), dict.fromkeys(("open", *DECISIONS), 0))[decision] = count
        return found

    def _one(self, db: Database, fight_id: int, proposal_id: int) -> StoredProposal:
        row = db.execute(
            "SELECT id, kind, from_us, until_us, facts, decision, decided_by, decided_at, as_from_us, "
            "as_until_us FROM proposals WHERE id = ? AND fight_id = ?",
            [proposal_id, fight_id],
        ).fetchone()
        if row is None:
            raise NotFoundError("this proposal is not there any more; the film has been looked at again")
        return _stored(row)


def same(one: StoredProposal, other: StoredProposal) -> bool:
    """Whether two are about the same thing: of one kind, with more than half of the shorter in common."""
    if one.kind != other.kind:
        return False
    return any(
        min(one.until_us, last) - max(one.from_us, first) > min(one.until_us - one.from_us, last - first) / 2
        for first, last in ((other.from_us, other.until_us), other.span_us)
    )


_FACTS = ("sureness", "evidence", "version", "number", "verdict", "of_us", "speed", "of_sureness", "stops")


def _facts(one: StoredProposal) -> str:
    return json.dumps({name: getattr(one, name) for name in _FACTS}, ensure_ascii=False)


def _stored(row: Sequence[Any]) -> StoredProposal:
    number, kind, first, last, facts, decision, by, at, as_from, as_until = row
    told: Mapping[str, Any] = json.loads(facts)
    one = StoredProposal(kind, first, last, **{name: told[name] for name in _FACTS})
    return replace(
        one,
        evidence=tuple(one.evidence),
        stops=tuple((a, b) for a, b in one.stops),
        id=number,
        decision=decision,
        by=by or "",
        at=at or "",
        as_us=None if as_from is None else (as_from, as_until),
    )
