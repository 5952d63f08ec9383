"""Rounds, times and dates: stretches of a phrase with a form of their own, recognised on tokens.

Each reader takes the tokens and a place in them and returns (how many tokens, what they say), or None.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from cliplib.core.timebase import from_seconds
from cliplib.phrases.dates import MONTHS, Dates, read_dates
from cliplib.phrases.tokens import Token
from cliplib.phrases.wordreader import NUMBER_WORDS, TO, WordReader

MOST_ROUNDS = 12
"""Most rounds of a professional contest (COMAR 09.14.06.16); open-ended stretches end there."""
IMMEDIATELY_US = 500_000
"""What "immediately" is taken to mean (common practice; a simple reaction takes about 0.35 s)."""
LONGEST_CONTEST = 15
"""Most rounds that a contest of the archive may have had (common practice before the 1980s; from memory)."""
CHAMPIONSHIP_ROUNDS = (11, 12)

_ROUND = frozenset(("round", "rd", "rnd"))
_ROUNDS = frozenset(("rounds", "rds", "rnds"))
_SAVE = frozenset(("but", "except", "bar", "excluding"))
_IN = frozenset(("in", "during", "from", "of", "for", "over", "at", "only"))
_SIDED = frozenset(("overhand", "straight", "or", "with"))
_SECONDS = frozenset(("s", "sec", "secs", "second", "seconds"))
_MILLISECONDS = frozenset(("ms", "msec", "millisecond", "milliseconds"))
_TAKEN = "{} rounds are taken to mean the {} of a fight's rounds"
_HALVES = "halves are of the fight's rounds, the first half rounded up"
_CONTEST = frozenset(("fight", "fights", "bout", "bouts", "contest"))
_LATE_WHAT = frozenset(("", "body", "head"))
"""What may follow “late” when it means the rounds; a late slip or a late counter is late for its punch."""
_EDGES = ("after", "before", "since", "until", "till", "by")
_STRETCHES = (
    (("late", "later", "closing"), "late", _TAKEN.format("late", "last third")),
    (("early", "earlier", "opening"), "early", _TAKEN.format("early", "first third")),
    (("middle", "mid"), "middle", _TAKEN.format("middle", "middle third")),
)


@dataclass(frozen=True, slots=True)
class Rounds:
    rounds: tuple[int | str, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Within:
    us: int
    note: str = ""
    links: bool = False  # "within 1 second of": also says that what follows came earlier


Filter = Rounds | Within | Dates


def read_filter(tokens: Sequence[Token], at: int) -> tuple[int, Filter] | None:
    """The filter that begins at `at`: (tokens taken, filter)."""
    for read in (_rounds, _within, read_dates):
        reader = WordReader(tokens, at)
        found: Filter | None = read(reader)
        if found is not None:
            return reader.at - at, found
    return None


# --- rounds -------------------------------------------------------------------------------------------


def _rounds(r: WordReader) -> Rounds | None:
    denied = _denial(r)
    found = _asked_rounds(r, denied)
    if found is None or not denied:
        return found
    numbers = [n for n in found.rounds if isinstance(n, int)]
    if len(numbers) < len(found.rounds) or not numbers:
        return None  # "not in the last round" cannot be asked for
    rounds = tuple(n for n in range(1, MOST_ROUNDS + 1) if n not in numbers)
    return Rounds(rounds, f"the other rounds are taken up to {MOST_ROUNDS}, the most of a professional fight")


def _denial(r: WordReader) -> bool:
    """“except”, “but not”, “any round but”."""
    at = r.at
    r.take(_IN)
    if r.take({"all", "any", "every"}):
        r.take(_ROUND | _ROUNDS)
        if r.take(_SAVE):
            return True
    r.at = at
    r.take({"but", "and", ","})
    if r.take({"except", "excluding", "excepting", "not"}):
        r.take({"for"})
        return True
    if r.take({"outside"}):
        r.take({"of"})
        return True
    r.at = at
    return False


def _asked_rounds(r: WordReader, denied: bool) -> Rounds | None:
    lead = r.take(_IN | {"after", "before", "since", "until", "till", "by", "up", "between"})
    if lead == "up":
        if not r.take({"to", "until"}):
            return None
        lead = "until"
    if denied and not lead:
        lead = "in"
    return _round_word(r, lead) or _numbered_rounds(r, lead) or _ordinal_rounds(r, lead)


def _round_word(r: WordReader, lead: str) -> Rounds | None:
    at = r.at
    word = r.peek()
    plural = r.peek(1)
    if word in ("last", "final", "closing") and plural in _ROUND:
        r.at += 2
        if lead in ("before",):
            r.at = at
            return None
        return Rounds(("last",))
    if word in ("last", "final", "closing") and lead not in _EDGES:
        r.at += 1
        few = bool(r.take({"few", "couple"}))
        r.take({"of"} if few else ())
        count = None if few else r.cardinal()
        if (few or count is not None) and (r.take(_ROUNDS) or _ends(r, lead, at)):
            return Rounds(("late",), _TAKEN.format("last few", "last third")) if few else Rounds(_last(count))
        r.at = at
    if word in ("first", "second", "latter", "back", "front") and plural == "half" and lead not in _EDGES:
        r.at += 2
        if r.take({"of"}):
            r.take(_CONTEST)
        half = "first half" if word in ("first", "front") else "second half"
        return Rounds((half,), _HALVES)
    for names, value, note in _STRETCHES:
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
    if word == "late" and plural in ("in", "on") and r.peek(2) in _CONTEST:
        r.at += 3
        return Rounds(("late",), "late in a fight is taken to mean the last third of its rounds")
    if word == "early" and plural in ("in", "on") and r.peek(2) in _CONTEST:
        r.at += 3
        return Rounds(("early",), "early in a fight is taken to mean the first third of its rounds")
    if not lead and word in ("late", "early") and plural in _LATE_WHAT:
        r.at += 1
        return Rounds((word,), _TAKEN.format(word, "last third" if word == "late" else "first third"))
    return None


def _numbered_rounds(r: WordReader, lead: str) -> Rounds | None:
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


def _stretch(r: WordReader, lead: str, first: int) -> Rounds | None:
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
        ranging = "" if listing else r.take(TO)
        r.take(_ROUND)
        next_word = r.peek()
        if next_word[:1] == "r" and next_word[1:].isdigit():
            number: int | None = int(next_word[1:])
            r.at += 1
        else:
            number = r.cardinal()
        # "rounds 1, 2, 3-2"? A number that goes on as a combination is not a round.
        late = number is not None and (number > LONGEST_CONTEST or r.peek() in MONTHS)  # "until 31 December"
        if number is None or late or not (listing or ranging):
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
        # "in round 2 on the ropes" is about the ropes, not about later rounds.
        on = r.peek() == "on" and (r.peek(1) in ("", ",") or (lead == "from" and not r.determiner(1)))
        if (
            (on and r.take({"on"}))
            or r.take({"onwards", "onward", "upwards", "plus", "+"})
            or (r.take({"and"}) and r.take({"on", "onwards", "later", "after", "beyond", "up", "upwards"}))
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


def _last(count: int | None) -> tuple[int | str, ...]:
    """The last `count` rounds, counted back from a fight's last."""
    return ("last",) if count == 1 else (f"last {count}",)


