"""How fast finding is, against what people would do otherwise, on one archive and interleaved.

    python -m tests.bench.search [--fights 1000] [--folder build/bench-archive] [--rounds 3] [--growth]

The archive is tests/search/archive.py's: 2,400 actions in 300 exchanges a fight. Each answer is the phrase's matches
with all five facets and the first page of clips,
as many as the pages show. Contenders get the same rows:

    sqlite   a self-join per step over the best index found (technique, exchange, position)
    duckdb   the same joins over its column store
    python   a scan over tuples in memory

Matches of the first two are materialised once and counted per facet, as one would by hand. Totals must agree.
"""

from __future__ import annotations

import argparse
import gc
import json
import resource
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import fields
from pathlib import Path

import duckdb
import numpy as np

from cliplib.catalogue.catalogue import Catalogue
from cliplib.core.models import Found, Reading, Settings
from cliplib.phrases import read_search
from cliplib.search.engine import Search
from cliplib.search.patterns import Columns, Pattern, facets, hits, kernel, limits, page
from cliplib.vocabulary import load_vocabulary
from cliplib_web.finding.lists import PER_PAGE
from tests.search import archive

# Private parts: how much memory the packed columns take, which nobody else asks.

PHRASES = (
    "missed left hook",
    "naked cross",
    "lead hook on the ropes",
    "jab cross",
    "counter to the body after a missed jab",
    "rolls under a hook",
    "feint, then overhand within 1 second",
    "1-1-2",
    "slips the jab and counters with a cross",
    "jab, cross, lead hook, pivot",
)
VOCABULARY = load_vocabulary()
SETTINGS = Settings()
GOALS = {"median_ms": 15, "p95_ms": 40, "sqlite": 200, "duckdb": 10, "first_s": 1.5, "memory_mb": 400}


def read(phrase: str) -> Reading:
    reading = read_search(phrase, VOCABULARY)
    assert not reading.unread, phrase
    return reading


# --- contenders -------------------------------------------------------------------------------------------

_TABLE = (
    "exchange_id INTEGER, position INTEGER, fight_id INTEGER, round INTEGER, fighter_id INTEGER, "
    "time_us INTEGER, technique TEXT, punch INTEGER, hand TEXT, side TEXT, target TEXT, outcome TEXT, "
    "direction TEXT, stance TEXT, place TEXT, range TEXT, counter INTEGER, lead INTEGER, naked INTEGER, "
    "answers INTEGER"
)


def table_rows(fights: int) -> list[tuple[object, ...]]:
    out: list[tuple[object, ...]] = []
    for number, rows in enumerate(archive.large(fights)):
        raw = rows.raw
        roles = [json.loads(r) for r in raw["roles"].tolist()]
        columns: list[list[object]] = [
            raw["exchange_id"].tolist(), rows.position.tolist(), [number + 1] * len(rows.position),
            raw["round"].tolist(), raw["fighter_id"].tolist(),
            [None if t < 0 else t for t in raw["time_us"].tolist()], raw["technique"].tolist(),
            [int(VOCABULARY.is_punch(t)) for t in raw["technique"].tolist()],
            *(raw[n].tolist() for n in
              ("hand", "side", "target", "outcome", "direction", "stance", "place", "range")),
            *([int(role in r) for r in roles] for role in ("counter", "lead", "naked")),
            [None if a < 0 else a for a in raw["answers"].tolist()],
        ]  # fmt: skip
        out += zip(*columns, strict=True)
    return out


