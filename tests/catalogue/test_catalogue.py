"""The catalogue: what goes in comes out, ids stay, revisions tell, schemas upgrade."""

from __future__ import annotations

import datetime
import sqlite3
import threading
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from sqlite_utils import Database

from cliplib.catalogue import schema as catalogue_schema
from cliplib.catalogue import state
from cliplib.catalogue.catalogue import MISSING, Catalogue
from cliplib.catalogue.rows import NewClip, NewExchange, NewMark, OldExchange, keep_ids, with_second_opinions
from cliplib.core.errors import BusyError, InputError, NotFoundError, StorageError
from cliplib.core.models import Action, AudioTrack, Corner, Exchange, FightInfo, FootageInfo, LogSource, Mark
from cliplib.core.periods import Moment, Period
from cliplib.core.timebase import UNTIMED, Timeline

# Private parts: what SQLite holds is looked at and spoilt behind the catalogue's back; migrations are added at run time.

RED, BLUE = "Emeka Adeyemi", "Jonas Brandt"
INFO = FightInfo(
    title="Adeyemi v Brandt",
    red=Corner(RED, "southpaw"),
    blue=Corner(BLUE, "orthodox"),
    date=datetime.date(2024, 5, 11),
    event="Harbour Hall 3",
    rounds=6,
    round_us=180_000_000,
    rest_us=60_000_000,
    winner=BLUE,
    method="points",
    footage_file="fight.mp4",
    round_starts_us=(12_400_000, 252_400_000),
    logs=(LogSource("log.csv", "JL"),),
)
FULL = Action(
    technique="uppercut",
    fighter=BLUE,
    time_us=14_600_000,
    until_us=15_000_000,
    hand="rear",
    side="right",
    target="body",
    outcome="landed",
    direction="inside",
    stance="orthodox",
    place="ropes",
    range="inside",
    said_roles=("counter",),
    roles=("counter", "naked"),
    answers=0,
    inferred=("hand", "outcome"),
    note="nice and low “so”",
)


def exchange(start: float, *outcomes: str, line: int = 2, note: str = "") -> Exchange:
    start_us = int(start * 1_000_000)
    actions = tuple(
        Action("jab", (RED, BLUE)[i % 2], start_us + i * 400_000, outcome=outcome, hand="lead")
        for i, outcome in enumerate(outcomes)
    )
    return Exchange(actions, 1, start_us, start_us + 1_000_000, line=line, note=note)


def new(*exchanges: Exchange, log: int = 0) -> list[NewExchange]:
    return [NewExchange(e, log, e.start_us, e.end_us) for e in exchanges]


@pytest.fixture
def catalogue(tmp_path: Path) -> Catalogue:
    made = Catalogue(tmp_path / "catalogue.db", create=True)
    yield made
    made.close()


def store(catalogue: Catalogue, exchanges: list[NewExchange], info: FightInfo = INFO, **more: object):
    return catalogue.replace_fight(info, exchanges, folder=Path("/fights/one"), digest="d1", **more)


def test_everything_said_comes_back(catalogue: Catalogue) -> None:
    full = Exchange(
        (Action("jab", RED, outcome="missed"), FULL), 1, 14_200_000, 15_000_000, True, "7", "a note", 9
    )
    bare = Exchange((Action("clinch", RED),))
    change = store(catalogue, [NewExchange(full, 0, 13_000_000, 16_000_000), NewExchange(bare)])
    assert (change.new_fight, change.added, change.changed, change.removed) == (True, 2, 0, 0)
    stored = catalogue.exchanges(change.fight_id)
    assert [s.exchange for s in stored] == [full, bare]
    assert (stored[0].in_us, stored[0].out_us, stored[1].in_us) == (13_000_000, 16_000_000, None)
    fight = catalogue.fight(change.fight_id)
    assert fight.info == INFO
    assert (fight.exchanges, fight.clips, fight.folder) == (2, 0, Path("/fights/one"))
    assert [f.name for f in catalogue.fighters()] == [RED, BLUE]


