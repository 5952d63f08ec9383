"""An archive in two parts answers as one: held against all of it made anew, whatever happened to it."""

from __future__ import annotations

from dataclasses import replace
from unittest.mock import patch

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cliplib.core.models import Action, Corner, Exchange, FightInfo, Step, Where
from cliplib.search.patterns import (
    ORDERS,
    Answer,
    Block,
    Columns,
    FightEntry,
    Parts,
    Pattern,
    Tables,
    assemble,
    encode_fight,
    facets,
    hits,
    kernel,
    limits,
    page,
)
from cliplib.search.patterns.parts import MANY_FIGHTS
from tests.search import archive
from tests.search.archive import small_bouts
from tests.search.slow_matcher import Bout
from tests.search.test_patterns import SETTINGS, VOCABULARY, step_lists, wheres

IDS: dict[str | None, int] = {n: i for i, n in enumerate((*archive.NAMES, "Zed Unknown"))}


def block(number: int, revision: int, bout: Bout, tables: Tables) -> Block:
    # Numbers of exchanges that no other fight and no earlier state of this one has.
    bout = replace(bout, ids=tuple(i + 1000 * revision for i in bout.ids))
    red, blue = IDS[bout.info.red.name], IDS[bout.info.blue.name]
    entry = FightEntry.of(number, revision, bout.info, red, blue)
    return encode_fight(entry, archive.raw_of(bout, IDS), tables, VOCABULARY.is_punch, bout.info.course)


Stored = dict[int, tuple[int, Bout]]


def made_anew(stored: Stored) -> Columns:
    tables = Tables.of(VOCABULARY)
    return assemble([block(n, revision, bout, tables) for n, (revision, bout) in stored.items()], tables)


@st.composite
def histories(draw: st.DrawFn) -> tuple[Parts, Stored]:
    """Fights that come, change, go and come back, and folds, of which some end when the archive has moved
    on: the archive in parts, and what it ought to hold."""
    stored: Stored = {n: (n + 1, bout) for n, bout in enumerate(draw(small_bouts()))}
    parts = Parts.of(made_anew(stored))
    revision, begun = 10, None
    for _ in range(draw(st.integers(0, 6))):
        what = draw(st.sampled_from(["change", "change", "add", "remove", "begin folding", "end folding"]))
        if what == "begin folding":
            begun = parts
        elif what == "end folding":
            if begun is not None and begun.base is parts.base:
                parts = parts.over(begun.whole)
            begun = None
        else:
            tables, gone = parts.tables.copy(), []
            number = draw(st.integers(0, 4)) if what == "add" else draw(st.sampled_from([*stored, 0]))
            revision += 1
            blocks = []
            if what == "remove":
                if stored.pop(number, None) is not None:
                    gone = [number]
            else:
                stored[number] = revision, draw(small_bouts())[0]
                blocks = [block(number, *stored[number], tables)]
            parts = parts.changed(tables, blocks, gone)
    return parts, stored


@pytest.mark.parametrize("compiled", [True, False])
@given(
    history=histories(),
    steps=st.just(()) | step_lists(),
    where=wheres | st.just(Where()),
    second=st.booleans(),
)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_two_parts_answer_as_one(
    compiled: bool, history: tuple[Parts, Stored], steps: tuple[Step, ...], where: Where, second: bool
) -> None:
    parts, stored = history
    whole = made_anew(stored)
    assert parts.revisions == {n: revision for n, (revision, _) in stored.items()}
    with patch.object(kernel, "compiled", kernel.compiled if compiled else lambda: None):
        found = []
        for columns, live in parts.each():
            limit = limits((where,), columns, second_opinions=second)
            if live is not None:
                limit.only(live)
            pattern = Pattern(steps, columns, VOCABULARY, SETTINGS, limit)
            found.append(hits(pattern) or pattern.match())
        answer = Answer(parts, tuple(found))
        limit = limits((where,), whole, second_opinions=second)
        expected = Pattern(steps, whole, VOCABULARY, SETTINGS, limit).match()
        assert answer.total == len(expected.exchanges)
        counts, wanted = answer.facets, facets(expected)
        assert {n: list(c.items()) for n, c in counts.items()} == {
            n: list(c.items()) for n, c in wanted.items()
        }
        for order in ORDERS:
            everything = whole.exchange_id[page(expected, order, 0, 10**6)].tolist()
            for size in (1, 3, 10**6):
                pages = [
                    answer.ids(page(answer, order, at, size)) for at in range(0, len(everything) + 1, size)
                ]
                assert [number for one in pages for number in one] == everything
        ways = {int(whole.exchange_id[e]): told for e, told in expected.tuples(50).items()}
        assert answer.tuples(50, answer.exchanges) == ways
    assert parts.last_round == int(whole.last_round.max(initial=0))
    assert parts.whole.exchange_id.tolist() == whole.exchange_id.tolist()
    if where == Where():
        assert parts.reasons & whole.reasons == whole.reasons


