"""The tables of catalogue.db, as migrations: the only way the schema ever changes.

A migration that was released is never edited; the next change is a new function at the end. Each one runs in
one transaction together with its record (table `_sqlite_migrations`), so a library is always at a schema
that some version of cliplib knew.
"""

from __future__ import annotations

from sqlite_utils import Database
from sqlite_utils.migrations import Migrations

from cliplib.catalogue.state import APPLICATION, SET
from cliplib.core.errors import StorageError

migrations = Migrations(SET)

_FIRST = (
    """
    CREATE TABLE meta (
        key TEXT PRIMARY KEY,
        value ANY
    ) STRICT, WITHOUT ROWID
    """,
    "INSERT INTO meta (key, value) VALUES ('revision', 0)",
    """
    CREATE TABLE fighters (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        name TEXT NOT NULL UNIQUE
    ) STRICT
    """,
    # Fighters stay when their last fight goes (a check of actions.fighter_id would read every action);
    # Catalogue.fighters() lists those who have fights.
    """
    CREATE TABLE fights (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        title TEXT NOT NULL,
        date TEXT,
        event TEXT NOT NULL DEFAULT '',
        rounds INTEGER,
        round_us INTEGER,
        rest_us INTEGER,
        winner TEXT,
        method TEXT,
        red_id INTEGER NOT NULL REFERENCES fighters(id),
        blue_id INTEGER NOT NULL REFERENCES fighters(id),
        red_stance TEXT CHECK (red_stance IN ('orthodox', 'southpaw')),
        blue_stance TEXT CHECK (blue_stance IN ('orthodox', 'southpaw')),
        round_starts TEXT NOT NULL DEFAULT '[]',
        footage_file TEXT,
        folder TEXT NOT NULL,
        digest TEXT NOT NULL,
        revision INTEGER NOT NULL,
        CHECK (red_id <> blue_id)
    ) STRICT
    """,
    "CREATE UNIQUE INDEX fights_identity ON fights (title, coalesce(date, ''))",
    "CREATE INDEX fights_red ON fights (red_id)",
    "CREATE INDEX fights_blue ON fights (blue_id)",
    """
    CREATE TABLE footage (
        fight_id INTEGER PRIMARY KEY REFERENCES fights(id) ON DELETE CASCADE,
        path TEXT NOT NULL,
        size INTEGER NOT NULL,
        mtime_ns INTEGER NOT NULL,
        fingerprint TEXT NOT NULL,
        info TEXT NOT NULL,
        timeline BLOB NOT NULL,
        sliced_path TEXT,
        why TEXT NOT NULL DEFAULT ''
    ) STRICT
    """,
    "CREATE INDEX footage_fingerprint ON footage (fingerprint)",
    """
    CREATE TABLE logs (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        fight_id INTEGER NOT NULL REFERENCES fights(id) ON DELETE CASCADE,
        position INTEGER NOT NULL,
        file TEXT NOT NULL,
        by TEXT NOT NULL DEFAULT '',
        UNIQUE (fight_id, file)
    ) STRICT
    """,
    # AUTOINCREMENT: a clip's number is never given to another clip, so an old link can only miss.
    """
    CREATE TABLE exchanges (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        fight_id INTEGER NOT NULL REFERENCES fights(id) ON DELETE CASCADE,
        log_id INTEGER NOT NULL REFERENCES logs(id) ON DELETE CASCADE,
        position INTEGER NOT NULL,
        round INTEGER,
        start_us INTEGER,
        end_us INTEGER,
        in_us INTEGER,
        out_us INTEGER,
        exact_span INTEGER NOT NULL DEFAULT 0 CHECK (exact_span IN (0, 1)),
        name TEXT NOT NULL DEFAULT '',
        note TEXT NOT NULL DEFAULT '',
        line INTEGER NOT NULL DEFAULT 0,
        digest TEXT NOT NULL,
        second_opinion INTEGER NOT NULL DEFAULT 0 CHECK (second_opinion IN (0, 1)),
        CHECK ((start_us IS NULL) = (end_us IS NULL)),
        CHECK (end_us >= start_us),
        CHECK ((in_us IS NULL) = (out_us IS NULL))
    ) STRICT
    """,
    "CREATE INDEX exchanges_fight ON exchanges (fight_id, position)",
    "CREATE INDEX exchanges_log ON exchanges (log_id)",
    # Clustered by its key: an exchange is read as one stretch.
    """
    CREATE TABLE actions (
        exchange_id INTEGER NOT NULL REFERENCES exchanges(id) ON DELETE CASCADE,
        position INTEGER NOT NULL,
        fighter_id INTEGER NOT NULL REFERENCES fighters(id),
        technique TEXT NOT NULL,
        time_us INTEGER,
        until_us INTEGER,
        hand TEXT CHECK (hand IN ('lead', 'rear')),
        side TEXT CHECK (side IN ('left', 'right')),
        target TEXT,
        outcome TEXT,
        direction TEXT,
        stance TEXT CHECK (stance IN ('orthodox', 'southpaw')),
        place TEXT,
        range TEXT,
        roles TEXT NOT NULL DEFAULT '[]',
        said_roles TEXT NOT NULL DEFAULT '[]',
        answers INTEGER,
        inferred TEXT NOT NULL DEFAULT '[]',
        note TEXT NOT NULL DEFAULT '',
        PRIMARY KEY (exchange_id, position)
    ) STRICT, WITHOUT ROWID
    """,
    """
    CREATE TABLE clips (
        exchange_id INTEGER PRIMARY KEY REFERENCES exchanges(id) ON DELETE CASCADE,
        start_us INTEGER NOT NULL,
        end_us INTEGER NOT NULL,
        start_frame INTEGER NOT NULL,
        end_frame INTEGER NOT NULL,
        file TEXT NOT NULL UNIQUE,
        poster TEXT,
        how TEXT NOT NULL,
        why TEXT NOT NULL DEFAULT '',
        digest TEXT NOT NULL,
        CHECK (end_frame > start_frame)
    ) STRICT
    """,
)


