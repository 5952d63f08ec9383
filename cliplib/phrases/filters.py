"""Rounds, times and dates: stretches of a phrase with a form of their own, as patterns over its words.

A stretch is matched as text: words folded, one space between them, articles kept, “-” before what a hyphen
joins.
"""

# ruff: noqa: E501 - the patterns are a table, one a line
from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Sequence
from fractions import Fraction
from functools import cache
from typing import Any

from cliplib.core.timebase import from_seconds
from cliplib.phrases.meanings import Asked
from cliplib.phrases.tokens import Token, listed

MOST_ROUNDS = 12
"""Most rounds of a professional contest (COMAR 09.14.06.16); open-ended stretches end there."""
LONGEST_CONTEST = 15
"""Most rounds that a contest of the archive may have had (common practice before the 1980s; from memory)."""
IMMEDIATELY_US = 500_000
"""What "immediately" is taken to mean (common practice; a simple reaction takes about 0.35 s)."""

_UNITS = listed("one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen")
_ORDINALS = listed(
    "first second third fourth fifth sixth seventh eighth ninth tenth eleventh twelfth thirteenth fourteenth fifteenth"
)
NUMBER_WORDS = {word: index + 1 for index, word in enumerate(_UNITS)}
_ORDINAL_WORDS = {word: index + 1 for index, word in enumerate(_ORDINALS)}
_MONTHS = listed("january february march april may june july august september october november december")
MONTHS = {name[:n]: i + 1 for i, name in enumerate(_MONTHS) for n in (3, len(name))} | {"sept": 9}

_N = rf"(?:{'|'.join(sorted(NUMBER_WORDS, key=len, reverse=True))}|\d{{1,2}})(?![\w.:])"
_O = rf"(?:{'|'.join(_ORDINALS)}|\d{{1,2}}(?:st|nd|rd|th))(?!\w)"
_LEAD = r"(?:(?P<lead>in|during|from|of|for|over|at|only|after|before|since|until|till|by|up to|between) )?(?:the )?"
_DENY = (
    r"(?P<deny>(?:in )?(?:all|any|every)(?: rounds?)? (?:but|except|bar|excluding) (?:in )?"
    r"|(?:but |and |, )?(?:except|excluding|excepting|not|outside)(?: for| of)? )?"
)
_SEP = r"(?: -| ?-|,? (?:and|or|to|through|until|till|thru|&|/|,) | , )"
_OPEN = (
    r"(?P<open> (?:on(?=$| ,)|onwards?|upwards?|plus|\+|and (?:on(?:wards)?|later|after|beyond|up(?:wards)?)|or (?:later|after|above))"
    r"(?!\w))?(?P<down> or (?:earlier|before|below)(?!\w))?"
)
_ENDS = (
    r"(?= ?(?:$|,|against |by |then |on |and |v |vs |in |within |onwards|that |when |which |where |after ))"
)
_FIGHT = r"(?:the |a )?(?:fights?|bouts?|contests?)"
_TAKEN = "{} rounds are taken to mean the {} of a fight's rounds"
_THIRDS = {"late": "last third", "early": "first third", "middle": "middle third"}

Reader = Callable[["re.Match[str]"], "Asked | None"]


def _number(text: str) -> int:
    return NUMBER_WORDS.get(text) or _ORDINAL_WORDS.get(text) or int(re.sub(r"\D", "", text) or 0)


def _listed(text: str, between: bool) -> list[int] | None:
    """“1, 3 and 5”, “2 to 4”, “1 -4”."""
    numbers: list[int] = []
    ranging = False
    for word in re.findall(r"[\w]+|[-,&/]", text):
        if word in ("-", "to", "through", "until", "till", "thru"):
            ranging = True
        elif word in (",", "and", "or", "&", "/", "the", "round", "rounds"):
            ranging = ranging or (word == "and" and between)
        else:
            number = _number(word)
            if not 0 < number <= LONGEST_CONTEST or (ranging and number < numbers[-1]):
                return None
            numbers.extend(range(numbers[-1] + 1, number + 1) if ranging else (number,))
            ranging = False
    return list(dict.fromkeys(numbers))


def _open_ended(first: int) -> Asked:
    rounds = tuple(range(first, max(first, MOST_ROUNDS) + 1))
    return Asked(
        rounds,
        notes=(f"rounds from {first} on are taken up to {rounds[-1]}, the most of a professional fight",),
    )