def test_marks_and_periods_come_back(catalogue: Catalogue) -> None:
    periods = (Period("early", None, Moment(90_000_000)), Period("one hand", Moment(None, 2, 80_000_000)))
    info = replace(INFO, periods=periods)
    first = Mark("cut over the left eye", 14_200_000, 1, 15_000_000, False, BLUE, "7", 3)
    marks = [
        NewMark(first),
        NewMark(Mark("ring walk", 1_000_000)),
        NewMark(Mark("slow", -80_000_000, 2, None, True)),
    ]
    change = store(catalogue, new(exchange(14.2, "missed")), info, told=marks)
    assert catalogue.fight(change.fight_id).info == info
    assert [item.mark for item in catalogue.marks_of(change.fight_id)] == [item.mark for item in marks]
    revision = catalogue.revision()
    again = store(catalogue, new(exchange(14.2, "missed")), info, told=marks)
    assert (again.anything, catalogue.revision()) == (False, revision)
    store(catalogue, new(exchange(14.2, "missed")), info, told=marks[1:])
    assert catalogue.revision() > revision
    assert [item.mark.note for item in catalogue.marks_of(change.fight_id)] == ["ring walk", "slow"]
    store(catalogue, new(exchange(14.2, "missed")))
    assert catalogue.marks_of(change.fight_id) == ()
    assert catalogue.fight(change.fight_id).info.periods == ()


def test_clip_rows_before_and_after_cutting(catalogue: Catalogue, tmp_path: Path) -> None:
    first, second = store(catalogue, new(exchange(14.2, "missed"), exchange(260, "landed"))).exchange_ids
    uncut = catalogue.clip_rows([second, 999, first, second])
    assert [row.id for row in uncut] == [second, first, second]
    assert uncut[0].file is None
    # 260 s of film are 7.6 s into round 2, which began at 252.4 s: 172.4 s are left on the clock. The round
    # that the log said stays as it was said.
    assert uncut[0].clock_us == 172_400_000
    assert (uncut[1].start_us, uncut[1].end_us) == (14_200_000, 15_200_000)
    catalogue.put_clips(
        [
            NewClip(
                first, 14_000_000, 16_000_000, 350, 400, "clips/a/1.mp4", "posters/a/1.jpg", "slice", "", "d"
            )
        ]
    )
    row = catalogue.clip_rows([first])[0]
    assert (row.start_us, row.end_us, row.start_frame, row.end_frame) == (14_000_000, 16_000_000, 350, 400)
    assert row.file == tmp_path.resolve() / "clips/a/1.mp4"
    assert row.date == INFO.date
    assert row.actions[0].outcome == "missed"
    assert catalogue.fights()[0].clips == 1
    catalogue.remove_clips([first])
    assert catalogue.clips(1) == {}


def test_storing_the_same_again_changes_nothing(catalogue: Catalogue) -> None:
    before = store(catalogue, new(exchange(1, "missed"), exchange(5, "landed")))
    revision = catalogue.revision()
    again = store(catalogue, new(exchange(1, "missed", line=7), exchange(5, "landed", line=9)))
    assert not again.anything
    assert again.exchange_ids == before.exchange_ids
    assert catalogue.revision() == revision
    assert [e.exchange.line for e in catalogue.exchanges(1)] == [7, 9]


def test_changed_log_keeps_the_ids_of_what_stayed(catalogue: Catalogue) -> None:
    a, b, c = (exchange(1, "missed"), exchange(5, "landed"), exchange(9, "blocked"))
    first = store(catalogue, new(a, b, c))
    for number in first.exchange_ids:
        catalogue.put_clips([NewClip(number, 0, 1, 0, 1, f"clips/{number}.mp4", None, "slice", "", "d")])
    edited = exchange(5, "partial")
    added = exchange(3, "missed", "missed")
    change = store(catalogue, new(added, edited, c))
    assert (change.added, change.removed) == (1, 1)
    assert change.exchange_ids[1:] == first.exchange_ids[1:]
    assert change.exchange_ids[0] not in first.exchange_ids
    assert [e.exchange for e in catalogue.exchanges(1)] == [added, edited, c]
    assert set(catalogue.clips(1)) == set(first.exchange_ids[1:]), (
        "the clip of a removed exchange goes with it"
    )
    assert catalogue.care.problems() == []


def test_an_id_is_never_given_twice(catalogue: Catalogue) -> None:
    first = store(catalogue, new(exchange(1, "missed")))
    store(catalogue, [])
    again = store(catalogue, new(exchange(1, "missed")))
    assert again.exchange_ids[0] > first.exchange_ids[0]


def test_keep_ids_prefers_the_same_words_then_the_same_moment() -> None:
    def at(number: int, digest: str, start: int | None, log: str = "a.csv") -> OldExchange:
        return OldExchange(number, log, digest, 1, start)

    old = [at(1, "x", 10), at(2, "x", 10), at(3, "y", 20), at(4, "z", None)]
    assert keep_ids(old, [at(0, "x", 10), at(0, "y2", 20), at(0, "x", 10)]) == [1, 3, 2]
    assert keep_ids(old, [at(0, "z2", None)]) == [None]
    assert keep_ids(old, [at(0, "x", 10, "b.csv")]) == [None], "another log's exchange is another exchange"


