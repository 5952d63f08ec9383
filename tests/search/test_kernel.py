"""The compiled loops: that they are there, agree with NumPy's on archives of several blocks, and give way."""

from __future__ import annotations

import gc
import shutil
import subprocess
import sys
import weakref
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cliplib.core.models import Exchange, Step, Where
from cliplib.phrases import read_search
from cliplib.search.patterns import Columns, Pattern, hits, kernel, limits
from tests.search import archive
from tests.search.archive import columns_of
from tests.search.slow_matcher import Bout
from tests.search.test_patterns import FIGHT, RED, SETTINGS, VOCABULARY, act, one, same_answer

# Private parts: the small case is sent to the loops in C, and by several threads; fields are swapped on one side.

PHRASES = (
    "punch",
    "missed left hook",
    "lead hook on the ropes",
    "southpaw jab",
    "jab cross",
    "jab cross against a southpaw",
    "jab cross within 0.7 seconds",  # no whole number of ticks
    "jab, then cross within 40 seconds",  # longer than a posting tells
    "counter to the body after a missed jab",
    "rolls under a hook",
    "feint, then overhand within 1 second",
    "hook or uppercut to the body on the ropes",
    "1-1-2",
    "slips the jab and counters with a cross",
    "jab, cross, lead hook, pivot",
    "jab not countered",
    "cross without a feint before it",
    "jab cross in round 3",
    "jab cross in the last round, closed stance",
)
needs_it = pytest.mark.skipif(kernel.compiled() is None, reason="the loops are not compiled here")


def asked(phrase: str, columns: Columns, *where: Where) -> Pattern:
    reading = read_search(phrase, VOCABULARY)
    assert not reading.unread, phrase
    return Pattern(reading.steps, columns, VOCABULARY, SETTINGS, limits((reading.where, *where), columns))


@pytest.fixture(scope="module")
def blocks() -> Columns:
    """18,000 exchanges: more than one block of 16,384."""
    return archive.large_columns(60)


@pytest.mark.skipif(not shutil.which("cc"), reason="no C compiler here")
def test_compiled_where_there_is_a_compiler() -> None:
    assert kernel.compiled(), (
        "run “make test”, or “pip install -e .”, to compile cliplib/search/patterns/kernel.c anew"
    )


@needs_it
@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("phrase", PHRASES)
def test_blocks_and_threads(
    phrase: str, threads: int, blocks: Columns, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kernel, "_ENOUGH", 0)
    monkeypatch.setattr(kernel, "_THREADS", threads)
    found, matches = hits(asked(phrase, blocks)), asked(phrase, blocks).match()
    assert len(matches.exchanges), "a phrase that finds nothing shows nothing"
    assert found
    assert same_answer(found, matches)
    last = found.exchanges[-50:]
    assert found.tuples(100, last) == matches.tuples(100, last)
    assert np.array_equal(found.first_rows(), matches.first_rows())


@needs_it
def test_filters_over_blocks(blocks: Columns) -> None:
    fighter = blocks.fights[40].red
    for where in (
        Where(fighter=fighter),
        Where(opponent=fighter),
        Where(outcome="missed", place="ropes"),
        Where(technique="jab", stance="southpaw"),
        Where(rounds=(1, 2, 3, 4, 5)),
        Where(fight=blocks.fights[3].title),
    ):
        found = hits(asked("jab cross", blocks, where))
        assert found
        assert same_answer(found, asked("jab cross", blocks, where).match()), where