def _rounds(m: re.Match[str]) -> Asked | None:
    lead = m["lead"] or ""
    numbers = _listed(m["list"], lead == "between")
    if not numbers:
        return None
    if m["deny"]:
        rest = tuple(n for n in range(1, MOST_ROUNDS + 1) if n not in numbers)
        return Asked(
            rest, notes=(f"the other rounds are taken up to {MOST_ROUNDS}, the most of a professional fight",)
        )
    if m["open"]:
        return _open_ended(numbers[0])
    if m["down"]:
        return Asked(tuple(range(1, numbers[-1] + 1)))
    if len(numbers) > 1:
        return Asked(tuple(sorted(numbers))) if lead not in ("after", "before") else None
    one = numbers[0]
    if lead in ("after", "since"):
        return _open_ended(one + (lead == "after"))
    if lead == "before":
        return Asked(tuple(range(1, one))) if one > 1 else None
    if lead in ("until", "till", "up to"):
        return Asked(tuple(range(1, one + 1)))
    return Asked((one,))


def _first_few(m: re.Match[str]) -> Asked | None:
    count = _number(m["n"])
    return (
        Asked(tuple(range(1, count + 1))) if m["lead"] not in ("after", "before") else _open_ended(count + 1)
    )


def _last_few(m: re.Match[str]) -> Asked | None:
    if m["lead"] in ("after", "before", "until"):
        return None
    if m["few"]:
        return Asked(("late",), notes=(_TAKEN.format("last few", "last third"),))
    count = _number(m["n"])
    return Asked(("last",) if count == 1 else (f"last {count}",))


def _third(m: re.Match[str]) -> Asked | None:
    word = {"late": "late", "later": "late", "closing": "late", "middle": "middle", "mid": "middle"}.get(
        m["w"], "early"
    )
    return Asked((word,), notes=(_TAKEN.format(word, _THIRDS[word]),))


def _half(m: re.Match[str]) -> Asked | None:
    half = "first half" if m["w"] in ("first", "front", "opening") else "second half"
    return Asked((half,), notes=("halves are of the fight's rounds, the first half rounded up",))


def _last(m: re.Match[str]) -> Asked | None:
    return Asked(("last",)) if m["lead"] not in ("before", "after", "until", "since") else None


def _championship(_: re.Match[str]) -> Asked | None:
    return Asked((11, 12), notes=("championship rounds are taken to mean rounds 11 and 12",))


# --- times ---------------------------------------------------------------------------------------------

_DURATION = (
    r"(?P<half>half(?: a)? sec(?:ond)?|half of a second)|(?P<quarter>(?:a )?quarter of a second)"
    r"|(?P<one>(?:a|one|1) sec(?:ond)?(?P<more> and (?:a )?half)?)"
    rf"|(?P<value>\d{{1,6}}(?:\.\d+)?|{_N})(?: ?(?P<and>and a half))? ?(?P<unit>s|secs?|seconds?|ms|msecs?|milliseconds?)(?!\w)(?P<and2> and a half)?"
)


def _us(m: re.Match[str]) -> int:
    if m["half"]:
        return 500_000
    if m["quarter"]:
        return 250_000
    if m["one"]:
        return 1_500_000 if m["more"] else 1_000_000
    value = Fraction(NUMBER_WORDS.get(m["value"], m["value"]))
    value += Fraction(1, 2) if m["and"] or m["and2"] else 0
    return from_seconds(value / 1000 if m["unit"][0] == "m" else value)


def _within(m: re.Match[str]) -> Asked | None:
    return Asked(within=_us(m), links=bool(m["of"]))


def _later(m: re.Match[str]) -> Asked | None:
    return Asked(within=_us(m), notes=("so much later is taken to mean within that time",))


def _at_once(_: re.Match[str]) -> Asked | None:
    return Asked(within=IMMEDIATELY_US, notes=("“immediately” is taken to mean within half a second",))


# --- dates ---------------------------------------------------------------------------------------------

_M = rf"(?:{'|'.join(sorted(MONTHS, key=len, reverse=True))})(?!\w)"
_Y = r"(?:1[89]\d\d|20\d\d|21\d\d)(?!\w)"
_DAY = r"\d{1,2}(?:st|nd|rd|th)?"
_DATE = rf"(?:\d{{4}}-\d{{1,2}}-\d{{1,2}}|{_DAY}(?: of)? {_M}(?: ,)? {_Y}|{_M} {_DAY}(?: ,)? {_Y}|{_M}(?: ,)? {_Y}|{_Y}|\d{{1,2}}[/.]\d{{1,2}}[/.]\d{{2,4}})"
_Day = datetime.date
_Span = tuple[_Day, _Day]