def test_one_title_on_two_dates_is_two_fights(catalogue: Catalogue) -> None:
    later = replace(INFO, date=datetime.date(2025, 1, 1))
    undated = replace(INFO, date=None)
    ids = {store(catalogue, new(exchange(1, "missed")), info).fight_id for info in (INFO, later, undated)}
    assert len(ids) == 3
    assert store(catalogue, [], undated).fight_id == 3
    assert [f.info.date for f in catalogue.fights()] == [INFO.date, later.date, None]


def test_a_renamed_fight_stays_the_same_fight(catalogue: Catalogue) -> None:
    first = store(catalogue, new(exchange(1, "missed")))
    renamed = replace(INFO, title="Brandt’s night")
    again = store(catalogue, new(exchange(1, "missed")), renamed, fight_id=first.fight_id)
    assert again.exchange_ids == first.exchange_ids
    assert catalogue.fight(first.fight_id).title == "Brandt’s night"


def test_revisions_tell_which_fights_changed(catalogue: Catalogue) -> None:
    other = replace(INFO, title="Other")
    one = store(catalogue, new(exchange(1, "missed"))).fight_id
    two = store(catalogue, new(exchange(1, "missed")), other).fight_id
    before = catalogue.revisions()
    store(catalogue, new(exchange(1, "landed")), other)
    after = catalogue.revisions()
    assert after[one] == before[one]
    assert after[two] > before[two]
    assert catalogue.revision() == max(after.values())
    catalogue.care.forget([two])
    assert catalogue.revision() > max(after.values())
    with pytest.raises(NotFoundError, match="no fight 2"):
        catalogue.care.forget([two])
    with pytest.raises(NotFoundError):
        catalogue.fight(two)


def test_second_opinions() -> None:
    logs = (LogSource("a.csv", "JL"), LogSource("b.csv", "MK"), LogSource("c.csv", "JL"))
    items = new(exchange(1, "missed"), exchange(10, "missed"))
    items += new(exchange(1.9, "landed"), exchange(2.0, "landed"), log=1)
    items += new(exchange(1.5, "landed"), log=2)
    marks = [item.second_opinion for item in with_second_opinions(items, logs)]
    # JL's first exchange lasts [1, 2): MK's at 1.9 overlaps it, the one at 2.0 only touches. JL's own second
    # log is no second opinion on JL's first, but it is one on MK's exchange at 1.9.
    assert marks == [False, False, True, False, True]


def test_second_opinions_are_stored(catalogue: Catalogue) -> None:
    info = replace(INFO, logs=(LogSource("a.csv", "JL"), LogSource("b.csv", "MK")))
    store(catalogue, new(exchange(1, "missed")) + new(exchange(1.2, "landed"), log=1), info)
    assert [e.second_opinion for e in catalogue.exchanges(1)] == [False, True]
    assert catalogue.columns()["beside"].tolist() == [0, 1]


def test_columns(catalogue: Catalogue) -> None:
    full = Exchange((Action("jab", RED), FULL), 2, 14_200_000, 15_000_000)
    store(catalogue, new(exchange(1, "missed", "landed"), full))
    store(catalogue, new(exchange(1, "missed")), replace(INFO, title="Other"))
    columns = catalogue.columns()
    assert columns["exchange_id"].tolist() == [1, 1, 2, 2, 3]
    assert columns["position"].tolist() == [0, 1, 0, 1, 0]
    assert columns["fight_id"].tolist() == [1, 1, 1, 1, 2]
    assert columns["technique"].tolist() == ["jab", "jab", "jab", "uppercut", "jab"]
    assert columns["time_us"].tolist() == [1_000_000, 1_400_000, UNTIMED, 14_600_000, 1_000_000]
    assert columns["answers"].tolist() == [MISSING, MISSING, MISSING, 0, MISSING]
    assert columns["outcome"].tolist() == ["missed", "landed", None, "landed", "missed"]
    assert columns["roles"].tolist()[3] == '["counter", "naked"]'
    only = catalogue.columns([2])
    assert only["exchange_id"].tolist() == [3]
    empty = catalogue.columns([])
    assert set(empty) == set(columns)
    assert empty["time_us"].dtype == np.int64


