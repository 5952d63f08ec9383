"""Stretches that fight.toml names: `[[period]]` of the fight and `[[part]]` of the film."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from cliplib.core.parts import PART_KINDS, Part
from cliplib.core.periods import NO_PERIOD, Course, Period, TwoLinesError
from cliplib.core.timebase import RoundClock, format_time
from cliplib.fightfolder import values as kinds
from cliplib.fightfolder.form import Form

_OF_KIND = {"gap": ("jump",), "replay": ("of", "speed")}
_ALONE = (("round", "rest"), ("replay",), ("gap", "stop"))
"""Kinds of which no two share a moment."""


# --- parts ------------------------------------------------------------------------------------------------


def read_parts(form: Form, top: Mapping[str, Any], rounds: int | None) -> tuple[Part, ...]:
    """The film's parts, in order of time."""
    tables = top.get("part", [])
    if not isinstance(tables, list) or not all(isinstance(one, dict) for one in tables):
        form.wrong("part", "", "must be a list of tables: write [[part]] with two brackets")
        return ()
    placed: list[Part] = []
    for index, values in enumerate(tables):
        part = _part(form, values, index)
        if part is None:
            continue
        over = _overlapped(part, placed)
        if over is not None:
            form.wrong(
                "part", "from",
                f"makes the {part.kind} from {format_time(part.start_us)} overlap the {over.kind} from "
                f"{format_time(over.start_us)}",
                index=index,
            )  # fmt: skip
            continue
        placed.append(part)
    told = [part for part in placed if part.kind == "round"]
    if rounds is not None and len(told) > rounds:
        form.wrong("", "part", f"lists {len(told)} rounds of a fight over {rounds}")
    return tuple(sorted(placed, key=lambda part: (part.start_us, PART_KINDS.index(part.kind))))


def _part(form: Form, values: Mapping[str, Any], index: int) -> Part | None:
    kind = form.get("part", values, "kind", kinds.one_of(PART_KINDS), index)
    keys = ("kind", "from", "until", "name", *_OF_KIND.get(kind or "", ()))
    if kind is not None:
        form.known("part", values, keys, index)
    elif "kind" not in values:
        form.wrong("part", "kind", f"is missing; write one of {', '.join(PART_KINDS)}", index=index)
    start = form.get("part", values, "from", kinds.bell if kind == "round" else kinds.time, index)
    end = form.get("part", values, "until", kinds.time, index)
    name = form.get("part", values, "name", kinds.line, index)
    jump = form.get("part", values, "jump", kinds.rest, index)
    of = form.get("part", values, "of", kinds.time, index)
    speed = form.get("part", values, "speed", kinds.speed, index)
    for key in ("from", "until"):
        if key not in values and not (key == "until" and kind == "gap"):
            form.wrong("part", key, "is missing; write a footage time, like “14:05.5”", index=index)
    if kind == "gap" and "jump" not in values:
        form.wrong("part", "jump", "is missing; write how many seconds the clock ran meanwhile", index=index)
    if speed is not None and "of" not in values:
        form.wrong("part", "speed", "is of no use without “of”, the moment that is shown again", index=index)
    if kind == "gap" and "until" not in values:
        end = start
    if kind is None or start is None or end is None or (kind == "gap" and jump is None):
        return None
    if end < start or (end == start and kind != "gap"):
        form.wrong(
            "part", "until", f"is {format_time(end)}, not after the beginning ({format_time(start)})",
            index=index,
        )  # fmt: skip
        return None
    if of is not None and start <= of < end:
        form.wrong("part", "of", "lies in the replay itself", index=index)
    return Part(kind, start, end, name or "", jump or 0, of, speed)


def _overlapped(part: Part, placed: Sequence[Part]) -> Part | None:
    alone = next((group for group in _ALONE if part.kind in group), ())
    for other in placed:
        same = other.start_us == part.start_us and other.end_us == part.end_us
        apart = other.end_us <= part.start_us or part.end_us <= other.start_us
        if other.kind in alone and (same or not apart):
            return other
    return None


# --- periods ----------------------------------------------------------------------------------------------


def read_periods(
    form: Form,
    top: Mapping[str, Any],
    rounds: int | None,
    bells: RoundClock | None,
    round_us: int | None,
) -> tuple[Period, ...]:
    """The named stretches, in order of time."""
    tables = top.get("period", [])
    if not isinstance(tables, list) or not all(isinstance(one, dict) for one in tables):
        form.wrong("period", "", "must be a list of tables: write [[period]] with two brackets")
        return ()
    told = [(_period(form, values, index), index) for index, values in enumerate(tables)]
    placed: list[tuple[tuple[int, int], Period, int]] = []
    for period, index in told:
        if period is None or not _has_rounds(form, period, index, rounds, round_us):
            continue
        others = [other for _, other, _ in placed]
        try:
            course = Course.of([*others, period], bells)
        except TwoLinesError as error:
            form.wrong("period", "from" if period.start else "until", str(error), index=index)
            continue
        except ValueError as error:
            form.wrong("period", "", str(error), index=index)
            continue
        span = course.span(period)
        if span[1] <= span[0]:
            form.wrong(
                "period", "until", f"is {period.end}, not after the beginning ({period.start})", index=index
            )
            continue
        spans = [(course.span(other), other) for other in others]
        over = next((other for (a, b), other in spans if a < span[1] and span[0] < b), None)
        if over is not None:
            form.wrong(
                "period",
                "from" if period.start else "until",
                f"makes “{period.name}” overlap “{over.name}”; no moment lies in two periods",
                index=index,
            )
            continue
        placed.append((span, period, index))
    placed.sort(key=lambda one: one[0])
    return tuple(period for _, period, _ in placed)


def _period(form: Form, values: Mapping[str, Any], index: int) -> Period | None:
    form.known("period", values, ("name", "from", "until"), index)
    name = form.get("period", values, "name", kinds.line, index)
    first = form.get("period", values, "from", kinds.moment, index)
    last = form.get("period", values, "until", kinds.moment, index)
    if "name" not in values:
        form.wrong("period", "name", "is missing; write what the stretch is called", index=index)
    if name is not None and name.casefold() in (NO_PERIOD, "unknown"):
        form.wrong(
            "period",
            "name",
            f"“{name}” is what tables call what lies in none; choose another name",
            index=index,
        )
        name = None
    if "from" not in values and "until" not in values:
        form.wrong(
            "period", "from", 'is missing; write from = "round 4 1:20", until = …, or both', index=index
        )
    read = (
        name is not None,
        (first is not None) == ("from" in values),
        (last is not None) == ("until" in values),
    )
    return Period(name, first, last) if name is not None and all(read) and (first or last) else None


def _has_rounds(form: Form, period: Period, index: int, rounds: int | None, round_us: int | None) -> bool:
    """Whether the rounds and clocks that a period names can be."""
    fine = True
    for key, moment in (("from", period.start), ("until", period.end)):
        if moment is None or moment.round is None:
            continue
        if moment.round < 1 or (rounds is not None and moment.round > rounds):
            form.wrong(
                "period",
                key,
                f"names round {moment.round} of a fight over {rounds} rounds"
                if rounds is not None
                else f"names round {moment.round}; rounds count from 1",
                index=index,
            )
            fine = False
        elif round_us is not None and moment.left_us is not None and moment.left_us > round_us:
            form.wrong(
                "period",
                key,
                f"has {format_time(moment.left_us)} on the clock of a round of {format_time(round_us)}",
                index=index,
            )
            fine = False
    return fine