def _span(text: str) -> _Span | None:
    """A day, a month or a year as a stretch of days."""
    parts = re.findall(r"\d+|[a-z]+", text)
    try:
        if re.fullmatch(r"\d{4}-\d+-\d+", text):
            one = _Day(*map(int, parts))
            return one, one
        if "/" in text or re.fullmatch(r"\d+\.\d+\.\d+", text):
            return _slashed([int(p) for p in parts])
        year = int(parts[-1])
        month = next((MONTHS[p] for p in parts if p in MONTHS), None)
        day = next((int(p) for p in parts[:-1] if p.isdigit()), None)
        if month is None:
            return _Day(year, 1, 1), _Day(year, 12, 31)
        if day is not None:
            return _Day(year, month, day), _Day(year, month, day)
        after = _Day(year + month // 12, month % 12 + 1, 1)
        return _Day(year, month, 1), after - datetime.timedelta(days=1)
    except ValueError:
        return None


def _slashed(parts: list[int]) -> _Span | None:
    """“25/12/24”; where day and month could be either way round, nothing is guessed."""
    one, two, year = parts
    year += 2000 if year < 100 else 0
    if one <= 12 and two <= 12 and one != two:
        return None
    day = _Day(year, two, one) if two <= 12 else _Day(year, one, two)
    return day, day


def _dates(m: re.Match[str]) -> Asked | None:
    lead, last = m["when"] or "", m["last"]
    first = m["first"]
    if last and re.fullmatch(_M, first):  # “June to September 2024”
        first += " " + last[-4:]
    begin = _span(first)
    if begin is None:
        return None
    if last:
        end = _span(last)
        if (
            end is None
            or end[1] < begin[0]
            or (
                m["join"] in ("or", "and")
                and lead != "between"
                and end[0] - begin[1] != datetime.timedelta(days=1)
            )
        ):
            return None
        return Asked(dates=(begin[0], end[1]))
    return None if lead == "between" else Asked(dates=_stretch(lead, begin, bool(m["on"])))


def _stretch(lead: str, span: _Span, onwards: bool) -> tuple[_Day | None, _Day | None]:
    day = datetime.timedelta(days=1)
    if lead == "since" or onwards:
        return span[0], None
    if lead == "after":
        return span[1] + day, None
    if lead == "before":
        return None, span[0] - day
    if lead in ("until", "till"):
        return None, span[1]
    return span


_TABLE: tuple[tuple[str, str, Reader], ...] = (
    (
        "R",
        rf"{_DENY}{_LEAD}(?:rounds?|rds?|rnds?)(?: (?:number|no))? (?P<list>{_N}(?:{_SEP}(?:round )?(?:the )?{_N})*){_OPEN}",
        _rounds,
    ),
    ("R", rf"{_DENY}{_LEAD}(?:r|rd|rnd)(?P<list>\d{{1,2}}(?:{_SEP}r?\d{{1,2}}(?!\w))*){_OPEN}", _rounds),
    (
        "R",
        rf"{_DENY}{_LEAD}(?P<list>{_O}(?:{_SEP}(?:the )?{_O})*) -?(?:rounds?|rds?|rnds?)(?!\w){_OPEN}",
        _rounds,
    ),
    (
        "R",
        rf"(?P<deny>(?:in )?(?:all|any|every)(?: rounds?)? (?:but|except|bar) )the (?P<list>{_O})(?P<lead>)(?P<open>)(?P<down>){_ENDS}",
        _rounds,
    ),
    (
        "R",
        rf"(?P<deny>)(?P<lead>in|during|after|before|from|since) the (?P<list>{_O}(?:{_SEP}(?:the )?{_O})*){_OPEN}{_ENDS}",
        _rounds,
    ),
    ("R", rf"{_LEAD}(?:first|opening) (?P<n>{_N}) (?:rounds|rds|rnds)", _first_few),
    ("R", rf"(?P<lead>in|during) the first (?P<n>{_N}){_ENDS}", _first_few),
    (
        "R",
        rf"{_LEAD}(?:last|final|closing) (?:(?P<few>few|couple(?: of)?)|(?P<n>{_N})) (?:rounds|rds|rnds)",
        _last_few,
    ),
    (
        "R",
        rf"(?P<lead>in|during) the (?:last|final) (?P<few>few )?(?P<n>{_N})?{_ENDS}(?<=\w)(?<!last)(?<!final)",
        _last_few,
    ),
    ("R", rf"{_LEAD}(?:last|final|closing) (?:round|rd)(?!\w)", _last),
    ("R", r"(?P<lead>in|during) the (?:last|final)(?= ?(?:$|,))", _last),
    ("R", rf"{_LEAD}opening (?:round|rd)(?!\w)", lambda _: Asked((1,))),
    ("R", rf"{_LEAD}championship rounds", _championship),
    ("R", rf"{_LEAD}(?P<w>late|later|closing|early|earlier|opening|middle|mid) (?:rounds|rds)", _third),
    ("R", rf"{_LEAD}(?P<w>first|second|latter|back|front|opening) half(?: of {_FIGHT})?", _half),
    ("R", rf"{_LEAD}(?P<w>late|later|early|earlier) (?:in|on in) {_FIGHT}", _third),
    ("R", r"(?P<w>late|early)(?= ?(?:$|,|(?:body|head)(?!\w)))", _third),
    ("R", rf"{_LEAD}(?P<w>late|early|middle) (?:part|third|stages|going)(?: of {_FIGHT})?", _third),
    (
        "T",
        rf"(?:within|inside|<|in (?:under|less than)|less than|no more than|under) (?:about |the )?(?:{_DURATION})(?: later| afterwards| apart)?(?P<of> of)?(?!\w)",
        _within,
    ),
    ("T", rf"(?:{_DURATION}) (?:later|afterwards)(?!\w)", _later),
    (
        "T",
        r"(?:immediately|instantly|directly|at once|straight ?away|(?:right|straight) (?:away|afterwards))(?!\w)(?: afterwards)?",
        _at_once,
    ),
    (
        "T",
        r"(?<!the )(?<!a )(?<!his )(?<!overhand )(?<!straight )(?<!with )(?<!or )(?:right|straight)(?= (?:after|behind) )",
        _at_once,
    ),
    (
        "D",
        rf"(?:(?P<when>in|since|before|after|from|until|till|on|during|between|of) )?(?P<first>{_DATE}|{_M}(?= (?:to|and|until|through) {_M}))(?: (?P<join>to|and|or|until|till|through) (?:in )?(?P<last>{_DATE}))?(?P<on> on(?=$)| onwards?)?(?!\w)",
        _dates,
    ),
)


@cache
def _compiled() -> tuple[tuple[str, re.Pattern[str], Callable[..., Any]], ...]:
    """The table, when the first phrase comes that may hold one of them: compiling it takes as long as reading."""
    return tuple((kind, re.compile(pattern), reader) for kind, pattern, reader in _TABLE)


_TRIGGER = re.compile(
    r"<|round|rd|rnd|\br\d|first|second|third|last|final|half|late|early|\d|within|immediate|instant|direct|away|afterwards|right|straight|less|once|mid|"
    + "|".join((*_ORDINALS, *(m for m in MONTHS if m != "may" and len(m) > 3)))
)


class Spelt:
    """The phrase's words as one text, with the place of each word in it."""

    def __init__(self, tokens: Sequence[Token]):
        pieces, self.at, self.bare, length = [], [], [], 0
        for token in tokens:
            det = token.det + " " if token.det else ""
            word = det + ("-" if token.joined else "") + token.norm
            self.at.append(length)
            self.bare.append(length + len(det))
            pieces.append(word)
            length += len(word) + 1
        self.text = " ".join(pieces)
        self.ends = {
            start + len(piece): index + 1
            for index, (start, piece) in enumerate(zip(self.at, pieces, strict=True))
        }
        self.plain = not _TRIGGER.search(self.text)

    def filters(self, at: int) -> list[tuple[int, str, Asked]]:
        """(first word after it, kind, what it asks) of each stretch that begins with a word."""
        if self.plain:
            return []
        found = []
        for kind, pattern, reader in _compiled():
            match = pattern.match(self.text, self.at[at]) or pattern.match(self.text, self.bare[at])
            if match and (end := self.ends.get(match.end())) and end > at:
                asked = reader(match)
                if asked is not None:
                    found.append((end, kind, asked))
        return found
