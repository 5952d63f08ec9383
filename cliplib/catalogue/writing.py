"""How the catalogue stores a fight: in one transaction, touching only what differs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cliplib.catalogue.rows import (
    ACTION_COLUMNS,
    FightChange,
    NewExchange,
    NewMark,
    OldExchange,
    action_values,
    fight_values,
    keep_ids,
    views,
    with_second_opinions,
)
from cliplib.catalogue.store import Store, marks
from cliplib.core.errors import InputError
from cliplib.core.models import Action, Exchange, FightInfo, LogSource

if TYPE_CHECKING:
    from sqlite_utils import Database


def replace_fight(
    store: Store,
    info: FightInfo,
    exchanges: Sequence[NewExchange],
    marks_told: Sequence[NewMark] = (),
    *,
    folder: Path,
    digest: str,
    fight_id: int | None = None,
) -> FightChange:
    """Store a fight as it is now, in one transaction, touching only what differs.

    `fight_id` names the stored fight this is; None looks for one of the same title and date and makes one
    if there is none. Exchanges that say the same keep their ids and clips (see `keep_ids`); those that
    are gone take their actions and clips along. Clip files are the caller's to remove, afterwards.
    """
    if len({source.by for source in info.logs}) > 1:
        exchanges = with_second_opinions(exchanges, info.logs)
    with store.transaction() as db:
        if fight_id is None:
            found = db.execute(
                "SELECT id FROM fights WHERE title = ? AND coalesce(date, '') = ?",
                [info.title, info.date.isoformat() if info.date else ""],
            ).fetchone()
            fight_id = found[0] if found else None
        people = {name: fighter_id(db, name) for name in info.fighters}
        values = fight_values(info) | {
            "red_id": people[info.red.name],
            "blue_id": people[info.blue.name],
            "folder": str(folder),
            "digest": digest,
        }
        new_fight = fight_id is None
        if fight_id is None:
            cursor = db.execute(
                f"INSERT INTO fights ({', '.join(values)}, revision) VALUES ({marks(values)}, 0)",
                list(values.values()),
            )
            fight_id = int(cursor.lastrowid or 0)
            differs = True
        else:
            differs = _update(db, "fights", fight_id, values, ignore=("folder", "digest"))
        log_ids, logs_differ = _replace_logs(db, fight_id, info.logs)
        change = replace_exchanges(db, fight_id, info, exchanges, people, log_ids)
        marks_differ = replace_marks(db, fight_id, marks_told, people, log_ids)
        change = FightChange(
            fight_id, change.exchange_ids, change.added, change.changed, change.removed, new_fight
        )
        db.execute(
            f"DELETE FROM logs WHERE fight_id = ? AND live = 0 AND id NOT IN ({marks(log_ids)})",
            [fight_id, *log_ids],
        )
        views_differ = mark_views(db, fight_id, info)
        if differs or logs_differ or marks_differ or views_differ or change.anything:
            touch(db, fight_id)
    return change


def mark_views(db: Database, fight_id: int, info: FightInfo) -> bool:
    """Say of a fight's exchanges which lie in replays, and what they show again; whether that changed."""
    if not any(part.kind == "replay" for part in info.parts):
        told = "UPDATE exchanges SET view_of = NULL WHERE fight_id = ? AND view_of IS NOT NULL"
        return bool(db.conn.execute(told, (fight_id,)).rowcount)
    rows = db.execute(
        "SELECT id, start_us, end_us, second_opinion, view_of FROM exchanges WHERE fight_id = ? ORDER BY id",
        [fight_id],
    ).fetchall()
    wanted = views([(i, start, end, bool(second)) for i, start, end, second, _ in rows], info.parts)
    differing = [(wanted[i], i) for i, *_, stored in rows if wanted[i] != stored]
    db.conn.executemany("UPDATE exchanges SET view_of = ? WHERE id = ?", differing)
    return bool(differing)


_MARK_COLUMNS = ("log_id", "round", "time_us", "until_us", "on_clock", "fighter_id", "name", "note", "line")