def _open(first: int, last: int) -> Rounds:
    rounds = tuple(range(first, max(first, last) + 1))
    return Rounds(
        rounds, f"rounds from {first} on are taken up to {rounds[-1]}, the most of a professional fight"
    )


def _ends(r: WordReader, lead: str, start: int) -> bool:
    """“in the third” is a round; “a second” is not, and neither is “the first jab”."""
    ends = r.peek() in ("", ",", "against", "by", "then", "on", "and", "v", "vs", "in", "within", "onwards")
    the = r.tokens[start].determiner == "the" if start < len(r.tokens) else False
    return ends and the and lead in ("in", "during", "after", "before", "from", "since")


def _ordinal_rounds(r: WordReader, lead: str) -> Rounds | None:
    start = r.at
    first = r.ordinal()
    if first is None:
        return None
    at = r.at
    count = r.cardinal()
    if first == 1 and count is not None and (r.take(_ROUNDS) or _ends(r, lead, start)):  # "first four rounds"
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
        ranging = "" if listing else r.take(TO)
        number = r.ordinal() if listing or ranging else None
        if number is None:
            r.at = at
            break
        numbers.extend(range(numbers[-1] + 1, number + 1) if ranging else (number,))
    named = bool(r.take(_ROUND) or r.take(_ROUNDS))
    if not named and not _ends(r, lead, start):
        return None
    if len(numbers) == 1:
        return _stretch(r, lead, first)
    return Rounds(tuple(dict.fromkeys(numbers))) if lead not in ("after", "before") else None


# --- times ---------------------------------------------------------------------------------------------


def _within(r: WordReader) -> Within | None:
    word = r.take({"immediately", "instantly", "straight", "right", "at", "directly"})
    if word in ("right", "straight") and (r.determiner(-1) or (r.at > 1 and r.peek(-2) in _SIDED)):
        return None  # "overhand right behind the jab", "a right after the jab"
    if word:
        follows = r.peek() in ("after", "behind")
        adverb = word in ("immediately", "instantly", "directly")
        at_once = word == "at" and bool(r.take(("once",)))
        away = word in ("straight", "right") and (bool(r.take(("away", "afterwards"))) or follows)
        if not (adverb or at_once or away):
            return None
        return Within(IMMEDIATELY_US, "“immediately” is taken to mean within half a second")
    at = r.at
    later = _duration(r)
    if later is not None and r.take({"later", "afterwards"}):
        return Within(later, "so much later is taken to mean within that time")
    r.at = at
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


def _duration(r: WordReader) -> int | None:
    if r.take({"half"}):
        return 500_000 if r.take({"second", "sec"}) else None
    if r.take({"quarter"}):
        r.take({"of"})
        return 250_000 if r.take({"second", "sec"}) else None
    word = r.peek()
    if word in ("second", "sec"):  # "within a second", "within a second and a half"
        r.at += 1
        half = r.peek() == "and" and r.peek(1) == "half"
        r.at += 2 if half else 0
        return 1_500_000 if half else 1_000_000
    digits = word.rstrip("abcdefghijklmnopqrstuvwxyz")
    unit = word[len(digits) :]
    value: Fraction | None = None
    if digits and digits.replace(".", "", 1).isdigit() and len(digits) < 12:
        value = Fraction(digits)
        r.at += 1
    elif word in NUMBER_WORDS:
        value, unit = Fraction(NUMBER_WORDS[word]), ""
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
