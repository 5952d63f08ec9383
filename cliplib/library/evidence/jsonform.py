"""Evidence as plain data for scripts. Times are seconds, proportions fractions of one, unknown is null."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from cliplib.core.models import JSON
from cliplib.core.timebase import to_seconds
from cliplib.library.evidence.agreement import TwoLogs
from cliplib.library.evidence.tables import Answered, Caught, ChangeFound, Compare, Next, Tally
from cliplib.phrases import reading_json
from cliplib.stats.changepoint import Change
from cliplib.stats.proportions import Interval
from cliplib.tally import CATEGORIES, Compared, CountRow, Moment, NextRow, Tries
from cliplib.tally.pairing import Confusion, OfOne


def evidence_json(found: Tally | Next | Compare | ChangeFound | Answered | Caught | TwoLogs) -> JSON:
    """What the command for it prints with --json."""
    makers: dict[type, Callable[..., JSON]] = {
        Tally: tally_json,
        Next: next_json,
        Compare: compare_json,
        ChangeFound: change_json,
        Answered: answers_json,
        Caught: caught_json,
        TwoLogs: two_logs_json,
    }
    return makers[type(found)](found)


def tally_json(found: Tally, *, ids: bool = False) -> JSON:
    """What `cliplib tally --json` prints. `ids`: also the numbers of the clips behind each count."""
    table = found.table

    def row_json(row: CountRow, place: int | None) -> JSON:
        data: JSON = {
            "values": dict(zip(table.by, row.values, strict=False)),
            "tried": row.tried,
            **{name: getattr(row, name) for name in CATEGORIES},
            "known": row.known,
            "rate": interval_json(row.rate),
            "rate_if_unknown": list(row.rate_if) if row.rate_if else None,
            "per_minute": row.per_minute,
            "minutes": None if row.watched_us is None else to_seconds(row.watched_us) / 60,
            "exchanges": row.exchanges,
            "fights": row.fights,
        }
        if ids:
            counted = ("tried", *(name for name in CATEGORIES if getattr(row, name)))
            data["clips"] = {name: table.clips(place, name) for name in counted}
        return data

    return {
        "reading": reading_json(found.reading),
        "by": list(table.by),
        "rows": [row_json(row, place) for place, row in enumerate(table.rows)],
        "total": row_json(table.total, None),
        "definitions": list(found.definitions),
    }


def next_json(found: Next) -> JSON:
    def row_json(row: NextRow) -> JSON:
        return {
            "what": row.what,
            "times": row.times,
            "share": interval_json(row.share),
            "timed": row.timed,
            "gap": {
                "median": _seconds(row.median_us),
                "low": _seconds(row.low_us),
                "high": _seconds(row.high_us),
            },
            "landed": row.landed,
            "known": row.known,
            "clips": _ids(row.tries),
        }

    return {
        "reading": reading_json(found.reading),
        "tries": len(found.table.tries),
        "own": [row_json(row) for row in found.table.own],
        "opponent": [row_json(row) for row in found.table.other],
        "definitions": list(found.definitions),
    }


def compare_json(found: Compare) -> JSON:
    return {
        "reading": reading_json(found.reading),
        "this": {"what": found.this, "tries": found.result.tries1},
        "that": {"what": found.that, "tries": found.result.tries2},
        "landed": _lines(found.result.landed),
        "own": _lines(found.result.own),
        "opponent": _lines(found.result.other),
        "definitions": list(found.definitions),
    }


def change_json(found: ChangeFound) -> JSON:
    """`enough` is false where there is too little to say anything; then there is no moment."""
    result = found.result
    change = result.found
    data: JSON = {
        "reading": reading_json(found.reading),
        "fight": found.fight.title,
        "of": result.kind,
        "tries": result.tries,
        "left_out": result.left_out,
        "enough": isinstance(change, Change),
        "words": result.words,
        "definitions": list(found.definitions),
    }
    if isinstance(change, Change):
        names = ("landed", "tries") if result.kind == "rate" else ("tries", "seconds")
        sides = {}
        for side, (a, b), clips in (
            ("before", change.before, result.before),
            ("after", change.after, result.after),
        ):
            second = b if result.kind == "rate" else to_seconds(b)
            sides[side] = {names[0]: a, names[1]: second, "clips": list(clips)}
        data |= {
            "p": change.p,
            **sides,
            "last_before": _moment(result.last_before),
            "first_after": _moment(result.first_after),
            "instead": _lines(result.instead),
            "replies": _lines(result.replies),
        }
    return data


def answers_json(found: Answered) -> JSON:
    return {
        "reading": reading_json(found.reading),
        "tries": len(found.result.tries),
        "answers": [
            {
                "response": row.response,
                "stances": row.stances,
                "times": row.times,
                "attack": {"landed": row.attack_landed, "known": row.attack_known},
                "punch": {"landed": row.punch_landed, "known": row.punch_known},
                "beaten": row.beaten,
                "beaten_known": row.beaten_known,
                "rate": interval_json(row.beaten_rate),
                "clips": _ids(row.tries),
            }
            for row in found.result.rows
        ],
        "definitions": list(found.definitions),
    }


def caught_json(found: Caught) -> JSON:
    return {
        "reading": reading_json(found.reading),
        "tries": len(found.tries),
        "caught_by": [
            {
                "attack": row.attack,
                "against": {"tries": row.against, "landed": row.against_landed, "known": row.against_known},
                "next": {"tries": row.next, "landed": row.next_landed, "known": row.next_known},
                "clips": _ids(row.tries),
            }
            for row in found.rows
        ],
        "definitions": list(found.definitions),
    }


def two_logs_json(found: TwoLogs) -> JSON:
    agreement = found.agreement

    def confusion(table: Confusion) -> JSON:
        return {
            "names": list(table.names),
            "table": [list(row) for row in table.table],
            "same": table.same,
            "pairs": table.pairs,
            "kappa": interval_json(table.kappa),
            "band": table.band or None,
            "ac1": table.ac1,
        }

    def each(rows: Iterable[OfOne]) -> list[JSON]:
        return [
            {
                "name": row.name,
                "first": row.one,
                "second": row.two,
                "both": row.both,
                "percent_error": row.percent_error,
                "kappa": interval_json(row.kappa),
            }
            for row in rows
        ]

    return {
        "fight": found.fight.title,
        "first": {"log": found.one, "by": found.by[0] or None},
        "second": {"log": found.two, "by": found.by[1] or None},
        "paired": agreement.paired,
        "only_first": agreement.only_one,
        "only_second": agreement.only_two,
        "beyond": found.beyond,
        "left_out": found.left_out,
        "percent_error": agreement.percent_error,
        "techniques": confusion(agreement.techniques),
        "outcomes": confusion(agreement.outcomes),
        "of_technique": each(agreement.of_technique),
        "of_outcome": each(agreement.of_outcome),
        "disagreements": [
            {
                "key": d.key,
                "what": d.what,
                "first": d.one or None,
                "second": d.two or None,
                "round": d.round,
                "time": to_seconds(d.time_us) if d.time_us >= 0 else None,
                "frame": d.frame,
                "clip": d.clip,
            }
            for d in found.disagreements
        ],
        "definitions": list(found.definitions),
    }


def interval_json(value: Interval | None) -> JSON | None:
    return None if value is None else {"value": value.value, "low": value.low, "high": value.high}


def _lines(lines: Iterable[Compared]) -> list[JSON]:
    return [
        {
            "what": line.what,
            "this": {"count": line.k1, "of": line.n1, "clips": list(line.clips1)},
            "that": {"count": line.k2, "of": line.n2, "clips": list(line.clips2)},
            "difference": interval_json(line.difference),
            "p": line.p,
            "q": line.q,
            "words": line.words,
        }
        for line in lines
    ]


def _moment(value: Moment | None) -> JSON | None:
    if value is None:
        return None
    return {"round": value.round or None, "elapsed": _seconds(value.elapsed_us)}


def _ids(tries: Tries) -> list[int]:
    return [int(i) for i in tries.exchange_ids()]


def _seconds(us: int | None) -> float | None:
    return None if us is None else to_seconds(us)
