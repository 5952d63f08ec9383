"""Every way in which each stretch of a phrase is known."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from cliplib.phrases.chart import Edge
from cliplib.phrases.filters import NUMBER_WORDS, Spelt
from cliplib.phrases.lexicon import (
    LETTERS,
    SHORT,
    SKIP,
    Lexicon,
    Names,
    Sense,
    lexicon_of,
    name_words,
    title_words,
)
from cliplib.phrases.meanings import CORNER, Asked, Event, Mod, Person, Story
from cliplib.phrases.suggest import suggest
from cliplib.phrases.tokens import PRONOUNS, Token, listed, tokenise
from cliplib.vocabulary import Vocabulary

WORD_COST = 1.0
UNREAD_COST = 5.0
"""What it costs to leave a word that is known aside, and to say so."""
FOUL_COST = 0.5
"""... of a turn of phrase that is known to be none of ours."""
_SHORTEST = 4
"""Letters of a name's beginning that may stand for the name, if only one fighter's name begins so."""
_NUMBER = re.compile(r"(\d{1,2})([bh]?)")
_COUNTED = frozenset(
    listed("second seconds sec secs s ms rounds rds milliseconds fights minute minutes times")
)
_PARTICLES = frozenset(("down", "up", "off", "away", "back", "miss", "pay", "out", "onto", "into"))
_NOT_PLAYED = frozenset(("hall", "round", "rounds", "rd", "no", "number", "r"))
_SMALL = frozenset((SKIP, "THROW", "IS", "GET", "DO", "HAVE", "TRY", "GO", "TO", "AFTER", "ANYTHING"))


class Lexed(NamedTuple):
    """`kept`: the token at each place that the edges count; `unknown`: tokens that are not known, with full
    names that
    they may be."""

    edges: list[Edge]
    tokens: list[Token]
    kept: list[int]
    unknown: list[tuple[int, tuple[str, ...]]]


def lex(phrase: str, vocabulary: Vocabulary, names: Names, *, log: bool = False) -> Lexed:
    lexicon = lexicon_of(vocabulary)
    tokens = tokenise(phrase)
    tokens = _close_up(tokens if log else _in_full(tokens, names), lexicon, names)
    found = list(_Finder(tokens, lexicon, vocabulary, names, log).all())
    found = [f for f in found if not _of_unknown(f, found, tokens, vocabulary)]
    covered = [False] * len(tokens)
    bound = [False] * len(tokens)
    price = [0.0] * len(tokens)
    for start, end, symbol, meaning in found:
        for at in range(start, end):
            covered[at] = True
            bound[at] = bound[at] or symbol != SKIP
        if symbol == SKIP and end == start + 1:
            price[start] = meaning
    unknown = [(at, names.fighters.get(t.norm, ())) for at, t in enumerate(tokens) if not covered[at]]
    keep = [at for at in range(len(tokens)) if covered[at] and (bound[at] or price[at] > 0.3)]
    # Places of what is kept; what is dropped takes no place.
    place, count = [], 0
    kept = set(keep)
    for at in range(len(tokens)):
        place.append(count)
        count += at in kept
    place.append(count)
    edges = []
    for start, end, symbol, meaning in found:
        if start not in kept and end == start + 1:
            continue
        if place[start] == place[end]:
            continue
        if symbol == "FOUL":
            edges.append(
                Edge(place[start], place[end], "U", FOUL_COST, tuple(range(place[start], place[end])))
            )
            edges.append(
                Edge(place[start], place[end], "FOUL", FOUL_COST, tuple(range(place[start], place[end])))
            )
        elif symbol == SKIP:
            edges.append(Edge(place[start], place[end], SKIP, WORD_COST + meaning, None))
        else:
            edges.append(
                Edge(
                    place[start],
                    place[end],
                    symbol,
                    WORD_COST + _DEARER.get(symbol, 0.02 * symbol.endswith(".b")),
                    meaning,
                )
            )
    edges += [Edge(i, i + 1, "U", UNREAD_COST - 0.002 * i, (i,)) for i, at in enumerate(keep)]
    return Lexed(edges, tokens, keep, unknown)


def _in_full(tokens: Sequence[Token], names: Names) -> list[Token]:
    """Shorthand written out: “RH” is two words in one place."""
    out: list[Token] = []
    for token in tokens:
        words = SHORT.get(token.norm) if token.norm not in names.fighters and not token.possessive else None
        if words is None:
            out.append(token)
            continue
        first, *rest = words.split()
        out.append(token._replace(norm=first))
        out.extend(token._replace(norm=word, joined=False, det="") for word in rest)
    return out


_DEARER = {"OUT.d": 0.04}
"""What is a little less likely of a word that is several things."""
_ADJECTIVES = ("SIDE.adj", "SIDE.n", "HAND.adj", "TGT.adj")


_ALONG = frozenset(
    listed(
        "down up around under through across along from at in on out away again there here big over off it"
    )
)


def _of_unknown(
    one: tuple[int, int, str, Any],
    found: Sequence[tuple[int, int, str, Any]],
    tokens: Sequence[Token],
    vocabulary: Vocabulary,
) -> bool:
    """“His left foot”: what is said of a word that is not known, and no punch misspelt, says nothing."""
    end = one[1]
    if (
        one[2] not in _ADJECTIVES
        or end >= len(tokens)
        or any(f[0] <= end < f[1] for f in found)
        or not tokens[end].norm.isalpha()
    ):
        return False
    if tokens[end].norm in _ALONG or tokens[end - 1].norm in (
        "hand",
        "hands",
    ):  # “right hand” is a punch by itself
        return False
    return (
        tokens[one[0]].det in ("his", "the", "")
        and not suggest(tokens[end].norm, vocabulary, None)
        and len(tokens[end].norm) > 2
    )


def _close_up(tokens: list[Token], lexicon: Lexicon, names: Names) -> list[Token]:
    """“Knocks Brandt down”, “fires the right hand back”: the last word of a verb goes to its verb."""
    out = list(tokens)
    for at in [i for i, token in enumerate(out) if token.norm in _PARTICLES and i > 1]:
        for start in range(at - 2, max(-1, at - 6), -1):
            verb = (out[start].norm, out[at].norm)
            between = out[start + 1 : at]
            if any(t.norm == "," or t.norm in ("and", "then", "with", "as", "when") for t in between):
                break
            if (
                verb in lexicon.verbs
                and not out[start].possessive
                and out[start].norm not in ("backs", "back", "backed")
            ):
                if out[at].norm in ("onto", "into") and (
                    len(between) != 1 or between[0].norm not in PRONOUNS
                ):
                    break
                if _object(between, names, lexicon):
                    if between[-1].norm == "straight" and len(between) > 1:
                        out[at - 1] = out[at - 1]._replace(norm="straight back")  # how it goes, and no punch
                    out.insert(start + 1, out.pop(at))
                break
    return out


def _object(between: Sequence[Token], names: Names, lexicon: Lexicon) -> bool:
    """A person, or a punch with its article."""
    if len(between) > 1 and between[-1].norm == "straight":
        between = between[:-1]
    words = [t.norm for t in between]
    if len(words) == 1 and words[0] in (
        "him",
        "her",
        "them",
        "it",
        "me",
        "us",
        "you",
        "opponent",
        "southpaw",
        "orthodox",
        "straight",
    ):
        return True
    if all(w in names.fighters for w in words):
        return not between[-1].possessive
    if not between[0].det and not between[0].possessive:
        return False
    ends = (
        s
        for at in range(len(between))
        for end, senses in lexicon.all(between, at)
        if end == len(between)
        for s in senses
    )
    return any(s.symbol.split(".")[0] in ("P", "SIDE", "HAND") for s in ends)


class _Finder:
    """What is known of each stretch: (start, end, symbol, meaning)."""

    def __init__(
        self, tokens: Sequence[Token], lexicon: Lexicon, vocabulary: Vocabulary, names: Names, log: bool
    ):
        self.log = log
        self.tokens, self.lexicon, self.vocabulary, self.names = tokens, lexicon, vocabulary, names
        self.spelt = Spelt(tokens)

    def all(self) -> Iterator[tuple[int, int, str, Any]]:
        for at in range(len(self.tokens)):
            yield from self._filters(at)
            yield from self._fights(at)
            yield from self._numbers(at)
            named = list(self._people(at))
            yield from named
            corner = self._corner(at)
            if corner:
                yield corner
            yield from self._words(at, any(symbol == "PERSONS" for _, _, symbol, _ in named))

    def _filters(self, at: int) -> Iterator[tuple[int, int, str, Any]]:
        best: dict[str, tuple[int, Asked]] = {}
        for end, kind, asked in self.spelt.filters(at):
            if kind not in best or end > best[kind][0]:
                best[kind] = (end, asked)
        for kind, (end, asked) in best.items():
            yield at, end, "WITHIN" if kind == "T" else "FILT", asked

    def _words(self, at: int, named: bool) -> Iterator[tuple[int, int, str, Any]]:
        det = self.tokens[at].det
        if self.tokens[at].norm == "straight" and self._along(at):
            yield at, at + 1, "FOUL", None
            return
        for end, senses in self.lexicon.all(self.tokens, at):
            possessive = self.tokens[end - 1].possessive
            for sense in senses:
                if named and sense.symbol != SKIP:
                    continue
                yield from self._sense(at, end, sense, det, possessive)

    def _backs_up(self, at: int) -> bool:
        return at > 1 and self.tokens[at - 1].norm == "up" and self.tokens[at - 2].norm.startswith("back")

    def _along(self, at: int) -> bool:
        """“walks straight in”, “pulls back straight”: no punch."""
        before, after = (self.tokens[i].norm if 0 <= i < len(self.tokens) else "" for i in (at - 1, at + 1))
        if after == "in" and at + 2 < len(self.tokens) and self.tokens[at + 2].norm not in (",", "and"):
            return False
        return not self.tokens[at].det and (
            after in ("in", "into", "back", "forward", "up") or before in ("back", "in") or self._backs_up(at)
        )

    def _sense(
        self, at: int, end: int, sense: Sense, det: str, possessive: bool
    ) -> Iterator[tuple[int, int, str, Any]]:
        symbol, meaning = sense.symbol, sense.meaning
        if symbol == SKIP:
            yield at, end, SKIP, sense.cost
        elif isinstance(meaning, Person):
            yield at, end, "PERSONS" if possessive else symbol, meaning._replace(det=det)
        elif possessive:
            return
        elif symbol == "MATCH":
            yield at, end, "FILT", Asked(match=meaning)
        elif symbol == "SIDE.adj" and end == at + 1 and len(self.tokens[at].norm) == 1:
            yield at, end, symbol, meaning
            if not self.log:
                yield at, end, "SIDE.n", meaning
        elif det and symbol in ("WHEN", "THROW", "GETHIT"):
            return
        elif det and isinstance(meaning, (Mod, Story)):
            yield at, end, symbol, meaning._replace(det=det)
        else:
            yield at, end, symbol, meaning

    # --- people and fights -----------------------------------------------------------------------------

    def _people(self, at: int) -> Iterator[tuple[int, int, str, Any]]:
        full = self._full(at)
        if full:
            end, name = full
            symbol = "PERSONS" if self.tokens[end - 1].possessive else "PERSON"
            yield at, end, symbol, Person("name", name)
            return
        token = self.tokens[at]
        owners = self._owners(token)
        if len(owners) == 1 and self._is_name(at, token):
            yield at, at + 1, "PERSONS" if token.possessive else "PERSON", Person("name", owners[0])

    def _corner(self, at: int) -> tuple[int, int, str, Any] | None:
        """“red”, “the blue corner's”: two people, whoever they are."""
        token = self.tokens[at]
        if token.norm not in ("red", "blue"):
            return None
        end = at + 1
        if (
            not token.possessive
            and end < len(self.tokens)
            and self.tokens[end].norm in ("corner", "fighter", "man")
        ):
            end += 1
        corners = self.names.corners
        name = corners[token.norm == "blue"] if corners else CORNER + token.norm
        return at, end, "PERSONS" if self.tokens[end - 1].possessive else "PERSON", Person("name", name)

    def _owners(self, token: Token) -> tuple[str, ...]:
        word = token.norm
        found = self.names.fighters.get(word) or (
            self.names.fighters.get(word + "'s") if token.possessive else None
        )
        if found:
            return found
        if len(word) < _SHORTEST or not self.names.fighters or word in self.lexicon.words:
            return ()
        begun = {n for w, owners in self.names.fighters.items() if w.startswith(word) for n in owners}
        return tuple(begun) if len(begun) == 1 else ()

    def _is_name(self, at: int, token: Token) -> bool:
        """Whether a word that is also one of the trade is the name here: “Cross's jab”."""
        senses = [s for end, found in self.lexicon.all(self.tokens[at : at + 1], 0) for s in found]
        return not senses or token.possessive or all(s.symbol in _SMALL for s in senses)

    def _full(self, at: int) -> tuple[int, str] | None:
        tokens, names = self.tokens, self.names
        word = tokens[at].norm
        if len(word) == 1 and word.isalpha() and at + 1 < len(tokens):  # “T. Vâlcan”
            owners = [
                n
                for n in names.fighters.get(tokens[at + 1].norm, ())
                if name_words(n)[0][0] == word != name_words(n)[0]
            ]
            if len(owners) == 1 and name_words(owners[0])[0] != tokens[at + 1].norm:
                return at + 2, owners[0]
        if word not in names.fighters:
            return None
        best: tuple[int, str] | None = None
        words: list[str] = []
        owners_left = set(names.fighters[word])
        for index in range(at, min(len(tokens), at + names.longest)):
            words.extend(name_words(tokens[index].norm))
            owners_left &= set(names.fighters.get(tokens[index].norm, ()))
            name = names.full.get(tuple(words)) or (
                next(iter(owners_left)) if len(owners_left) == 1 and len(words) > 1 else None
            )
            if name and (len(words) > 1 or (len(name_words(name)) == 1 and self._is_name(at, tokens[at]))):
                best = index + 1, name
            if tokens[index].possessive:
                break
        return best

    def _fights(self, at: int) -> Iterator[tuple[int, int, str, Any]]:
        if not self.names.fights:
            return
        start = at
        while (
            start < len(self.tokens)
            and start - at < 3
            and self.tokens[start].norm in ("in", "from", "fight", "of")
        ):
            start += 1
        words = title_words(self.tokens[start : start + self.names.longest])
        for length in range(len(words), 1, -1):
            titles = self.names.fights.get(words[:length])
            if titles:
                yield at, start + length, "FILT", Asked(fight=titles[0])
                return
        pair = self._pair(start)
        if pair:
            yield at, pair[0], "FILT", Asked(fight=pair[1])

    def _pair(self, at: int) -> tuple[int, str] | None:
        """“Brandt v Adeyemi” for the fight titled “Adeyemi v Brandt”, “Brandt-Morinaga”: if there is just
        one such."""
        one = next(self._people(at), None) if at < len(self.tokens) else None
        if one is None or one[2] != "PERSON":
            return None
        middle = one[1]
        rest = self.tokens[middle : middle + 1]
        if rest and rest[0].norm in ("v", "vs", "versus"):
            middle += 1
        elif not rest or not rest[0].joined:
            return None
        two = next(self._people(middle), None) if middle < len(self.tokens) else None
        if two is None or two[2] != "PERSON":
            return None
        a, b = (set(name_words(person[3].name)) for person in (one, two))
        titles = [t for key, ts in self.names.fights.items() if a & set(key) and b & set(key) for t in ts]
        return (two[1], titles[0]) if len(titles) == 1 and a != b else None

    # --- gym numbers and counts --------------------------------------------------------------------------

    def _numbers(self, at: int) -> Iterator[tuple[int, int, str, Any]]:
        """`1-1-2`, `3b`, `one-two`; never a round, a count or a time."""
        token = self.tokens[at]
        count = self._count(at)
        if count:
            yield count
            return
        if at and self.tokens[at - 1].norm in _NOT_PLAYED:
            return
        events: list[Event] = []
        index = at
        while index < len(self.tokens) and (event := self._number(index, bool(events))) is not None:
            if events and self.tokens[index].det:
                break
            events.append(event)
            index += 1
        alone = token.norm in NUMBER_WORDS and len(events) == 1 and not token.joined
        if not events or (alone and token.det not in ("the", "a", "his", "your")):
            return
        plural = self.tokens[index - 1].norm.endswith("s") and self.tokens[index - 1].norm not in NUMBER_WORDS
        for end in {index, at + 1} if index > at + 1 and not self.tokens[at + 1].joined else {index}:
            told = tuple(events[: end - at])
            yield at, end, "NUM", Story(told, (0, len(told)), form="p" if plural else "nb", det=token.det)

    def _count(self, at: int) -> tuple[int, int, str, Any] | None:
        """“3 jabs”, “2x”, “x2”, “twice”, “3 times”."""
        word = self.tokens[at].norm
        if word == "twice":
            return at, at + 1, "TIMES", Mod("times", ("2",))
        if len(word) == 2 and "x" in word and word.strip("x").isdigit():
            return at, at + 1, "TIMES" if word[0] == "x" else "MULT", Mod("times", (word.strip("x"),))
        number = NUMBER_WORDS.get(word) or (int(word) if word.isdigit() and len(word) < 3 else 0)
        if not 2 <= number <= 10 or at + 1 >= len(self.tokens):
            return None
        after = self.tokens[at + 1]
        if after.norm == "times":
            return at, at + 2, "TIMES", Mod("times", (str(number),))
        many = len(after.norm) == 2 and after.norm[0].isdigit() and after.norm[1] == "s"
        if after.joined or not (many or self._plural(at + 1)):
            return None
        return at, at + 1, "MULT", Mod("times", (str(number),))

    def _plural(self, at: int) -> bool:
        while at < len(self.tokens):
            senses = [s for _, found in self.lexicon.all(self.tokens, at) for s in found]
            if any(s.symbol[2:] in ("p", "p3") and s.symbol[0] in LETTERS.values() for s in senses):
                return True
            if not any(s.symbol.split(".")[0] in ("SIDE", "HAND", "TGT", "ROLE", "OUT") for s in senses):
                return False
            at += 1
        return False

    def _number(self, at: int, inside: bool) -> Event | None:
        token = self.tokens[at]
        after = self.tokens[at + 1] if at + 1 < len(self.tokens) else None
        if after is not None and not after.joined and after.norm in _COUNTED:
            return None
        if inside and not token.joined and self._count(at):
            return None
        word = token.norm
        if word in NUMBER_WORDS:
            entry, target = self.vocabulary.numbers.get(str(NUMBER_WORDS[word])), None
        else:
            many = (
                word.endswith("s") and len(word) > 1 and word[-2:] != "ss" and (inside or not self._timed(at))
            )
            match = _NUMBER.fullmatch(word.removesuffix("s") if many else word)
            if not match:
                return None
            entry, target = (
                self.vocabulary.numbers.get(match[1].lstrip("0") or "0"),
                {"b": "body", "h": "head"}.get(match[2]),
            )
        if entry is None:
            return None
        kind = LETTERS[self.vocabulary.kind(entry.technique)]
        return Event(
            entry.technique,
            kind,
            hand=entry.hand,
            target=target or entry.target,
            fixed=self.vocabulary.hand(entry.technique),
        )

    def _timed(self, at: int) -> bool:
        """“within 2s”, “2s later”."""
        before = self.tokens[at - 1].norm if at else ""
        after = self.tokens[at + 1].norm if at + 1 < len(self.tokens) else ""
        return before in ("in", "within", "inside", "after", "under", "than", "for") or after in (
            "later",
            "after",
            "apart",
            "of",
        )