def sql_of(reading: Reading) -> str:
    """SELECT exchange_id, p0, p1, ... of every match; the ten have no negation and no alternatives."""
    steps, conditions = reading.steps, []

    def listed(words: Sequence[str]) -> str:
        return "(" + ", ".join(f"'{w}'" for w in sorted(words)) + ")"

    for i, step in enumerate(steps):
        a = f"a{i}"
        conditions.append(f"{a}.technique IN {listed(list(VOCABULARY.family(step.technique)))}")
        conditions += [
            f"{a}.{name} = '{getattr(step, name)}'"
            for name in ("hand", "side", "target", "direction", "stance", "place", "range")
            if getattr(step, name)
        ]
        if step.outcome:
            conditions.append(f"{a}.outcome IN {listed(list(VOCABULARY.outcome_family(step.outcome)))}")
        if step.role:
            conditions.append(f"{a}.{step.role} = 1")
        if i:
            b, window = f"a{i - 1}", step.within_us or SETTINGS.step_window_us
            same = "=" if step.by == steps[i - 1].by else "<>"
            conditions += [
                f"{a}.exchange_id = {b}.exchange_id",
                f"{a}.position > {b}.position",
                f"{a}.fighter_id {same} {b}.fighter_id",
                f"coalesce({a}.time_us - {b}.time_us, 0) <= {window}",
                f"NOT EXISTS (SELECT 1 FROM actions x WHERE x.exchange_id = {a}.exchange_id "
                f"AND x.position > {b}.position AND x.position < {a}.position "
                f"AND x.fighter_id = {a}.fighter_id AND x.punch = 1)",
            ]
        answered = [j for j in range(i) if steps[j].by != step.by and VOCABULARY.is_punch(steps[j].technique)]
        if step.role == "counter" and answered:
            conditions.append(f"{a}.answers = a{answered[-1]}.position")
    for name in ("place", "range"):
        if value := getattr(reading.where, name):
            conditions.append("(" + " OR ".join(f"a{i}.{name} = '{value}'" for i in range(len(steps))) + ")")
    tables = ", ".join(f"actions a{i}" for i in range(len(steps)))
    places = ", ".join(f"a{i}.position AS p{i}" for i in range(len(steps)))
    return f"SELECT a0.exchange_id AS exchange_id, {places} FROM {tables} WHERE " + " AND ".join(conditions)


def by_sql(execute: Callable[[str], Sequence[tuple[object, ...]]], reading: Reading) -> int:
    """Matches, facets and the first page's actions; the number of exchanges."""
    execute("DROP TABLE IF EXISTS found")
    execute("DROP TABLE IF EXISTS matched")
    execute(f"CREATE TEMP TABLE found AS {sql_of(reading)}")
    union = " UNION ".join(f"SELECT exchange_id, p{i} AS p FROM found" for i in range(len(reading.steps)))
    execute(
        "CREATE TEMP TABLE matched AS SELECT a.* FROM "
        f"({union}) m JOIN actions a ON a.exchange_id = m.exchange_id AND a.position = m.p"
    )
    for name in ("technique", "fighter_id", "outcome", "round", "stance"):
        execute(f"SELECT {name}, count(DISTINCT exchange_id) FROM matched GROUP BY {name}")
    total = execute("SELECT count(DISTINCT exchange_id) FROM found")[0][0]
    execute(
        "SELECT * FROM actions WHERE exchange_id IN "
        f"(SELECT DISTINCT exchange_id FROM found ORDER BY exchange_id LIMIT {PER_PAGE}) "
        "ORDER BY exchange_id, position"
    )
    return int(str(total))


def sqlite_contender(rows: Sequence[tuple[object, ...]], folder: Path) -> Callable[[Reading], int]:
    path = folder / "contender.db"
    path.unlink(missing_ok=True)
    db = sqlite3.connect(path)
    db.execute(f"CREATE TABLE actions ({_TABLE}, PRIMARY KEY (exchange_id, position)) WITHOUT ROWID")
    marks = ", ".join("?" * len(rows[0]))
    db.executemany(f"INSERT INTO actions VALUES ({marks})", rows)
    db.execute("CREATE INDEX by_technique ON actions (technique, exchange_id, position)")
    db.execute("ANALYZE")
    db.execute("PRAGMA cache_size = -400000")
    db.execute("PRAGMA temp_store = MEMORY")
    db.commit()
    return lambda reading: by_sql(lambda sql: db.execute(sql).fetchall(), reading)


def duckdb_contender(rows: Sequence[tuple[object, ...]]) -> Callable[[Reading], int]:
    db = duckdb.connect()
    db.execute("SET threads = 2")
    db.execute(f"CREATE TABLE actions ({_TABLE})".replace("time_us INTEGER", "time_us BIGINT"))
    names = [part.split()[0] for part in _TABLE.split(", ")]
    columns = dict(zip(names, zip(*rows, strict=True), strict=True))
    arrays = {
        n: np.array([-1 if x is None else x for x in v], np.int64)
        if not isinstance(next((x for x in v if x is not None), ""), str)
        else np.array(["" if x is None else x for x in v])
        for n, v in columns.items()
    }
    fields = ", ".join(
        f"nullif({n}, -1)" if arrays[n].dtype.kind == "i" else f"nullif({n}, '')" for n in names
    )
    db.register("rows_in", arrays)
    db.execute(f"INSERT INTO actions SELECT {fields} FROM rows_in")
    db.unregister("rows_in")
    return lambda reading: by_sql(lambda sql: db.execute(sql).fetchall(), reading)