def test_a_part_grows_large_and_is_folded() -> None:
    tables = Tables.of(VOCABULARY)
    parts = Parts.of(assemble([], tables))
    assert parts.whole is parts.base
    assert not parts.large
    bout = archive_of_one()
    for number in range(MANY_FIGHTS + 1):
        tables = parts.tables.copy()
        base = parts.base
        parts = parts.changed(tables, [block(number, number + 1, bout, tables)], [])
        assert parts.base is base
        assert parts.large == (number == MANY_FIGHTS)
    folded = parts.over(parts.whole)
    assert not folded.blocks
    assert not folded.large
    assert folded.revisions == parts.revisions
    # What is gone has no business to stay.
    assert folded.changed(folded.tables, [], [3]).large


def archive_of_one() -> Bout:
    red, blue = archive.NAMES[:2]
    info = FightInfo(f"{red} v {blue}", Corner(red, "orthodox"), Corner(blue, "southpaw"))
    actions = (Action("jab", fighter=red, time_us=0), Action("slip", fighter=blue, time_us=200_000))
    return Bout(info, (Exchange(actions, round=1),), (False,), (1,))


def test_a_fold_that_ends_late_loses_nothing() -> None:
    """While it was under way one fight changed once more, one came, one went."""
    bout = archive_of_one()
    stored: Stored = {n: (n + 1, bout) for n in range(3)}
    parts = Parts.of(made_anew(stored))

    def change(parts: Parts, number: int, revision: int) -> Parts:
        stored[number] = revision, bout
        tables = parts.tables.copy()
        return parts.changed(tables, [block(number, revision, bout, tables)], [])

    parts = change(change(parts, 0, 11), 1, 12)
    whole = parts.whole
    parts = change(change(parts, 0, 13), 7, 14)
    del stored[2]
    parts = parts.changed(parts.tables, [], [2]).over(whole)
    assert set(parts.blocks) == {0, 7}
    assert parts.gone == {2}
    assert parts.revisions == {n: revision for n, (revision, _) in stored.items()}
    assert parts.whole.exchange_id.tolist() == made_anew(stored).exchange_id.tolist()


def test_fighters_of_both_parts_are_in_one_order() -> None:
    names = ("Zora", "Ada", "Mo", "Bea", "Yuri", "Cy")
    ids = {name: i for i, name in enumerate(names)}

    def told(number: int, red: str, blue: str, tables: Tables) -> Block:
        info = FightInfo(f"{red} v {blue}", Corner(red), Corner(blue))
        bout = Bout(info, (Exchange((Action("jab", fighter=red, time_us=0),), round=1),), (False,), (number,))
        entry = FightEntry.of(number, number, info, ids[red], ids[blue])
        raw = archive.raw_of(bout, dict(ids))
        return encode_fight(entry, raw, tables, VOCABULARY.is_punch, info.course)

    tables = Tables.of(VOCABULARY)
    pairs = [(n, names[n - 1], names[n % 6]) for n in range(1, 7)]
    base = assemble([told(*pair, tables) for pair in pairs[:3]], tables)
    tables = base.tables.copy()
    parts = Parts.of(base).changed(tables, [told(*pair, tables) for pair in pairs[3:]], [])
    found = [Pattern((Step("jab"),), c, VOCABULARY, SETTINGS, limits((), c)).match() for c, _ in parts.each()]
    answer = Answer(parts, tuple(found))
    shown = answer.ids(page(answer, "fighter", 0, 10))
    assert [names[number - 1] for number in shown] == sorted(names)