def replace_marks(
    db: Database,
    fight_id: int,
    marks_told: Sequence[NewMark],
    people: dict[str, int],
    log_ids: Sequence[int],
    *,
    live: bool = False,
) -> bool:
    """Put marks in the place of those of the fight folder's logs, or of the live ones; whether any differ."""
    stored = db.execute(
        f"SELECT m.id, m.{', m.'.join(_MARK_COLUMNS)} FROM marks m JOIN logs l ON l.id = m.log_id "
        "WHERE m.fight_id = ? AND l.live = ? ORDER BY m.id",
        [fight_id, int(live)],
    ).fetchall()
    wanted = [
        (
            log_ids[item.log], item.mark.round, item.mark.time_us, item.mark.until_us,
            int(item.mark.on_clock), None if item.mark.fighter is None else people[item.mark.fighter],
            item.mark.name, item.mark.note, item.mark.line,
        )
        for item in marks_told
    ]  # fmt: skip
    if [row[1:] for row in stored] == wanted:
        return False
    db.conn.executemany("DELETE FROM marks WHERE id = ?", [row[:1] for row in stored])
    db.conn.executemany(
        f"INSERT INTO marks (fight_id, {', '.join(_MARK_COLUMNS)}) VALUES (?, {marks(_MARK_COLUMNS)})",
        [(fight_id, *values) for values in wanted],
    )
    return True


def _replace_logs(db: Database, fight_id: int, logs: Sequence[LogSource]) -> tuple[list[int], bool]:
    stored = {
        file: (log_id, position, by)
        for log_id, position, file, by in db.execute(
            "SELECT id, position, file, by FROM logs WHERE fight_id = ? AND live = 0", [fight_id]
        ).fetchall()
    }
    ids, differs = [], len(stored) != len(logs)
    for position, source in enumerate(logs):
        old = stored.get(source.file)
        if old is None:
            cursor = db.execute(
                "INSERT INTO logs (fight_id, position, file, by) VALUES (?, ?, ?, ?)",
                [fight_id, position, source.file, source.by],
            )
            ids.append(int(cursor.lastrowid or 0))
            differs = True
        else:
            ids.append(old[0])
            if old[1:] != (position, source.by):
                db.execute("UPDATE logs SET position = ?, by = ? WHERE id = ?", [position, source.by, old[0]])
                differs = True
    return ids, differs


_LIVE_FROM = 1_000_000  # positions of live logs' exchanges: behind all that a fight folder tells