@migrations()
def first_tables(db: Database) -> None:
    for statement in _FIRST:
        db.execute(statement)


@migrations()
def corrections(db: Database) -> None:
    # `exchange_id` is where it was last applied; the log's name, the round and the moment find it again.
    db.execute(
        """
        CREATE TABLE corrections (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            fight_id INTEGER NOT NULL REFERENCES fights(id) ON DELETE CASCADE,
            exchange_id INTEGER UNIQUE REFERENCES exchanges(id) ON DELETE SET NULL,
            log_file TEXT NOT NULL,
            round INTEGER,
            start_us INTEGER NOT NULL,
            logged TEXT NOT NULL,
            actions TEXT,
            in_us INTEGER,
            out_us INTEGER,
            made TEXT NOT NULL,
            CHECK ((in_us IS NULL) = (out_us IS NULL)),
            CHECK (actions IS NOT NULL OR in_us IS NOT NULL)
        ) STRICT
        """
    )
    db.execute(
        "CREATE UNIQUE INDEX corrections_place ON corrections "
        "(fight_id, log_file, coalesce(round, -1), start_us)"
    )


@migrations()
def live_logs(db: Database) -> None:
    # AUTOINCREMENT: undo may bring a line back, and no other line must have got its number meanwhile.
    db.execute("ALTER TABLE logs ADD COLUMN live INTEGER NOT NULL DEFAULT 0 CHECK (live IN (0, 1))")
    db.execute(
        """
        CREATE TABLE live_lines (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            log_id INTEGER NOT NULL REFERENCES logs(id) ON DELETE CASCADE,
            said TEXT NOT NULL
        ) STRICT
        """
    )
    db.execute("CREATE INDEX live_lines_log ON live_lines (log_id)")


@migrations()
def contents_of_files(db: Database) -> None:
    # What each file held when it was made (its size in bytes, and BLAKE2b of it), for `check`. NULL: made
    # before this was noted.
    for table, kind in (("clips", "file"), ("clips", "poster"), ("footage", "sliced")):
        db.execute(f"ALTER TABLE {table} ADD COLUMN {kind}_size INTEGER")
        db.execute(f"ALTER TABLE {table} ADD COLUMN {kind}_digest TEXT")


@migrations()
def private_fights(db: Database) -> None:
    db.execute("ALTER TABLE fights ADD COLUMN private INTEGER NOT NULL DEFAULT 0 CHECK (private IN (0, 1))")