def python_contender(rows: Sequence[tuple[object, ...]]) -> Callable[[Reading], int]:  # noqa: C901 - what one would write first
    """What one would write first: exchange by exchange, step by step."""
    names = [part.split()[0] for part in _TABLE.split(", ")]
    at = {name: i for i, name in enumerate(names)}
    exchanges: list[list[tuple[object, ...]]] = []
    for row in rows:
        if row[1] == 0:
            exchanges.append([])
        exchanges[-1].append(row)

    def run(reading: Reading) -> int:  # noqa: C901 - what one would write first
        tests = []
        for step in reading.steps:
            exact = [
                (at[n], {getattr(step, n)})
                for n in ("hand", "side", "target", "direction", "stance", "place", "range")
                if getattr(step, n)
            ]
            exact.append((at["technique"], set(VOCABULARY.family(step.technique))))
            if step.outcome:
                exact.append((at["outcome"], set(VOCABULARY.outcome_family(step.outcome))))
            if step.role:
                exact.append((at[step.role], {1}))
            tests.append(exact)
        where = [(at[n], getattr(reading.where, n)) for n in ("place", "range") if getattr(reading.where, n)]
        who, when, punch, answers = at["fighter_id"], at["time_us"], at["punch"], at["answers"]
        steps = reading.steps

        def grow(actions: list[tuple[object, ...]], places: list[int], found: list[tuple[int, ...]]) -> None:
            i = len(places)
            if i == len(steps):
                if all(any(actions[p][c] == v for p in places) for c, v in where):
                    found.append(tuple(places))
                return
            step = steps[i]
            for p in range(places[-1] + 1 if places else 0, len(actions)):
                action = actions[p]
                if not all(action[c] in values for c, values in tests[i]):
                    continue
                if places:
                    before = actions[places[-1]]
                    if (action[who] == before[who]) != (step.by == steps[i - 1].by):
                        continue
                    if action[when] is not None and before[when] is not None:
                        gap = int(str(action[when])) - int(str(before[when]))
                        if gap > (step.within_us or SETTINGS.step_window_us):
                            continue
                    if any(x[punch] and x[who] == action[who] for x in actions[places[-1] + 1 : p]):
                        continue
                    others = [
                        j
                        for j in range(i)
                        if steps[j].by != step.by and VOCABULARY.is_punch(steps[j].technique)
                    ]
                    if step.role == "counter" and others and action[answers] != places[others[-1]]:
                        continue
                grow(actions, [*places, p], found)

        counts: dict[str, Counter[object]] = {
            n: Counter() for n in ("technique", "fighter_id", "outcome", "stance")
        }
        total = 0
        for actions in exchanges:
            found: list[tuple[int, ...]] = []
            grow(actions, [], found)
            if found:
                total += 1
                matched = {p for places in found for p in places}
                for name, counter in counts.items():
                    counter.update({actions[p][at[name]] for p in matched})
        return total

    return run


# --- measuring --------------------------------------------------------------------------------------------


def prepare(folder: Path, fights: int) -> None:
    """The archive as a library; kept between runs."""
    done = folder / f"made-{fights}"
    if done.exists():
        return
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "catalogue.db").unlink(missing_ok=True)
    print(f"writing {fights} fights into a catalogue ...", flush=True)
    catalogue = Catalogue(folder / "catalogue.db", create=True)
    archive.write_catalogue(catalogue, fights)
    Search(catalogue, VOCABULARY, folder).rebuild()
    done.touch()


def timed(work: Callable[[], object]) -> tuple[float, object]:
    start = time.perf_counter()
    result = work()
    return (time.perf_counter() - start) * 1e3, result


def uncached(search: Search, reading: Reading, offset: int = 0) -> Found:
    search.forget_results()
    return search.find(reading, offset=offset, limit=PER_PAGE)