@needs_it
def test_more_values_than_one_word_counts() -> None:
    """64 values are counted at a time; an archive may have more techniques."""
    names = [*sorted(VOCABULARY.names), *(f"move {i}" for i in range(60))]
    actions = [act(RED, name, i / 4) for i, name in enumerate(names)]
    exchanges = tuple(Exchange(tuple(actions[i : i + 7]), round=1 + i // 60) for i in range(0, len(names), 7))
    columns = columns_of(
        [Bout(FIGHT, exchanges, (False,) * len(exchanges), tuple(range(1, len(exchanges) + 1)))]
    )
    assert len(columns.value_bits) > 1
    for steps in ((Step(""),), (Step("punch"), Step("punch"))):
        pattern = Pattern(steps, columns, VOCABULARY, SETTINGS, limits((), columns))
        found = hits(pattern)
        assert found
        assert same_answer(found, pattern.match())


@needs_it
def test_gives_way_where_there_are_too_many_ways() -> None:
    """200 untimed feints hold 2,535,650,040 ways to feint five times."""
    columns = one(*(act(RED, "feint", None) for _ in range(200)))
    pattern = Pattern((Step("feint"),) * 5, columns, VOCABULARY, SETTINGS, limits((), columns))
    assert hits(pattern) is None
    assert pattern.match().exchanges.tolist() == [0]
    # The room it gave back is as it was.
    pattern = Pattern((Step("feint"),), columns, VOCABULARY, SETTINGS, limits((), columns))
    found = hits(pattern)
    assert found
    assert same_answer(found, pattern.match())


@needs_it
def test_gives_way_where_numbers_are_too_large() -> None:
    columns = one(*(act(RED, "jab", i / 10) for i in range(300)))
    assert hits(Pattern((Step("jab"),), columns, VOCABULARY, SETTINGS, limits((), columns))) is None


@needs_it
@pytest.mark.parametrize("name", ["next_own", "next_other", "answers", "kind", "setting"])
def test_nothing_that_points_outside_is_taken(name: str) -> None:
    columns = one(act(RED, "jab", 1.0), act(RED, "cross", 1.3))
    for value in (-1, 2, 255):
        wrong = np.array([value, 0]).astype(getattr(columns, name).dtype)
        damaged = replace(columns, **{name: wrong})
        assert not kernel._Packed(damaged, kernel.compiled()).fine, value  # type: ignore[arg-type]


def test_without_it_numpy_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kernel, "compiled", lambda: None)
    columns = one(act(RED, "jab", 1.0))
    assert hits(Pattern((Step("jab"),), columns, VOCABULARY, SETTINGS, limits((), columns))) is None


@needs_it
def test_what_it_points_to_is_held_on_to(blocks: Columns) -> None:
    """Steps are kept for the next search; an answer outlives their being forgotten."""
    pattern = asked("lead hook on the ropes", blocks, Where(outcome="missed"))
    found = hits(pattern)
    assert found
    expected = pattern.match().tuples(50, found.exchanges[:50])
    for _ in range(3 * kernel._KEPT_STEPS):  # a step with a filter is another one each time
        assert hits(asked("lead hook on the ropes", blocks, Where(outcome="landed")))
    gc.collect()
    assert found.tuples(50, found.exchanges[:50]) == expected


@needs_it
def test_an_archive_goes_with_its_last_answer() -> None:
    """Not with the next collection of garbage: it is a hundred megabytes."""
    columns = one(act(RED, "jab", 1.0))
    found = hits(Pattern((Step("jab"),), columns, VOCABULARY, SETTINGS, limits((), columns)))
    assert found
    gone = weakref.ref(columns)
    gc.disable()
    try:
        del columns, found
        assert gone() is None
    finally:
        gc.enable()


@pytest.mark.slow
@needs_it
@pytest.mark.skipif(not shutil.which("gcc"), reason="needs gcc's sanitizers")
def test_memory_is_touched_only_where_it_may(tmp_path: Path) -> None:
    """The same loops under AddressSanitizer and UndefinedBehaviorSanitizer, over random archives."""
    source = Path(kernel.__file__).with_name("kernel.c")
    built = tmp_path / "kernel.so"
    flags = ["-g", "-O1", "-std=c11", "-pthread", "-shared", "-fPIC", "-fsanitize=address,undefined",
             "-fno-sanitize-recover=all"]  # fmt: skip
    made = subprocess.run(["gcc", *flags, "-o", built, source], capture_output=True, text=True)
    if made.returncode:
        pytest.skip(f"no sanitizers here: {made.stderr[-200:]}")
    found = [
        subprocess.run(["gcc", f"-print-file-name={name}"], capture_output=True, text=True).stdout.strip()
        for name in ("libasan.so", "libubsan.so")
    ]
    environment = {
        "LD_PRELOAD": " ".join(found),
        "ASAN_OPTIONS": "detect_leaks=0",
        "PATH": "/usr/bin:/bin",
        "PYTHONMALLOC": "malloc",  # so that every array has its own guarded place
    }
    run = subprocess.run(
        [sys.executable, "-m", "tests.search.sanitised", str(built)],
        cwd=Path(__file__).parents[2], env=environment, capture_output=True, text=True, timeout=240,
    )  # fmt: skip
    assert run.returncode == 0, run.stdout[-2000:] + run.stderr[-4000:]
    assert "searches" in run.stdout


SWAPS = (
    ("    const uint8_t *verdict;  /* [kinds] */\n    const uint8_t *settings;", "    const uint8_t *settings;\n    const uint8_t *verdict;  /* [kinds] */", "two fields of a part"),
    ("    int64_t window;         /* microseconds, negative: any */\n    int32_t same; ", "    int32_t same;\n    int64_t window; ", "two fields of a step"),
    ("    const uint8_t *punch;    /* [kinds] */\n    const uint8_t *allowed;", "    const uint8_t *allowed;\n    const uint8_t *punch;", "two fields of a query"),
    ("    uint64_t *joined;  /* [BLOCK, words] */\n    int32_t *cost;     /* [BLOCK] */", "    int32_t *cost;\n    uint64_t *joined;", "two fields of a room"),
    ("    int64_t *values;          /* [words * 64] */\n    int64_t *by_corner;", "    int64_t *by_corner;\n    int64_t *values;", "two fields of an answer"),
    ("    const uint16_t *kind, *setting;", "    const uint16_t *setting, *kind;", "two columns"),
    ("MUST_ANSWER = 1", "MUST_ANSWER = 2", "a verdict's number"),
    ("BLOCK = 1 << 14", "BLOCK = 1 << 13", "the size of a block"),
    ("uint16_t kind, gap;", "uint32_t kind, gap;", "the size of a posting"),
)  # fmt: skip


@needs_it
@pytest.mark.skipif(not shutil.which("cc"), reason="needs a C compiler")
@pytest.mark.parametrize(("here", "there", "what"), SWAPS, ids=[what for *_, what in SWAPS])
def test_what_c_has_otherwise_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, here: str, there: str, what: str
) -> None:
    """Loops that take an archive apart differently would find too little and say nothing. NumPy answers."""
    source = Path(kernel.__file__).with_name("kernel.c").read_text(encoding="utf-8")
    assert source.count(here) == 1, what
    (tmp_path / "kernel.c").write_text(source.replace(here, there), encoding="utf-8")
    built = tmp_path / f"_kernel{kernel.importlib.machinery.EXTENSION_SUFFIXES[0]}"
    flags = ["-O0", "-std=c11", "-pthread", "-shared", "-fPIC"]
    subprocess.run(["cc", *flags, "-o", built, tmp_path / "kernel.c"], check=True)
    monkeypatch.setattr(kernel, "__file__", str(tmp_path / "kernel.py"))
    # Past the cache: it holds this process's own loops, and gets them back.
    assert kernel.compiled.__wrapped__() is None


@needs_it
def test_what_python_has_otherwise_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    swapped = kernel._struct("Part", *reversed(kernel._Part._fields_))  # private: it is what C must match
    monkeypatch.setattr(kernel, "_Part", swapped)
    assert kernel.compiled.__wrapped__() is None
