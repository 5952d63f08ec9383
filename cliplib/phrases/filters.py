"""Rounds, times and dates: stretches of a phrase with a form of their own, recognised on tokens.

Each reader takes the tokens and a place in them and returns (how many tokens, what they say), or None.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from cliplib.phrases.tokens import Token
from cliplib.timebase import from_seconds

MOST_ROUNDS = 12
"""Most rounds of a professional contest (COMAR 09.14.06.16); open-ended stretches end there."""
IMMEDIATELY_US = 500_000
"""What "immediately" is taken to mean (common practice; a simple reaction takes about 0.35 s)."""
CHAMPIONSHIP_ROUNDS = (11, 12)

_UNITS = "one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen".split()
_ORDINALS = (
    "first second third fourth fifth sixth seventh eighth ninth tenth eleventh twelfth thirteenth "
    "fourteenth fifteenth"
).split()
NUMBER_WORDS = {word: index + 1 for index, word in enumerate(_UNITS)}
_ORDINAL_WORDS = {word: index + 1 for index, word in enumerate(_ORDINALS)}
_MONTHS = {
    name[:length]: index + 1
    for index, name in enumerate(
        "january february march april may june july august september october november december".split()
    )
    for length in (3, len(name))
} | {"sept": 9}
_ROUND = frozenset(("round", "rd", "rnd"))
_ROUNDS = frozenset(("rounds", "rds", "rnds"))
_TO = frozenset(("to", "through", "until", "till", "thru"))
_IN = frozenset(("in", "during", "from", "of", "for", "over", "at", "only"))
_SECONDS = frozenset("s sec secs second seconds".split())
_MILLISECONDS = frozenset("ms millisecond milliseconds msec".split())
_FROM = frozenset(("from", "since"))


@dataclass(frozen=True, slots=True)
class Rounds:
    rounds: tuple[int | str, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Within:
    us: int
    note: str = ""
    links: bool = False  # "within 1 second of": also says that what follows came earlier


@dataclass(frozen=True, slots=True)
class Dates:
    first: datetime.date | None
    last: datetime.date | None


Filter = Rounds | Within | Dates


class _Reader:
    """A place in the tokens that moves on as words are taken."""

    def __init__(self, tokens: Sequence[Token], at: int):
        self.tokens, self.at = tokens, at

    def peek(self, ahead: int = 0) -> str:
        index = self.at + ahead
        return self.tokens[index].norm if index < len(self.tokens) else ""

    def joined(self, ahead: int = 0) -> bool:
        index = self.at + ahead
        return index < len(self.tokens) and self.tokens[index].joined

    def take(self, words: frozenset[str] | set[str]) -> str:
        word = self.peek()
        if word in words:
            self.at += 1
            return word
        return ""

    def cardinal(self) -> int | None:
        word = self.peek()
        value = int(word) if word.isdigit() and len(word) <= 2 else NUMBER_WORDS.get(word)
        if value:
            self.at += 1
            return value
        return None

    def ordinal(self) -> int | None:
        word = self.peek()
        value = _ORDINAL_WORDS.get(word)
        if value is None and word[-2:] in ("st", "nd", "rd", "th") and word[:-2].isdigit() and len(word) < 5:
            value = int(word[:-2])
        if value:
            self.at += 1
            return value
        return None


def read_filter(tokens: Sequence[Token], at: int) -> tuple[int, Filter] | None:
    """The filter that begins at `at`: (tokens taken, filter)."""
    for read in (_rounds, _within, _dates):
        reader = _Reader(tokens, at)
        found: Filter | None = read(reader)
        if found is not None:
            return reader.at - at, found
    return None


# --- rounds -------------------------------------------------------------------------------------------


def _rounds(r: _Reader) -> Rounds | None:
    lead = r.take(_IN | {"after", "before", "since", "until", "till", "by", "up", "between"})
    if lead == "up":
        if not r.take({"to", "until"}):
            return None
        lead = "until"
    r.take({"and"})
    if r.take({"including"}):
        pass
    return _round_word(r, lead) or _numbered_rounds(r, lead) or _ordinal_rounds(r, lead)


def _round_word(r: _Reader, lead: str) -> Rounds | None:
    at = r.at
    word = r.peek()
    plural = r.peek(1)
    if word in ("last", "final", "closing") and plural in _ROUND:
        r.at += 2
        if lead in ("before",):
            r.at = at
            return None
        return Rounds(("last",))
    for names, value, note in (
        (("late", "later", "closing"), "late", "late rounds are taken to mean the last third of a fight's rounds"),
        (("early", "earlier", "opening"), "early", "early rounds are taken to mean the first third of a fight's rounds"),
        (("middle", "mid"), "middle", "middle rounds are taken to mean those between the first and the last third"),
    ):  # fmt: skip
        if word in names and plural in _ROUNDS:
            r.at += 2
            return Rounds((value,), note)
    if word == "opening" and plural in _ROUND:
        r.at += 2
        return Rounds((1,))
    if word == "championship" and plural in _ROUNDS:
        r.at += 2
        return Rounds(CHAMPIONSHIP_ROUNDS, "championship rounds are taken to mean rounds 11 and 12")
    if lead == "in" and word in ("early", "late") and plural not in _ROUNDS:
        r.at = at
    if word == "late" and plural in ("in", "on") and r.peek(2) in ("fight", "fights", "bout"):
        r.at += 3
        return Rounds(("late",), "late in a fight is taken to mean the last third of its rounds")
    if word == "early" and plural in ("in", "on") and r.peek(2) in ("fight", "fights", "bout"):
        r.at += 3
        return Rounds(("early",), "early in a fight is taken to mean the first third of its rounds")
    return None


def _numbered_rounds(r: _Reader, lead: str) -> Rounds | None:
    word = r.peek()
    short = word.lstrip("rnd")
    if word[:1] == "r" and short.isdigit() and not word.isdigit() and word not in _ROUND:
        r.at += 1
        first: int | None = int(short)
    elif word in _ROUND or word in _ROUNDS:
        r.at += 1
        first = r.cardinal()
        if first is None and r.take({"number", "no"}):
            first = r.cardinal()
    else:
        return None
    if first is None:
        return None
    return _stretch(r, lead, first)


def _stretch(r: _Reader, lead: str, first: int) -> Rounds | None:
    numbers = [first]
    while True:
        at = r.at
        if r.joined() and (last := r.cardinal()) is not None and last >= numbers[-1]:
            numbers.extend(range(numbers[-1] + 1, last + 1))
            continue
        r.at = at
        listing = r.take({"and", "or", ",", "&", "/"})
        if listing == ",":
            r.take({"and", "or"})
        ranging = "" if listing else r.take(_TO)
        r.take(_ROUND)
        next_word = r.peek()
        if next_word[:1] == "r" and next_word[1:].isdigit():
            number: int | None = int(next_word[1:])
            r.at += 1
        else:
            number = r.cardinal()
        # "rounds 1, 2, 3-2"? A number that goes on as a combination is not a round.
        if (
            number is None
            or not (listing or ranging)
            or (listing and r.joined() and r.peek().isdigit() and False)
        ):
            r.at = at
            break
        if ranging or (listing == "and" and lead == "between"):
            if number < numbers[-1]:
                r.at = at
                break
            numbers.extend(range(numbers[-1] + 1, number + 1))
        else:
            numbers.append(number)
    if len(numbers) == 1:
        at = r.at
        if r.take({"on", "onwards", "onward", "upwards", "plus"}) or (
            r.take({"and"}) and r.take({"on", "onwards", "later", "after", "beyond", "up", "upwards"})
        ):
            return _open(first, MOST_ROUNDS)
        r.at = at
        if r.take({"or"}) and r.take({"later", "after", "above"}):
            return _open(first, MOST_ROUNDS)
        r.at = at
        if r.take({"or"}) and r.take({"earlier", "before", "below"}):
            return Rounds(tuple(range(1, first + 1)))
        r.at = at
        if lead == "after":
            return _open(first + 1, MOST_ROUNDS)
        if lead == "before":
            return Rounds(tuple(range(1, first))) if first > 1 else None
        if lead in ("until", "till"):
            return Rounds(tuple(range(1, first + 1)))
        if lead == "since":
            return _open(first, MOST_ROUNDS)
    elif lead in ("after", "before"):
        return None
    return Rounds(tuple(dict.fromkeys(numbers)))


def _open(first: int, last: int) -> Rounds:
    rounds = tuple(range(first, max(first, last) + 1))
    return Rounds(
        rounds, f"rounds from {first} on are taken up to {rounds[-1]}, the most of a professional fight"
    )


def _ordinal_rounds(r: _Reader, lead: str) -> Rounds | None:
    determiner = r.tokens[r.at].determiner if r.at < len(r.tokens) else ""
    first = r.ordinal()
    if first is None:
        return None
    at = r.at
    count = r.cardinal()
    if first == 1 and count is not None and r.take(_ROUNDS):  # "first four rounds"
        return (
            Rounds(tuple(range(1, count + 1)))
            if lead not in ("after", "before")
            else _open(count + 1, MOST_ROUNDS)
        )
    r.at = at
    numbers = [first]
    while True:
        at = r.at
        listing = r.take({"and", "or", ",", "&"})
        if listing == ",":
            r.take({"and", "or"})
        ranging = "" if listing else r.take(_TO)
        number = r.ordinal() if listing or ranging else None
        if number is None:
            r.at = at
            break
        numbers.extend(range(numbers[-1] + 1, number + 1) if ranging else (number,))
    named = bool(r.take(_ROUND) or r.take(_ROUNDS))
    # "in the third" is a round; "a second" is not, and neither is "the first jab".
    ends = r.peek() in ("", ",", "against", "by", "then", "on", "and", "v", "vs", "in", "within", "onwards")
    if not named and not (
        lead in ("in", "during", "after", "before", "from", "since") and determiner == "the" and ends
    ):
        return None
    if len(numbers) == 1:
        return _stretch(r, lead, first)
    return Rounds(tuple(dict.fromkeys(numbers))) if lead not in ("after", "before") else None


# --- times ---------------------------------------------------------------------------------------------


def _within(r: _Reader) -> Within | None:
    word = r.take({"immediately", "instantly", "straight", "right", "at", "directly"})
    if word:
        if (
            (word in ("straight", "right") and not r.take({"away", "afterwards"}) and r.peek() not in ("after", "behind"))
            or (word == "at" and not r.take({"once"}))
            or (word in ("straight", "right") and r.peek() == "behind")
        ):  # fmt: skip
            return None
        return Within(IMMEDIATELY_US, "“immediately” is taken to mean within half a second")
    at = r.at
    if r.take({"within", "inside"}) or (
        r.take({"in"}) and (r.take({"under"}) or (r.take({"less"}) and r.take({"than"})))
    ):
        pass
    else:
        r.at = at
        if not (r.take({"less"}) and r.take({"than"})) and not (
            r.take({"no"}) and r.take({"more"}) and r.take({"than"})
        ):
            return None
    us = _duration(r)
    if us is None:
        return None
    r.take({"later", "afterwards", "apart"})
    return Within(us, links=bool(r.take({"of"})))


def _duration(r: _Reader) -> int | None:
    if r.take({"half"}):
        return 500_000 if r.take({"second", "sec"}) else None
    if r.take({"quarter"}):
        r.take({"of"})
        return 250_000 if r.take({"second", "sec"}) else None
    word = r.peek()
    if word in ("second", "sec"):  # "within a second"
        r.at += 1
        return 1_000_000
    digits = word.rstrip("abcdefghijklmnopqrstuvwxyz")
    unit = word[len(digits) :]
    value: Fraction | None = None
    if digits and digits.replace(".", "", 1).isdigit() and len(digits) < 12:
        value = Fraction(digits)
        r.at += 1
    elif word in NUMBER_WORDS:
        value = Fraction(NUMBER_WORDS[word])
        r.at += 1
        if r.take({"and"}) and r.take({"half"}):
            value += Fraction(1, 2)
    if value is None:
        return None
    if unit or (unit := r.take(_SECONDS | _MILLISECONDS)):
        r.take({"and"})
        if unit in _SECONDS:
            if r.peek(-1) == "and" and r.take({"half"}):
                value += Fraction(1, 2)
            elif r.peek(-1) == "and":
                r.at -= 1
            return from_seconds(value)
        if r.peek(-1) == "and":
            r.at -= 1
        if unit in _MILLISECONDS:
            return from_seconds(value / 1000)
    return None


# --- dates ---------------------------------------------------------------------------------------------


def _dates(r: _Reader) -> Dates | None:
    lead = r.take(
        {"in", "since", "before", "after", "from", "until", "till", "on", "during", "between", "of"}
    )
    first = _date(r, bare=bool(lead))
    if first is None:
        return None
    at = r.at
    if lead in ("between", "from", "in", "during", "") and (
        r.take(_TO | ({"and"} if lead == "between" else set())) or r.joined()
    ):
        second = _date(r, bare=True)
        if second is not None and second.last is not None and first.first is not None:
            return Dates(first.first, second.last) if first.first <= second.last else None
        r.at = at
    if lead == "from" or lead == "between":
        if r.take({"on", "onwards", "onward"}):
            return Dates(first.first, None)
        return None if lead == "between" else Dates(first.first, first.last)
    if lead == "since":
        return Dates(first.first, None)
    if lead == "after" and first.last is not None:
        return Dates(first.last + datetime.timedelta(days=1), None)
    if lead == "before" and first.first is not None:
        return Dates(None, first.first - datetime.timedelta(days=1))
    if lead in ("until", "till"):
        return Dates(None, first.last)
    if r.take({"onwards", "onward"}):
        return Dates(first.first, None)
    return first


def _date(r: _Reader, bare: bool) -> Dates | None:
    """A day, a month or a year as a stretch of days. `bare`: a preposition led here, so "may" is a month."""
    word = r.peek()
    if word.count("-") == 2:
        parts = [int(p) for p in word.split("-")]
        r.at += 1
        return _day(parts[0], parts[1], parts[2])
    day = None
    at = r.at
    stripped = word[:-2] if word[-2:] in ("st", "nd", "rd", "th") else word
    if stripped.isdigit() and len(stripped) <= 2 and r.peek(1) in _MONTHS:
        day, r.at = int(stripped), r.at + 1
    elif stripped.isdigit() and len(stripped) <= 2 and r.peek(1) == "of" and r.peek(2) in _MONTHS:
        day, r.at = int(stripped), r.at + 2
    month = _MONTHS.get(r.peek())
    if month is not None:
        r.at += 1
        if day is None and r.peek().rstrip("stndrh").isdigit() and len(r.peek().rstrip("stndrh")) <= 2:
            day = int(r.peek().rstrip("stndrh"))
            r.at += 1
        r.take({","})
    year = r.peek()
    if (
        year.isdigit()
        and len(year) == 4
        and 1850 <= int(year) <= 2199
        and (bare or month is not None or True)
    ):
        r.at += 1
        number = int(year)
        if month is None:
            return Dates(datetime.date(number, 1, 1), datetime.date(number, 12, 31))
        if day is not None:
            return _day(number, month, day)
        after = datetime.date(number + month // 12, month % 12 + 1, 1)
        return Dates(datetime.date(number, month, 1), after - datetime.timedelta(days=1))
    r.at = at
    return None


def _day(year: int, month: int, day: int) -> Dates | None:
    try:
        date = datetime.date(year, month, day)
    except ValueError:
        return None
    return Dates(date, date)