@migrations()
def drawings(db: Database) -> None:
    # AUTOINCREMENT: undo may bring a drawing back, under its number. Times are the footage's, so a drawing
    # whose exchange went (NULL) still has its place in the fight.
    db.execute(
        """
        CREATE TABLE drawings (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            fight_id INTEGER NOT NULL REFERENCES fights(id) ON DELETE CASCADE,
            exchange_id INTEGER REFERENCES exchanges(id) ON DELETE SET NULL,
            from_us INTEGER NOT NULL,
            until_us INTEGER NOT NULL,
            shape TEXT NOT NULL,
            removed INTEGER NOT NULL DEFAULT 0 CHECK (removed IN (0, 1)),
            CHECK (until_us > from_us)
        ) STRICT
        """
    )
    db.execute("CREATE INDEX drawings_exchange ON drawings (exchange_id)")
    db.execute("CREATE INDEX drawings_fight ON drawings (fight_id)")


@migrations()
def periods_and_marks(db: Database) -> None:
    # `time_us` may be what a round clock showed, negated, as in actions; then `on_clock` is 1.
    db.execute("ALTER TABLE fights ADD COLUMN periods TEXT NOT NULL DEFAULT '[]'")
    db.execute(
        """
        CREATE TABLE marks (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            fight_id INTEGER NOT NULL REFERENCES fights(id) ON DELETE CASCADE,
            log_id INTEGER NOT NULL REFERENCES logs(id) ON DELETE CASCADE,
            round INTEGER,
            time_us INTEGER NOT NULL,
            until_us INTEGER,
            on_clock INTEGER NOT NULL CHECK (on_clock IN (0, 1)),
            fighter_id INTEGER REFERENCES fighters(id),
            name TEXT NOT NULL DEFAULT '',
            note TEXT NOT NULL,
            line INTEGER NOT NULL DEFAULT 0
        ) STRICT
        """
    )
    db.execute("CREATE INDEX marks_fight ON marks (fight_id)")
    db.execute("CREATE INDEX marks_log ON marks (log_id)")


@migrations()
def parts_and_views(db: Database) -> None:
    # `view_of`: of an exchange that lies in a replay the one it shows again, 0 for one that nobody knows.
    db.execute("ALTER TABLE fights ADD COLUMN parts TEXT NOT NULL DEFAULT '[]'")
    db.execute("ALTER TABLE exchanges ADD COLUMN view_of INTEGER")


@migrations()
def proposals(db: Database) -> None:
    # What is found on a film by machine, and what somebody decided. `facts`: all else that is known, as JSON.
    db.execute(
        """
        CREATE TABLE proposals (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            fight_id INTEGER NOT NULL REFERENCES fights(id) ON DELETE CASCADE,
            kind TEXT NOT NULL,
            from_us INTEGER NOT NULL,
            until_us INTEGER NOT NULL,
            facts TEXT NOT NULL,
            decision TEXT CHECK (decision IN ('accepted', 'changed', 'refused')),
            decided_by TEXT,
            decided_at TEXT,
            as_from_us INTEGER,
            as_until_us INTEGER,
            CHECK ((as_from_us IS NULL) = (as_until_us IS NULL))
        ) STRICT
        """
    )
    db.execute("CREATE INDEX proposals_fight ON proposals (fight_id)")
    db.execute(
        """
        CREATE TABLE watchings (
            fight_id INTEGER PRIMARY KEY REFERENCES fights(id) ON DELETE CASCADE,
            fingerprint TEXT NOT NULL,
            version TEXT NOT NULL,
            stage TEXT NOT NULL CHECK (stage IN ('sound', 'whole')),
            notes TEXT NOT NULL
        ) STRICT
        """
    )


def upgrade(db: Database, *, stop_before: str | None = None) -> list[str]:
    """Apply what is pending and return its names. `stop_before` is for tests of later migrations.

    Raises StorageError for a library made by a newer cliplib: writing to a schema this version does not know
    could lose what the newer one stored.
    """
    every = migrations._migrations  # private: sqlite-utils offers only the pending and the applied ones
    known = {migration.name for migration in every}
    unknown = [applied.name for applied in migrations.applied(db) if applied.name not in known]
    if unknown:
        raise StorageError(
            f"this library was made by a newer cliplib (it has “{unknown[-1]}”); upgrade cliplib to open it"
        )
    pending = [migration.name for migration in migrations.pending(db)]
    (says,) = db.execute("PRAGMA application_id").fetchone()
    if not pending and says == APPLICATION:
        return []
    # Two processes may open a new library at once; the second waits here and then finds nothing pending.
    db.execute("BEGIN IMMEDIATE")
    try:
        pending = [migration.name for migration in migrations.pending(db)]
        migrations.apply(db, stop_before=stop_before)
        db.execute(f"PRAGMA application_id = {APPLICATION}")
        db.execute("COMMIT")
    except BaseException:
        db.rollback()
        raise
    return pending
