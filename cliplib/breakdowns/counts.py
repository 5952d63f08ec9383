"""The counts in a script: what the author wrote, what is counted now, and whether a comparison still holds.

Nothing is rewritten here. `recounted` says what is so, with the text that could stand in the place of what
was written: the same but for its numbers.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from cliplib.breakdowns.document import Breakdown, Link
from cliplib.breakdowns.links import Asked, asked
from cliplib.core.errors import ClipLibError
from cliplib.core.models import JSON
from cliplib.stats.proportions import Interval, difference, fisher, told_apart, wilson, worth

_NUMBER = re.compile(r"\d+(?:[.,]\d+)?")
_PERCENT = re.compile(r"[%％٪]|\bper ?cent\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Written:
    """A count as it stands in the script. `form`: of (9 of 14), rate (64 %) or times (26). `first`: the
    number, or per cent; `second`: of how many."""

    form: str
    first: float
    second: int = 0


@dataclass(frozen=True, slots=True)
class Counted:
    """What is counted now. `outcomes`: tries by outcome; `tried`: all of them; `exchanges` that hold one.
    `clips`: behind each outcome, and behind all ("tried"), by number. `said`: the reading; `definitions`:
    what was counted, a sentence each; `fights`: title and date of each it came from."""

    tried: int
    outcomes: Mapping[str, int]
    exchanges: int
    clips: Mapping[str, tuple[int, ...]]
    said: str
    definitions: tuple[str, ...] = ()
    fights: tuple[tuple[str, str], ...] = ()

    @property
    def known(self) -> int:
        return sum(self.outcomes.get(name, 0) for name in ("landed", "partial", "blocked", "missed"))


Counter = Callable[[Asked], Counted]
"""Counts in a library. Raises ClipLibError for what cannot be counted."""


@dataclass(frozen=True, slots=True)
class Recount:
    """One count, recounted. `problem`: why it could not be, else empty. `now`: the text that would be right;
    `drift`: it is another than what was written. `new`, `gone`: clips behind it since it was last noted."""

    link: Link
    point: str
    written: Written | None
    counted: Counted | None = None
    now: str = ""
    drift: bool = False
    interval: Interval | None = None
    new: tuple[int, ...] = ()
    gone: tuple[int, ...] = ()
    clips: tuple[int, ...] = ()
    problem: str = ""
    pair: tuple[int, int] | None = None  # k of n, where there is a proportion

    @property
    def sentence(self) -> str:
        """`written 9 of 14, now 10 of 16 (63 %, 39 to 82 %)`."""
        if self.problem:
            return f"“{self.link.text}” could not be counted: {self.problem}"
        said = f"written {self.link.text}, now {self.now}" if self.drift else f"{self.link.text} holds"
        if self.interval is not None:
            low, high = told_apart(100 * self.interval.low, 100 * self.interval.high, 0)
            said += f" ({100 * self.interval.value:.0f} %, 95 % interval {low} to {high} %)"
        unknown = self.counted.outcomes.get("unknown", 0) if self.counted else 0
        if unknown and self.written and self.written.form != "times":
            said += f"; {unknown} of the tries have no outcome in the log"
        if self.new:
            said += f"; new: clip{'s' * (len(self.new) > 1)} {', '.join(map(str, self.new))}"
        if self.gone:
            said += f"; no longer among them: {', '.join(map(str, self.gone))}"
        return said

    def as_json(self) -> JSON:
        return {
            "point": self.point,
            "line": self.link.line,
            "target": self.link.target,
            "written": self.link.text,
            "now": self.now or None,
            "drift": self.drift,
            "interval": None
            if self.interval is None
            else {"value": self.interval.value, "low": self.interval.low, "high": self.interval.high},
            "clips": list(self.clips),
            "new": list(self.new),
            "gone": list(self.gone),
            "problem": self.problem or None,
            "said": self.sentence,
        }


@dataclass(frozen=True, slots=True)
class Held:
    """Two counts that one sentence sets beside each other. `holds`: the one that was larger still is; None if
    one of them could not be counted."""

    point: str
    sentence: str
    line: int
    holds: bool | None
    said: str

    def as_json(self) -> JSON:
        return {
            "point": self.point,
            "line": self.line,
            "sentence": self.sentence,
            "holds": self.holds,
            "said": self.said,
        }


@dataclass(frozen=True, slots=True)
class Recounts:
    counts: tuple[Recount, ...]
    comparisons: tuple[Held, ...] = field(default=())

    @property
    def texts(self) -> dict[Link, str]:
        """The links whose text is no longer right, with the text that would be."""
        return {one.link: one.now for one in self.counts if one.drift}


def written(text: str) -> Written:
    """What a count's text says, in the digits of any script. Raises ValueError."""
    numbers = _NUMBER.findall(text)
    if _PERCENT.search(text) and len(numbers) == 1:
        return Written("rate", _value(numbers[0]))
    whole = [number for number in numbers if number.isdecimal()]
    if len(numbers) == len(whole) == 2:
        return Written("of", int(whole[0]), int(whole[1]))
    if len(numbers) == len(whole) == 1:
        return Written("times", int(whole[0]))
    raise ValueError("it holds no count; write it as 9 of 14, as 26 or as 64 %")