def test_notes(catalogue: Catalogue) -> None:
    noted = replace(exchange(5, "landed", note="turned him"), actions=(replace(FULL, note="low"), FULL))
    store(catalogue, new(exchange(1, "missed"), noted))
    assert catalogue.notes() == [(2, "turned him\nlow\nnice and low “so”")]
    assert catalogue.notes([7]) == []


def footage_info() -> FootageInfo:
    return FootageInfo(
        container="mov", video_codec="h264", width=1280, height=720, sample_aspect=Fraction(4, 3), rotation=90,
        interlaced=False, rate=Fraction(30000, 1001), variable_rate=True, time_base=Fraction(1, 90000),
        frames=4, duration_us=133_466, start_pts=900, audio=(AudioTrack(1, "aac", 48000, 2, "eng"),),
        sliceable=True, why_not="", size=12345, fingerprint="f" * 40,
    )  # fmt: skip


def test_footage_comes_back_exactly(catalogue: Catalogue, tmp_path: Path) -> None:
    fight_id = store(catalogue, []).fight_id
    assert catalogue.footage(fight_id) is None
    timeline = Timeline(np.array([0, 3003, 6007, 9009], np.int64), 12012, Fraction(1, 90000))
    inside = tmp_path / "working" / "f.mp4"
    catalogue.set_footage(fight_id, Path("/films/a.mp4"), footage_info(), timeline, mtime_ns=5, sliced=inside)
    row = catalogue.footage(fight_id)
    assert row is not None
    assert row.info == footage_info()
    assert (row.timeline.pts.tolist(), row.timeline.end) == ([0, 3003, 6007, 9009], 12012)
    assert row.timeline.time_base == Fraction(1, 90000)
    assert (row.path, row.mtime_ns, row.sliced) == (Path("/films/a.mp4"), 5, inside)
    catalogue.set_footage_place(fight_id, Path("/elsewhere/a.mp4"), 6)
    moved = catalogue.footage(fight_id)
    assert moved is not None
    assert (moved.path, moved.mtime_ns) == (Path("/elsewhere/a.mp4"), 6)


def test_a_stranger_in_a_fight_is_refused_and_nothing_stored(catalogue: Catalogue) -> None:
    store(catalogue, new(exchange(1, "missed")))
    wrong = Exchange((Action("jab", "Somebody Else"),))
    with pytest.raises(InputError, match="Somebody Else"):
        store(catalogue, [NewExchange(wrong)])
    assert len(catalogue.exchanges(1)) == 1


def test_threads_read_while_another_writes(catalogue: Catalogue) -> None:
    store(catalogue, new(exchange(1, "missed")))
    wrong: list[BaseException] = []

    def read() -> None:
        try:
            for _ in range(50):
                rows = catalogue.exchanges(1)
                assert len(rows) in (1, 200), "half a fight was seen"
        except BaseException as error:
            wrong.append(error)

    threads = [threading.Thread(target=read) for _ in range(4)]
    for thread in threads:
        thread.start()
    many = [exchange(n, "missed") for n in range(1, 201)]
    for turn in range(10):
        store(catalogue, new(*(many if turn % 2 == 0 else many[:1])))
    for thread in threads:
        thread.join()
    assert wrong == []


def test_a_library_that_is_not_there_or_not_one(tmp_path: Path) -> None:
    with pytest.raises(NotFoundError, match="no library at"):
        Catalogue(tmp_path / "catalogue.db")
    (tmp_path / "catalogue.db").write_text("not a database, but long enough to look like something" * 20)
    with pytest.raises(StorageError, match="not a catalogue"):
        Catalogue(tmp_path / "catalogue.db")


def test_a_library_of_the_future_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "catalogue.db"
    Catalogue(path, create=True).close()
    raw = sqlite3.connect(path)
    raw.execute(
        "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('cliplib', 'of_2031', 'x')"
    )
    raw.commit()
    raw.close()
    with pytest.raises(StorageError, match="newer cliplib"):
        Catalogue(path)


def test_somebody_elses_long_write_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cliplib.catalogue.store._BUSY_MS", 100)
    catalogue = Catalogue(tmp_path / "catalogue.db", create=True)
    other = sqlite3.connect(tmp_path / "catalogue.db")
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(BusyError, match="another program is writing"):
        store(catalogue, [])
    other.close()
    store(catalogue, [])
    catalogue.close()