def compare(
    search: Search, rows: Sequence[tuple[object, ...]], folder: Path, rounds: int
) -> dict[str, float]:
    contenders = {
        "sqlite": sqlite_contender(rows, folder),
        "duckdb": duckdb_contender(rows),
        "python": python_contender(rows),
    }
    readings = [read(p) for p in PHRASES]
    for reading in readings:
        uncached(search, reading)
    times: dict[tuple[str, str], list[float]] = {}
    for turn in range(rounds):
        for phrase, reading in zip(PHRASES, readings, strict=True):
            uncached(search, reading)  # warm again after the contenders
            for _ in range(5):
                ms, found = timed(lambda r=reading: uncached(search, r))  # type: ignore[misc]
                times.setdefault((phrase, "cliplib"), []).append(ms)
            total = found.total  # type: ignore[attr-defined]
            for name, run in contenders.items():
                if turn and name == "python":
                    continue  # half a minute a turn
                ms, other = timed(lambda r=reading, f=run: f(r))  # type: ignore[misc]
                times.setdefault((phrase, name), []).append(ms)
                if other != total:
                    raise SystemExit(f"{phrase}: {name} finds {other} exchanges, cliplib {total}")
            times.setdefault((phrase, "total"), []).append(total)
    print(
        f"\n{'phrase':42}{'exchanges':>10}{'cliplib':>9}{'sqlite':>9}{'duckdb':>9}{'python':>9}   ms, medians"
    )
    ratios: dict[str, list[float]] = {name: [] for name in contenders}
    for phrase in PHRASES:
        medians = {n: statistics.median(times[phrase, n]) for n in ("cliplib", *contenders)}
        for name in contenders:
            ratios[name].append(medians[name] / medians["cliplib"])
        print(
            f"{phrase:42}{int(times[phrase, 'total'][0]):10,}"
            + "".join(f"{medians[n]:9.1f}" for n in ("cliplib", *contenders))
        )
    every = [ms for phrase in PHRASES for ms in times[phrase, "cliplib"]]
    summary = {
        "median_ms": statistics.median(every),
        "p95_ms": float(np.percentile(every, 95)),
        **{name: statistics.median(values) for name, values in ratios.items()},
    }
    print(f"\ncliplib: median {summary['median_ms']:.1f} ms (goal {GOALS['median_ms']}), "
          f"95th percentile {summary['p95_ms']:.1f} ms (goal {GOALS['p95_ms']})")  # fmt: skip
    for name in contenders:
        goal = f", goal {GOALS[name]}" if name in GOALS else ""
        low, high = min(ratios[name]), max(ratios[name])
        print(f"times faster than {name}: median {summary[name]:.0f} ({low:.0f} to {high:.0f}{goal})")
    return summary