def recounted(
    document: Breakdown, counter: Counter, noted: Mapping[str, Sequence[int]] | None = None
) -> Recounts:
    """Every count of the document, counted now. `noted`: the clips that stood behind each target before."""
    done: dict[Asked, Counted | str] = {}
    counts, held = [], []
    for point in document.points:
        of_link: dict[Link, Recount] = {}
        for link in point.counts:
            one = _recount(point.key, link, counter, done, (noted or {}).get(link.target))
            counts.append(one)
            of_link[link] = one
        for paragraph in point.script:
            for sentence, links in paragraph.sentences():
                pair = [of_link[link] for link in links if link in of_link]
                if len(pair) == 2 and (found := _compared(point.key, sentence, pair[0], pair[1])):
                    held.append(found)
    return Recounts(tuple(counts), tuple(held))


def _with_values(text: str, values: Sequence[str]) -> str:
    """`text` with its numbers replaced in order, all else as it was."""
    left = list(values)
    return _NUMBER.sub(lambda match: left.pop(0) if left else match[0], text)


def _recount(
    point: str,
    link: Link,
    counter: Counter,
    done: dict[Asked, Counted | str],
    noted: Sequence[int] | None,
) -> Recount:
    try:
        said = written(link.text)
        question = asked(link.target)
    except ValueError as problem:
        return Recount(link, point, None, problem=str(problem))
    if question not in done:
        try:
            done[question] = counter(question)
        except ClipLibError as problem:
            done[question] = str(problem)
    counted = done[question]
    if isinstance(counted, str):
        return Recount(link, point, said, problem=counted)
    of = question.of or "landed"
    hits = counted.outcomes.get(of, 0)
    clips = counted.clips.get(question.of if said.form == "times" and question.of else "tried", ())
    interval, pair = None, None
    if said.form == "times":
        values = [str(hits if question.of else counted.exchanges)]
        right = said.first == int(values[0])
    elif not counted.tried - counted.outcomes.get("other", 0):
        why = "there are no punches to be counted; write the number of exchanges alone"
        return Recount(
            link, point, said, counted, problem=why if counted.tried else "nothing is found any more"
        )
    else:
        interval, pair = wilson(hits, counted.known), (hits, counted.known)
        if said.form == "of":
            values = [str(hits), str(counted.tried)]
            right = (said.first, said.second) == (hits, counted.tried)
        else:
            places = _places(link.text)
            rate = 100 * interval.value if interval else 0.0
            values = [f"{rate:.{places}f}"]
            right = abs(said.first - rate) <= 0.5 * 10**-places + 1e-9
    before = None if noted is None else set(noted)
    return Recount(
        link,
        point,
        said,
        counted,
        link.text if right else _with_values(link.text, values),
        not right,
        interval,
        tuple(c for c in clips if before is not None and c not in before),
        tuple(sorted(before - set(clips))) if before is not None else (),
        tuple(clips),
        pair=pair,
    )


def _compared(point: str, sentence: str, one: Recount, two: Recount) -> Held | None:
    """None where the two are not of one form, or stood level."""
    if one.written is None or two.written is None or one.written.form != two.written.form:
        return None
    then = _size(one.written) - _size(two.written)
    if not then:
        return None
    if one.problem or two.problem:
        return Held(point, sentence, one.link.line, None, "one of the two could not be counted")
    now = _size(written(one.now)) - _size(written(two.now))
    holds = now * then > 0
    said = f"{one.link.text} against {two.link.text}: " + (
        "the first is still the larger" if holds and then > 0
        else "the first is still the smaller" if holds
        else "they are level now" if not now
        else "IT IS THE OTHER WAY ROUND NOW"
    )  # fmt: skip
    said += f" ({one.now} against {two.now})" if one.drift or two.drift else ""
    if one.pair and two.pair:
        between = difference(*one.pair, *two.pair)
        if between is not None:
            (a, m), (c, n) = one.pair, two.pair
            low, high = (round(100 * value) for value in (between.low, between.high))
            said += f"; difference {100 * between.value:+.0f} points, 95 % interval {low:+d} to {high:+d}: "
            said += worth(fisher(a, m - a, c, n - c))
    return Held(point, sentence, one.link.line, holds, said)


def _size(value: Written) -> float:
    if value.form == "of":
        return value.first / value.second if value.second else 0.0
    return value.first


def _value(number: str) -> float:
    return float("".join("." if c in ".," else str(unicodedata.digit(c)) for c in number))


def _places(text: str) -> int:
    """How many decimals the number in it has."""
    return len(re.split(r"[.,]", _NUMBER.findall(text)[0] + ".")[1])
