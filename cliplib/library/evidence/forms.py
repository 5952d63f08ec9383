"""What each evidence table looks like: its form, and how a result fills it in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

from cliplib.core.models import Reading
from cliplib.core.timebase import format_time, to_seconds
from cliplib.library.evidence.agreement import TwoLogs
from cliplib.library.evidence.tables import Answered, Caught, ChangeFound, Compare, Elsewhere, Next, Tally
from cliplib.phrases import reading_json
from cliplib.stats.changepoint import Change, Power, TooLittle
from cliplib.stats.proportions import Interval
from cliplib.tally import CATEGORIES, Compared, CountRow, Moment, NextRow, Tries
from cliplib.tally.comparing import Method
from cliplib.tally.pairing import Confusion, OfOne, Pair
from cliplib.tally.table import (
    Column,
    Fact,
    Filled,
    Filling,
    Form,
    Group,
    Opener,
    Piece,
    Row,
    Shown,
    ShownRow,
    Then,
)
from cliplib.tally.tries import Behind

DEFINITIONS = Fact("definitions", tuple[str, ...])
READING = Fact("reading", Reading)
TRIES = Fact("tries", int)


def _of(behind: Behind | None, **renamed: str) -> Mapping[str, Opener]:
    """What each number of a row opens; `renamed`: what a column calls a number of another name."""
    if behind is None:
        return {}
    found: dict[str, Opener] = {part: partial(behind.of, part) for part in behind.parts}
    return found | {new: found[old] for new, old in renamed.items() if old in found}


def _ids(tries: Tries) -> list[int]:
    return [int(i) for i in tries.exchange_ids()]


def _tries_line(filling: Filling, tries: Tries) -> tuple[Piece, ...]:
    count = len(tries)
    key = filling.opens(lambda: tries, ("tries",), ()) if count else ""
    return Piece(str(count), key), Piece(" try" if count == 1 else " tries")


# --- counts -------------------------------------------------------------------------------------------------

_COUNTED = (
    *(
        Column(name, "count", (name,), (name,), maybe=False, quiet=0 if name == "inferred" else None)
        for name in ("tried", *CATEGORIES[:-1])
    ),
    Column("no punch", "count", ("other",), ("other",), quiet=0),
    Column("", "count", ("known",)),
    Column("rate", "share", ("rate",), ("known",), unit="% of known"),
    Column("", "range", ("rate_if_unknown",)),
    Column("a minute", "frequency", ("per_minute",), ("tried",)),
    Column("", "number", ("minutes",)),
    Column(
        "and then: landed",
        "of",
        ("and_then.landed", "and_then.known"),
        ("then_landed", "then_known"),
        unit="of known punches",
    ),
    Column("", "count", ("and_then.punches",), ("then_punches",)),
    Column("", "count", ("exchanges",)),
    Column("fights", "fights", ("fights",)),
    Column("", "clips by part", ("clips",)),
)
_ROWS = Group("rows", "", _COUNTED, row="CountRow", free=True)
_TOTAL = Group("total", "", _COUNTED, row="CountRow", free=True, single=True, foot=True)
TALLY = Form("Tally", (READING, Fact("by", tuple[str, ...]), _ROWS, _TOTAL, DEFINITIONS))


def fill_tally(found: Tally) -> Filled:
    table, filling = found.table, Filling()

    def row(group: Group, counted: CountRow, place: int | None) -> Row:
        def clips() -> dict[str, list[int]]:
            named = ("tried", *(name for name in CATEGORIES if getattr(counted, name)))
            return {name: table.clips(place, name) for name in named}

        values = (
            counted.tried, *(getattr(counted, name) for name in CATEGORIES), counted.known, counted.rate,
            counted.rate_if, counted.per_minute,
            None if counted.watched_us is None else to_seconds(counted.watched_us) / 60,
            counted.then[1:], counted.then[0], counted.exchanges, counted.fights, clips,
        )  # fmt: skip
        said = [f"{key} {value}" for key, value in zip(table.by, counted.values, strict=False)]
        behind = {
            **_of(table.behind(place)),
            **_of(table.then(place) if table.window_us is not None else None),
        }
        return filling.row(group, values, key=counted.values, names=counted.values, behind=behind, words=said)

    return Filled(
        TALLY,
        {"reading": reading_json(found.reading), "by": table.by, "definitions": found.definitions},
        {
            "rows": [row(_ROWS, one, place) for place, one in enumerate(table.rows)],
            "total": [row(_TOTAL, table.total, None)],
        },
        found.definitions,
        found.reading,
        by=table.by,
        openers=filling.openers,
    )


# --- what comes next ----------------------------------------------------------------------------------------

_NEXT = (
    Column("what", "text", ("what",), maybe=False),
    Column("times", "count", ("times",), ("times",)),
    Column("share", "share", ("share",), ("times",), unit="% of tries"),
    Column("", "count", ("timed",)),
    Column("gap, median", "seconds", ("gap.median",), unit="s"),
    Column("middle half", "spread", ("gap.low", "gap.high"), unit="s"),
    Column("landed", "of", ("landed", "known"), ("landed", "known"), unit="of known"),
    Column("", "clips", ("clips",)),
)
_OWN = Group("own", "The same fighter next", _NEXT, row="NextRow")
_OPPONENT = Group("opponent", "The opponent next", _NEXT, row="NextRow")
NEXT = Form("WhatComesNext", (READING, TRIES, _OWN, _OPPONENT, DEFINITIONS))


def fill_next(found: Next) -> Filled:
    filling = Filling()

    def rows(group: Group, side: Sequence[NextRow]) -> list[Row]:
        return [
            filling.row(
                group,
                (
                    r.what, r.times, r.share, r.timed, r.median_us, (r.low_us, r.high_us),
                    (r.landed, r.known), partial(_ids, r.tries),
                ),
                key=(r.what,),
                behind=_of(r.behind),
                words=(f"then {r.what}",),
            )
            for r in side
        ]  # fmt: skip

    tries = found.table.tries
    return Filled(
        NEXT,
        {"reading": reading_json(found.reading), "tries": len(tries), "definitions": found.definitions},
        {"own": rows(_OWN, found.table.own), "opponent": rows(_OPPONENT, found.table.other)},
        found.definitions,
        found.reading,
        lead=(_tries_line(filling, tries),),
        openers=filling.openers,
    )


# --- what answers an attack, and what catches a defence -----------------------------------------------------

_ANSWERS = Group(
    "answers",
    "",
    (
        Column("answer", "text", ("response",), maybe=False),
        Column("stances", "text", ("stances",), maybe=False),
        Column("times", "count", ("times",), ("times",)),
        Column(
            "the attack landed",
            "of",
            ("attack.landed", "attack.known"),
            ("attack_landed", "attack_known"),
            unit="of known",
        ),
        Column(
            "the answer landed",
            "of",
            ("punch.landed", "punch.known"),
            ("punch_landed", "punch_known"),
            unit="of known",
        ),
        Column("beaten", "of", ("beaten", "beaten_known"), ("beaten", "beaten_known"), unit="of known"),
        Column("rate", "share", ("rate",), ("beaten_known",), unit="% of known beaten"),
        Column("", "clips", ("clips",)),
    ),
)
ANSWERS = Form("Answers", (READING, TRIES, _ANSWERS, DEFINITIONS))


def fill_answers(found: Answered) -> Filled:
    filling = Filling()
    rows = [
        filling.row(
            _ANSWERS,
            (
                r.response, r.stances, r.times, (r.attack_landed, r.attack_known),
                (r.punch_landed, r.punch_known), (r.beaten, r.beaten_known), r.beaten_rate,
                partial(_ids, r.tries),
            ),
            key=(r.stances, r.response),
            behind=_of(r.behind),
            words=(r.response, f"{r.stances} stances"),
        )
        for r in found.result.rows
    ]  # fmt: skip
    tries = found.result.tries
    return Filled(
        ANSWERS,
        {"reading": reading_json(found.reading), "tries": len(tries), "definitions": found.definitions},
        {"answers": rows},
        found.definitions,
        found.reading,
        lead=(_tries_line(filling, tries),),
        openers=filling.openers,
    )


_ELSEWHERE = Group(
    "elsewhere",
    "",
    (
        Column("answer", "text", ("response",), maybe=False),
        Column("stances", "text", ("stances",), maybe=False),
        Column("by", "text", ("by",), maybe=False),
        Column("beaten", "of", ("beaten", "beaten_known"), ("beaten", "beaten_known"), unit="of known"),
        Column("rate", "share", ("rate",), ("beaten_known",), unit="% of known beaten"),
        Column("", "clips", ("clips",)),
    ),
)
ELSEWHERE = Form("Elsewhere", (READING, TRIES, _ELSEWHERE, DEFINITIONS))


def fill_elsewhere(found: Elsewhere) -> Filled:
    filling = Filling()
    rows = [
        filling.row(
            _ELSEWHERE,
            (
                r.response, r.stances, ", ".join(people), (r.beaten, r.beaten_known), r.beaten_rate,
                partial(_ids, r.behind.of("beaten")),
            ),
            key=(r.stances, r.response),
            behind=_of(r.behind),
            words=(r.response, f"{r.stances} stances"),
        )
        for r, people in zip(found.result.rows, found.people, strict=True)
    ]  # fmt: skip
    tries = found.result.tries
    return Filled(
        ELSEWHERE,
        {"reading": reading_json(found.reading), "tries": len(tries), "definitions": found.definitions},
        {"elsewhere": rows},
        found.definitions,
        found.reading,
        lead=(_tries_line(filling, tries),),
        openers=filling.openers,
    )


_CAUGHT = Group(
    "caught_by",
    "",
    (
        Column("punch", "text", ("attack",), maybe=False),
        Column("tried against it", "count", ("against.tries",), ("against",)),
        Column(
            "it landed all the same", "of", ("against.landed", "against.known"),
            ("against_landed", "against_known"), unit="of known",
        ),
        Column("rate against it", "share", ("against.rate",), ("against_known",), unit="% of known"),
        Column("it came next", "count", ("next.tries",), ("next",)),
        Column(
            "it landed then", "of", ("next.landed", "next.known"), ("next_landed", "next_known"),
            unit="of known",
        ),
        Column("rate then", "share", ("next.rate",), ("next_known",), unit="% of known"),
        Column("", "clips", ("clips",)),
    ),
)  # fmt: skip
CAUGHT = Form("Caught", (READING, TRIES, _CAUGHT, DEFINITIONS))


def fill_caught(found: Caught) -> Filled:
    filling = Filling()
    rows = []
    for r in found.rows:
        behind = {
            **_of(r.before, against="times", against_landed="landed", against_known="known"),
            **_of(r.after, next="times", next_landed="landed", next_known="known"),
        }
        values = (
            r.attack, r.against, (r.against_landed, r.against_known), r.against_rate, r.next,
            (r.next_landed, r.next_known), r.next_rate, partial(_ids, r.tries),
        )  # fmt: skip
        rows.append(filling.row(_CAUGHT, values, key=(r.attack,), behind=behind, words=(r.attack,)))
    tries = found.tries
    return Filled(
        CAUGHT,
        {"reading": reading_json(found.reading), "tries": len(tries), "definitions": found.definitions},
        {"caught_by": rows},
        found.definitions,
        found.reading,
        lead=(_tries_line(filling, tries),),
        openers=filling.openers,
    )


# --- two sides ----------------------------------------------------------------------------------------------

_LINE = (
    Column("what", "text", ("what",), maybe=False),
    Column("this", "of", ("this.count", "this.of"), ("this", "this_of")),
    Column("", "clips", ("this.clips",)),
    Column("that", "of", ("that.count", "that.of"), ("that", "that_of")),
    Column("", "clips", ("that.clips",)),
    Column("difference", "points", ("difference",)),
    Column("p", "chance", ("p",)),
    Column("q", "chance", ("q",)),
    Column("", "text", ("words",), maybe=False),
    Column("", "number", ("homogeneity",)),
    Column("in words", "text"),
)
_SIDES = (
    Group("landed", "Landed", _LINE, row="ComparedLine"),
    Group("own", "The same fighter next", _LINE, row="ComparedLine"),
    Group("opponent", "The opponent next", _LINE, row="ComparedLine"),
)


@dataclass(frozen=True, slots=True)
class ComparedSide:
    what: str
    tries: int


COMPARE = Form(
    "Comparison",
    (
        READING,
        Fact("this", ComparedSide),
        Fact("that", ComparedSide),
        *_SIDES,
        DEFINITIONS,
        Fact("method", Method),
        Fact("fights", int),
    ),
)


def _lines(
    filling: Filling,
    group: Group,
    lines: Sequence[Compared],
    all_: tuple[Tries, Tries] | None,
) -> list[Row]:
    """`all_`: what the counts are out of, where that is the same for all lines."""
    rows = []
    for line in lines:
        behind: dict[str, Opener] = {}
        for name, of, part in (("this", 0, line.behind1), ("that", 1, line.behind2)):
            if part is not None:
                behind[name] = partial(part[0].of, part[1])
                if "known" in part[0].parts and all_ is None:
                    behind[f"{name}_of"] = partial(part[0].of, "known")
            if all_ is not None:
                behind[f"{name}_of"] = partial(_itself, all_[of])
        values = (
            line.what, (line.k1, line.n1), line.clips1, (line.k2, line.n2), line.clips2, line.difference,
            line.p, line.q, line.words, line.homogeneity, line.words.partition(": ")[2],
        )  # fmt: skip
        rows.append(filling.row(group, values, key=(line.what,), behind=behind, words=(line.what,)))
    return rows


def _itself(tries: Tries) -> Tries:
    return tries


def fill_compare(found: Compare) -> Filled:
    result, filling = found.result, Filling()
    both = (result.side1, result.side2)
    heads = {
        (group.name, side): said
        for group in _SIDES
        for side, said in (("this", found.this), ("that", found.that))
    }
    lead = []
    for name, said, side in (("this", found.this, both[0]), ("that", found.that, both[1])):
        key = filling.opens(partial(_itself, side), (name,), (said,)) if len(side) else ""
        ending = " try" if len(side) == 1 else " tries"
        lead.append((Piece(f"{said}: "), Piece(str(len(side)), key), Piece(ending)))
    return Filled(
        COMPARE,
        {
            "reading": reading_json(found.reading),
            "this": ComparedSide(found.this, result.tries1),
            "that": ComparedSide(found.that, result.tries2),
            "method": result.method,
            "fights": result.fights,
            "definitions": found.definitions,
        },
        {
            "landed": _lines(filling, _SIDES[0], result.landed, None),
            "own": _lines(filling, _SIDES[1], result.own, both),
            "opponent": _lines(filling, _SIDES[2], result.other, both),
        },
        found.definitions,
        found.reading,
        lead=tuple(lead),
        heads=heads,
        openers=filling.openers,
    )


# --- when it changed ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RoundMoment:
    """A moment by round and seconds since its bell, as far as known."""

    round: int | None
    elapsed: float | None


@dataclass(frozen=True, slots=True)
class RateSide:
    landed: int
    tries: int
    clips: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class FrequencySide:
    tries: int
    seconds: float
    clips: tuple[int, ...]


_INSTEAD = Group(
    "instead", "Done in that situation, before against after", _LINE, row="ComparedLine", optional=True
)
_REPLIES = Group(
    "replies", "The opponent next, before against after", _LINE, row="ComparedLine", optional=True
)
CHANGE = Form(
    "Change",
    (
        READING, Fact("fight", str), Fact("of", Literal["rate", "frequency"]), TRIES, Fact("left_out", int),
        Fact("enough", bool), Fact("words", str), DEFINITIONS, Fact("p", float, optional=True),
        Fact("before", RateSide | FrequencySide, optional=True),
        Fact("after", RateSide | FrequencySide, optional=True),
        Fact("last_before", RoundMoment | None, optional=True),
        Fact("first_after", RoundMoment | None, optional=True), _INSTEAD, _REPLIES,
        Fact("could", tuple[Power, ...], optional=True),
    ),
)  # fmt: skip


def _moment(value: Moment | None) -> RoundMoment | None:
    if value is None:
        return None
    elapsed = None if value.elapsed_us is None else to_seconds(value.elapsed_us)
    return RoundMoment(value.round or None, elapsed)


def say_moment(value: Moment | None) -> str:
    """`round 3, 1:20 after the bell`."""
    if value is None:
        return "a moment not known"
    said = f"round {value.round}" if value.round else "a round not known"
    if value.elapsed_us is None:
        return said
    return f"{said}, {format_time(max(0, value.elapsed_us), 0)} after the bell"


def fill_change(found: ChangeFound) -> Filled:
    result, filling = found.result, Filling()
    change = result.found
    facts: dict[str, Any] = {
        "reading": reading_json(found.reading),
        "fight": found.fight.title,
        "of": result.kind,
        "tries": result.tries,
        "left_out": result.left_out,
        "enough": isinstance(change, Change),
        "words": result.words,
        "definitions": found.definitions,
    }
    out = f", {result.left_out} left out" if result.left_out else ""
    tries = "1 try" if result.tries == 1 else f"{result.tries} tries"
    lead: list[tuple[Piece, ...]] = [(Piece(f"{found.fight.title}: {tries}{out}"),)]
    rows: dict[str, list[Row]] = {}
    if isinstance(change, Change):
        sides: list[RateSide | FrequencySide] = []
        for (a, b), clips in ((change.before, result.before), (change.after, result.after)):
            sides.append(
                RateSide(a, b, clips) if result.kind == "rate" else FrequencySide(a, to_seconds(b), clips)
            )
        facts |= {
            "p": change.p,
            "before": sides[0],
            "after": sides[1],
            "last_before": _moment(result.last_before),
            "first_after": _moment(result.first_after),
            "could": change.power,
        }
        linked = [Piece(f"between {say_moment(result.last_before)} and {say_moment(result.first_after)}: ")]
        for name, clips, joint in (("before", result.before, ", "), ("after", result.after, "")):
            key = filling.opens(clips, (name,), (name,))
            linked += [Piece(f"{len(clips)} clip{'' if len(clips) == 1 else 's'} {name}", key), Piece(joint)]
        lead += [tuple(linked), (Piece(result.could),)]
        rows["instead"] = _lines(filling, _INSTEAD, result.instead, result.situations)
        rows["replies"] = _lines(filling, _REPLIES, result.replies, result.sides)
    then: tuple[Then, ...] = ()
    if isinstance(change, TooLittle):
        then = (Then("What there is, round by round", "tally", {"fight": found.fight.id, "by": "round"}),)
    heads = {
        (group, side): said
        for group in ("instead", "replies")
        for side, said in (("this", "before"), ("that", "after"))
    }
    return Filled(
        CHANGE,
        facts,
        rows,
        found.definitions,
        found.reading,
        said=result.words,
        lead=tuple(lead),
        heads=heads,
        then=then,
        openers=filling.openers,
    )


# --- two logs -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LogName:
    log: str
    by: str | None


@dataclass(frozen=True, slots=True)
class ConfusionTable:
    names: tuple[str, ...]
    table: tuple[tuple[int, ...], ...]
    same: int
    pairs: int
    kappa: Interval | None
    band: str | None
    ac1: float | None


_OF_ONE = (
    Column("what", "text", ("name",), maybe=False),
    Column("first", "count", ("first",), ("first",)),
    Column("second", "count", ("second",), ("second",)),
    Column("both", "count", ("both",), ("both",)),
    Column("percent error", "number", ("percent_error",), unit="% of the mean count"),
    Column("positive agreement", "coefficient", ("positive_agreement",)),
    Column("kappa", "coefficient", ("kappa",)),
)
_DISAGREEMENTS = Group(
    "disagreements",
    "Disagreements",
    (
        Column("key", "text", ("key",), maybe=False),
        Column("what", "text", ("what",), maybe=False),
        Column("first", "text", ("first",)),
        Column("second", "text", ("second",)),
        Column("round", "whole", ("round",)),
        Column("time", "time", ("time",)),
        Column("clock", "time", ("clock",)),
        Column("frame", "whole", ("frame",)),
        Column("clip", "whole", ("clip",), maybe=False),
    ),
)
_TECHNIQUES = Group("of_technique", "Techniques one by one", _OF_ONE, row="OfOne")
_OUTCOMES = Group("of_outcome", "Outcomes one by one", _OF_ONE, row="OfOne")
AGREEMENT = Form(
    "Agreement",
    (
        Fact("fight", str), Fact("first", LogName), Fact("second", LogName), Fact("paired", int),
        Fact("only_first", int), Fact("only_second", int), Fact("beyond", int), Fact("left_out", int),
        Fact("percent_error", float | None), Fact("seen_by_both", Interval | None),
        Fact("called_alike", Interval | None), Fact("techniques", ConfusionTable),
        Fact("outcomes", ConfusionTable), _TECHNIQUES, _OUTCOMES, _DISAGREEMENTS, DEFINITIONS,
    ),
)  # fmt: skip


def fill_agreement(found: TwoLogs) -> Filled:
    agreed, filling = found.agreement, Filling()

    def opener(what: str, one: str | None, two: str | None) -> tuple[int, ...]:
        return _clips(agreed.called(what, one, two))

    def confusion(table: Confusion) -> ConfusionTable:
        return ConfusionTable(
            table.names, table.table, table.same, table.pairs, table.kappa, table.band or None, table.ac1
        )

    def each(group: Group, what: str, rows: Sequence[OfOne]) -> list[Row]:
        return [
            filling.row(
                group,
                (r.name, r.one, r.two, r.both, r.percent_error, r.positive, r.kappa),
                key=(r.name,),
                behind={
                    "first": opener(what, r.name, None),
                    "second": opener(what, None, r.name),
                    "both": opener(what, r.name, r.name),
                },
                words=(r.name,),
            )
            for r in rows
        ]

    def crossed(title: str, what: str, table: Confusion) -> Shown:
        rows = []
        for one, counts in zip(table.names, table.table, strict=True):
            cells = []
            for two, count in zip(table.names, counts, strict=True):
                words = (f"{found.one}: {one}", f"{found.two}: {two}")
                key = filling.opens(opener(what, one, two), (what, one, two), words) if count else ""
                cells.append((Piece(str(count), key),))
            rows.append(ShownRow((one,), tuple(cells)))
        columns = tuple(Column(name, "count") for name in table.names)
        return Shown(what, title, (f"{found.one} down, {found.two} across",), columns, tuple(rows))

    disagreements = [
        filling.row(
            _DISAGREEMENTS,
            (d.key, d.what, d.one or None, d.two or None, d.round, d.time_us, d.clock_us, d.frame, d.clip),
        )
        for d in found.disagreements
    ]  # fmt: skip
    one, two = (
        f"{name} ({by})" if by else name for name, by in zip((found.one, found.two), found.by, strict=True)
    )
    counted = (
        f"{agreed.paired} action{'' if agreed.paired == 1 else 's'} in both"
        f", {agreed.only_one} only in {found.one}"
        + (f" ({found.beyond} of its actions lie where {found.two} has nothing)" if found.beyond else "")
        + f", {agreed.only_two} only in {found.two}"
        + (f"; {found.left_out} without any time were left out" if found.left_out else "")
    )
    lead = [(Piece(f"{found.fight.title}: {one} against {two}"),), (Piece(counted),)]
    if agreed.percent_error is not None:
        lead.append((Piece(f"Percent error: {agreed.percent_error:.1f} % of the mean count"),))
    for what, value in (("seen by both", agreed.seen), ("and called alike", agreed.called_alike)):
        if value is not None:
            said = f"{value.value:.2f} ({value.low:.2f} to {value.high:.2f})"
            lead.append((Piece(f"Positive agreement, {what}: {said}"),))
    count = len(found.disagreements)
    lead.append((Piece(f"{count} disagreement{'' if count == 1 else 's'}"),))
    before: dict[str, Shown] = {}
    for title, what, table, group in (
        ("Techniques", "technique", agreed.techniques, _TECHNIQUES),
        ("Outcomes", "outcome", agreed.outcomes, _OUTCOMES),
    ):
        if table.pairs:
            lead.append((Piece(_alike(title, table, agreed.only_one + agreed.only_two)),))
            before[group.name] = crossed(title, what, table)
    return Filled(
        AGREEMENT,
        {
            "fight": found.fight.title,
            "first": LogName(found.one, found.by[0] or None),
            "second": LogName(found.two, found.by[1] or None),
            "paired": agreed.paired,
            "only_first": agreed.only_one,
            "only_second": agreed.only_two,
            "beyond": found.beyond,
            "left_out": found.left_out,
            "percent_error": agreed.percent_error,
            "seen_by_both": agreed.seen,
            "called_alike": agreed.called_alike,
            "techniques": confusion(agreed.techniques),
            "outcomes": confusion(agreed.outcomes),
            "definitions": found.definitions,
        },
        {
            "of_technique": each(_TECHNIQUES, "technique", agreed.of_technique),
            "of_outcome": each(_OUTCOMES, "outcome", agreed.of_outcome),
            "disagreements": disagreements,
        },
        found.definitions,
        lead=tuple(lead),
        heads={
            (group.name, side): name
            for group in (_TECHNIQUES, _OUTCOMES, _DISAGREEMENTS)
            for side, name in (("first", found.one), ("second", found.two))
        },
        before=before,
        openers=filling.openers,
    )


def _clips(pairs: Sequence[Pair]) -> tuple[int, ...]:
    return tuple(dict.fromkeys(p.either.exchange_id for p in pairs))


def _alike(title: str, table: Confusion, alone: int) -> str:
    if table.same == table.pairs:
        actions = "1 action" if alone == 1 else f"{alone} actions"
        return f"{title}: all {table.pairs} pairs alike; {actions} in one log only"
    worth = f", {table.band}" if table.band else ""
    extra = "" if table.ac1 is None else f"; AC1 {table.ac1:.2f}"
    kappa = table.kappa
    said = "cannot be said" if kappa is None else f"{kappa.value:.2f} ({kappa.low:.2f} to {kappa.high:.2f})"
    return f"{title}: the same in {table.same} of {table.pairs} pairs; kappa {said}{worth}{extra}"