def test_constraints_hold_below_the_code(catalogue: Catalogue) -> None:
    """See wal.html, foreignkeys.html and stricttables.html at https://www.sqlite.org."""
    store(catalogue, new(exchange(1, "missed")))
    rows = catalogue._store.rows
    assert rows("PRAGMA journal_mode") == [("wal",)]
    assert rows("PRAGMA foreign_keys") == [(1,)]
    strict = dict(rows("SELECT name, strict FROM pragma_table_list WHERE type = 'table'"))
    ours = {name: value for name, value in strict.items() if not name.startswith(("sqlite_", "_sqlite"))}
    assert ours
    assert set(ours.values()) == {1}
    for statement in (
        "INSERT INTO actions (exchange_id, position, fighter_id, technique) VALUES (99, 0, 1, 'jab')",
        "UPDATE exchanges SET round = 'three'",
        "UPDATE exchanges SET end_us = NULL",
    ):
        with pytest.raises(StorageError, match="refused a row"), catalogue._store.transaction() as db:
            db.execute(statement)


# --- migrations -------------------------------------------------------------------------------------------


def test_a_failed_migration_leaves_no_trace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Catalogue(tmp_path / "catalogue.db", create=True).close()
    migrations = catalogue_schema.migrations
    monkeypatch.setattr(migrations, "_migrations", list(migrations._migrations))
    monkeypatch.setattr(state, "MIGRATIONS", (*state.MIGRATIONS, "half_done"))

    @migrations()
    def half_done(db: Database) -> None:
        db.execute("CREATE TABLE extra (x TEXT) STRICT")
        db.execute("ALTER TABLE no_such_table ADD COLUMN y TEXT")

    with pytest.raises(StorageError, match="no_such_table"):
        Catalogue(tmp_path / "catalogue.db")
    monkeypatch.undo()
    reopened = Catalogue(tmp_path / "catalogue.db")
    assert reopened._store.rows("SELECT name FROM sqlite_master WHERE name = 'extra'") == []
    assert reopened.upgraded == ()
    reopened.close()


SCHEMAS = sorted((Path(__file__).parent / "schemas").glob("*.sql"))


def test_every_migration_has_a_library_from_its_time() -> None:
    """A new migration needs a frozen library of the schema it left behind; see tests/schemas."""
    names = [migration.name for migration in catalogue_schema.migrations._migrations]
    assert sorted(path.stem for path in SCHEMAS) == sorted(names)


@pytest.mark.parametrize("script", SCHEMAS, ids=lambda path: path.stem)
def test_a_library_of_any_earlier_schema_opens(tmp_path: Path, script: Path) -> None:
    """It gets the tables that a library made today has, and loses nothing."""
    raw = sqlite3.connect(tmp_path / "old.db")
    raw.executescript(script.read_text(encoding="utf-8"))
    raw.close()
    names = [migration.name for migration in catalogue_schema.migrations._migrations]
    fresh, old = Catalogue(tmp_path / "fresh.db", create=True), Catalogue(tmp_path / "old.db")
    shape = "SELECT type, name, sql FROM sqlite_master ORDER BY type, name"
    assert old._store.rows(shape) == fresh._store.rows(shape)
    assert old.upgraded == tuple(names[names.index(script.stem) + 1 :])
    assert old.care.problems() == []
    (fight,) = old.fights()
    assert (fight.title, fight.info.round_starts_us) == ("Adeyemi v Brandt", (12_400_000, 252_400_000))
    rows = old.clip_rows([1, 2])
    assert [len(row.actions) for row in rows] == [2, 1]
    assert (rows[0].note, rows[0].start_frame, rows[1].start_frame) == ("low", 350, None)
    footage = old.footage(1)
    assert footage is not None
    assert footage.timeline.pts.tolist() == [0, 3003, 6007, 9009]
    again = store(old, new(exchange(14.2, "missed", "landed", note="low"), exchange(30, "blocked")))
    assert (again.exchange_ids, again.anything) == ((1, 2), False)
    fresh.close()
    old.close()


def test_two_processes_may_make_one_library(tmp_path: Path) -> None:
    path = tmp_path / "catalogue.db"
    wrong: list[BaseException] = []

    def open_it() -> None:
        try:
            Catalogue(path, create=True).close()
        except BaseException as error:
            wrong.append(error)

    threads = [threading.Thread(target=open_it) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


def test_a_library_knows_the_migrations_without_loading_them() -> None:
    """`state.MIGRATIONS`, which opening a library compares with, are those of `schema`."""
    made = catalogue_schema.migrations._migrations  # private: as in schema.upgrade
    assert [migration.name for migration in made] == list(state.MIGRATIONS)