def replace_exchanges(
    db: Database,
    fight_id: int,
    info: FightInfo,
    exchanges: Sequence[NewExchange],
    people: dict[str, int],
    log_ids: Sequence[int],
    *,
    live: bool = False,
) -> FightChange:
    """Put `exchanges` in the place of those of the fight folder's logs, or of the live ones.

    `log_ids`: of `info.logs`, in that order.
    """
    columns = (
        "log_id", "position", "round", "start_us", "end_us", "in_us", "out_us", "exact_span", "name",
        "note", "line", "digest", "second_opinion",
    )  # fmt: skip
    stored = db.execute(
        f"SELECT e.id, l.file, e.{', e.'.join(columns)} "
        "FROM exchanges e JOIN logs l ON l.id = e.log_id WHERE e.fight_id = ? AND l.live = ? "
        "ORDER BY e.position",
        [fight_id, int(live)],
    ).fetchall()
    new_values = [
        (
            log_ids[item.log],
            position,
            item.exchange.round,
            item.exchange.start_us,
            item.exchange.end_us,
            item.in_us,
            item.out_us,
            int(item.exchange.exact_span),
            item.exchange.name,
            item.exchange.note,
            item.exchange.line,
            item.digest,
            int(item.second_opinion),
        )
        for position, item in enumerate(exchanges, _LIVE_FROM if live else 0)
    ]
    # What stands at the same place and says the same stays: as a rule all but the latest of a growing log.
    pairs = zip(stored, new_values, strict=False)
    same = next((i for i, (row, values) in enumerate(pairs) if row[2:] != values), None)
    same = min(len(stored), len(new_values)) if same is None else same
    ids = [row[0] for row in stored[:same]]
    stored, exchanges, new_values = stored[same:], exchanges[same:], new_values[same:]
    old_values = {row[0]: row[2:] for row in stored}
    digest_at, round_at, start_at = (columns.index(n) for n in ("digest", "round", "start_us"))
    old = [
        OldExchange(row[0], row[1], row[2 + digest_at], row[2 + round_at], row[2 + start_at])
        for row in stored
    ]
    kept = keep_ids(
        old,
        [
            OldExchange(
                0,
                info.logs[item.log].file,
                str(values[digest_at]),
                item.exchange.round,
                item.exchange.start_us,
            )
            for item, values in zip(exchanges, new_values, strict=True)
        ],
    )
    gone = sorted(old_values.keys() - set(kept))
    db.conn.executemany("DELETE FROM exchanges WHERE id = ?", [(i,) for i in gone])
    changed = 0
    rewritten: list[tuple[int, Exchange]] = []
    insert = f"INSERT INTO exchanges (fight_id, {', '.join(columns)}) VALUES (?, {marks(columns)})"
    update = f"UPDATE exchanges SET {' = ?, '.join(columns)} = ? WHERE id = ?"
    line_at = columns.index("line")
    for item, values, exchange_id in zip(exchanges, new_values, kept, strict=True):
        if exchange_id is None:
            exchange_id = int(db.conn.execute(insert, (fight_id, *values)).lastrowid or 0)
            rewritten.append((exchange_id, item.exchange))
        elif old_values[exchange_id] != values:
            before = old_values[exchange_id]
            db.conn.execute(update, (*values, exchange_id))
            if before[digest_at] != values[digest_at]:
                db.conn.execute("DELETE FROM actions WHERE exchange_id = ?", (exchange_id,))
                rewritten.append((exchange_id, item.exchange))
            # A row that only moved down the file is the same exchange to everybody but the log's editor.
            if before[:line_at] != values[:line_at] or before[line_at + 1 :] != values[line_at + 1 :]:
                changed += 1
        ids.append(exchange_id)
    db.conn.executemany(
        f"INSERT INTO actions (exchange_id, position, fighter_id, {', '.join(ACTION_COLUMNS)}) "
        f"VALUES (?, ?, ?, {marks(ACTION_COLUMNS)})",
        (
            (exchange_id, place, _person(people, action), *action_values(action))
            for exchange_id, exchange in rewritten
            for place, action in enumerate(exchange.actions)
        ),
    )
    return FightChange(fight_id, tuple(ids), kept.count(None), changed, len(gone))


def fighter_id(db: Database, name: str) -> int:
    row = db.execute("SELECT id FROM fighters WHERE name = ?", [name]).fetchone()
    if row:
        return int(row[0])
    return int(db.execute("INSERT INTO fighters (name) VALUES (?)", [name]).lastrowid or 0)


def touch(db: Database, fight_id: int | None) -> None:
    db.execute("UPDATE meta SET value = value + 1 WHERE key = 'revision'")
    if fight_id is not None:
        db.execute(
            "UPDATE fights SET revision = (SELECT value FROM meta WHERE key = 'revision') WHERE id = ?",
            [fight_id],
        )


def _person(people: dict[str, int], action: Action) -> int:
    if action.fighter is None or action.fighter not in people:
        raise InputError(f"an action by “{action.fighter}”, who is not in this fight ({', '.join(people)})")
    return people[action.fighter]


def _update(
    db: Database, table: str, row_id: int, values: dict[str, Any], *, ignore: tuple[str, ...]
) -> bool:
    """Write what differs; True if any of it is outside `ignore`."""
    names = list(values)
    stored = db.execute(f"SELECT {', '.join(names)} FROM {table} WHERE id = ?", [row_id]).fetchone()
    differing = [n for n, old in zip(names, stored, strict=True) if old != values[n]]
    if differing:
        db.execute(
            f"UPDATE {table} SET {' = ?, '.join(differing)} = ? WHERE id = ?",
            [*(values[n] for n in differing), row_id],
        )
    return any(name not in ignore for name in differing)