_FIRST = """
import resource, sys, time
from pathlib import Path
start = time.perf_counter()
from cliplib.catalogue import Catalogue
from cliplib.search import Search
from cliplib.phrases import read_search
from cliplib.vocabulary import load_vocabulary
folder = Path(sys.argv[1])
vocabulary = load_vocabulary()
search = Search(Catalogue(folder / "catalogue.db"), vocabulary, folder)
search.find(read_search("jab cross", vocabulary))
print(time.perf_counter() - start)
for phrase in ("punch", "jab not countered", "hook or uppercut to the body", "1-2-3"):
    search.find(read_search(phrase, vocabulary))
search.similar(1)
search.words("slipped")
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def first_query(folder: Path) -> None:
    command = [sys.executable, "-c", _FIRST, str(folder)]
    run = [subprocess.run(command, capture_output=True, text=True, check=True) for _ in range(3)]
    seconds, memory = (statistics.median(float(r.stdout.split()[i]) for r in run) for i in (0, 1))
    print(f"first query after start, imports included: {seconds:.2f} s (goal {GOALS['first_s']})")
    print(f"memory after all kinds of search: {memory:.0f} MB (goal {GOALS['memory_mb']})")


def pages(search: Search) -> None:
    reading = read("jab cross")
    for name, offset in (("page 1", 0), ("page 100", 99 * PER_PAGE)):
        values = [timed(lambda o=offset: uncached(search, reading, o))[0] for _ in range(15)]  # type: ignore[misc]
        print(f"{name}: {statistics.median(values):.1f} ms")


def words(search: Search) -> None:
    queries = (
        "slipped", "gave ground", '"gave ground"', "1-2", "liver shot", "tired hands", "hurt body", "polbafi",
        "pivot", "referee", '"slipping late"', "jab", "livre shto", "caught ropes", "counter",
    )  # fmt: skip
    search.words("jab")
    values = [timed(lambda q=q: search.words(q))[0] for _ in range(4) for q in queries]  # type: ignore[misc]
    print(f"word search: median {statistics.median(values):.1f} ms, 95th percentile "
          f"{np.percentile(values, 95):.1f} ms (goal 100)")  # fmt: skip


def likes(search: Search, exchanges: int) -> None:
    search.similar(1)
    ids = np.random.default_rng(3).integers(1, exchanges + 1, 25).tolist()
    values = [timed(lambda i=i: search.similar(int(i)))[0] for i in ids]  # type: ignore[misc]
    print(f"more like this: median {statistics.median(values):.0f} ms, 95th percentile "
          f"{np.percentile(values, 95):.0f} ms")  # fmt: skip


def one_more_fight(folder: Path, search: Search, fights: int) -> None:
    reading = read("jab cross")
    before = search.find(reading).total
    catalogue = Catalogue(folder / "catalogue.db")
    rows = next(r for i, r in enumerate(archive.large(fights + 1)) if i == fights)
    store, fight_id = timed(lambda: archive.write_fight(catalogue, rows, fights))
    seen, found = timed(lambda: search.find(reading))
    text, _ = timed(search.refresh)
    assert found.total > before  # type: ignore[attr-defined]
    print(
        f"one more fight: stored in {store:.0f} ms, in the next search of a running process after "
        f"{seen:.0f} ms, its words after {text:.0f} ms (goal 2000 together)"
    )
    catalogue.care.forget([int(str(fight_id))])
    search.refresh()


def match_only(reading: Reading, columns: Columns) -> None:
    limit = limits((reading.where,), columns)
    pattern = Pattern(reading.steps, columns, VOCABULARY, SETTINGS, limit)
    matches = hits(pattern) or pattern.match()
    facets(matches)
    page(matches, "fit", 0, PER_PAGE)


def growth(sizes: Sequence[int]) -> None:
    print(f"\n{'fights':>8}{'actions':>12}{'median ms':>11}{'p95 ms':>9}{'MB':>8}   match, facets and order")
    readings = [read(p) for p in PHRASES]
    for fights in sizes:
        columns = archive.large_columns(fights)
        times = []
        for turn in range(4):
            for reading in readings:
                ms, _ = timed(lambda r=reading, c=columns: match_only(r, c))  # type: ignore[misc]
                times += [ms] if turn else []
        size = sum(getattr(columns, field.name).nbytes for field in fields(Columns)
                   if isinstance(getattr(columns, field.name), np.ndarray))  # fmt: skip
        if packed := kernel._packed(columns):
            size += sum(array.nbytes for array in packed._arrays.values() if array is not None)
        print(
            f"{fights:8,}{columns.actions:12,}{statistics.median(times):11.2f}"
            f"{np.percentile(times, 95):9.2f}{size / 2**20:8.0f}",
            flush=True,
        )
        del columns
        gc.collect()


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.search")
    parser.add_argument("--fights", type=int, default=1000)
    parser.add_argument("--folder", type=Path, default=Path("build", "bench-archive"))
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--growth", action="store_true", help="measure 1 to 10,000 fights as well (minutes)")
    options = parser.parse_args(arguments)
    prepare(options.folder, options.fights)
    search = Search(Catalogue(options.folder / "catalogue.db"), VOCABULARY, options.folder)
    if kernel.compiled() is None:
        print("the loops of searching are not compiled here: NumPy's are measured")
    first_query(options.folder)
    with tempfile.TemporaryDirectory() as temporary:
        summary = compare(search, table_rows(options.fights), Path(temporary), options.rounds)
    pages(search)
    words(search)
    likes(search, options.fights * archive.EXCHANGES_A_FIGHT)
    one_more_fight(options.folder, search, options.fights)
    if options.growth:
        growth((1, 10, 100, 1000, 10_000))
    print(f"peak memory of this process, contenders included: "
          f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")  # fmt: skip
    met = [
        summary[name] >= GOALS[name] if name in ("sqlite", "duckdb") else summary[name] <= GOALS[name]
        for name in ("median_ms", "p95_ms", "sqlite", "duckdb")
    ]
    return 0 if all(met) else 1


if __name__ == "__main__":
    raise SystemExit(main())
