"""What the file catalogue.db says of itself: whose it is, at which schema; and what a connection is told.

It is asked whenever a library is opened, so that it needs none of what `schema` changes one with.
"""

from __future__ import annotations

import sqlite3

SET = "cliplib"
"""What our migrations are recorded under."""

MIGRATIONS = (
    "first_tables",
    "corrections",
    "live_logs",
    "contents_of_files",
    "private_fights",
    "drawings",
    "periods_and_marks",
    "parts_and_views",
    "proposals",
)
"""Their names in order; a test compares them with those of `schema`."""

_PRIVATE = "SELECT id FROM main.fights WHERE private = 1"
_OF_FIGHT = f"fight_id NOT IN ({_PRIVATE})"
_OF_EXCHANGE = f"exchange_id NOT IN (SELECT id FROM main.exchanges WHERE fight_id IN ({_PRIVATE}))"
_OF_LOG = f"log_id NOT IN (SELECT id FROM main.logs WHERE fight_id IN ({_PRIVATE}))"

# A temporary view takes the place of the table of its name, in whatever a connection asks.
WITHOUT_PRIVATE = tuple(
    f"CREATE TEMP VIEW {table} AS SELECT * FROM main.{table} WHERE {where}"
    for table, where in {
        "fights": "private = 0",
        "footage": _OF_FIGHT,
        "logs": _OF_FIGHT,
        "exchanges": _OF_FIGHT,
        "corrections": _OF_FIGHT,
        "drawings": _OF_FIGHT,
        "marks": _OF_FIGHT,
        "proposals": _OF_FIGHT,
        "watchings": _OF_FIGHT,
        "actions": _OF_EXCHANGE,
        "clips": _OF_EXCHANGE,
        "live_lines": _OF_LOG,
    }.items()
)
"""What a connection is told that must not see private fights."""


APPLICATION = 0x63_6C_69_70
"""What the file says it is (PRAGMA application_id): “clip” in ASCII. Libraries of before 2026-12 say nothing
and get it when they are opened."""


def is_ours(raw: sqlite3.Connection) -> bool:
    """Whether a database is a catalogue: it has what our first migration made, and is nobody else's file."""
    (says,) = raw.execute("PRAGMA application_id").fetchone()
    tables = {name for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if says not in (0, APPLICATION) or not {"_sqlite_migrations", "meta", "fights"} <= tables:
        return False
    applied = "SELECT 1 FROM _sqlite_migrations WHERE migration_set = ? AND name = ?"
    return raw.execute(applied, (SET, MIGRATIONS[0])).fetchone() is not None


def is_current(raw: sqlite3.Connection) -> bool:
    """Whether a catalogue of ours is at the schema of this version, so that nothing is to be changed."""
    (says,) = raw.execute("PRAGMA application_id").fetchone()
    applied = raw.execute("SELECT name FROM _sqlite_migrations WHERE migration_set = ?", (SET,))
    return says == APPLICATION and {name for (name,) in applied} == set(MIGRATIONS)
