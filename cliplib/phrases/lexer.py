"""Tokens to items: each stretch of a phrase with what it can stand for, longest match first."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from cliplib.phrases.filters import Filter, read_filter
from cliplib.phrases.lexicon import Lexicon, Names, Sense, Senses, lexicon_of, name_words, token_words
from cliplib.phrases.separable import close_up
from cliplib.phrases.tokens import Token
from cliplib.phrases.wordreader import NUMBER_WORDS
from cliplib.vocabulary import Numbered, Vocabulary

_NUMBER = re.compile(r"(\d{1,2})([bh]?)")
_ANSWERS = frozenset(
    ("answer", "answers", "reply", "replies", "response", "reaction", "reactions", "counter", "counters")
)
_BEFORE_TIME = frozenset(("in", "within", "inside", "after", "under", "than", "for", "every"))
_NAME_SHORTEST = 4
"""Letters of a name's beginning that may stand for the name, if only one fighter's name begins so."""


@dataclass(frozen=True, slots=True)
class Item:
    """A stretch of the phrase. `senses`: what its words can stand for; `numbers` of a gym number sequence;
    `filter`: a round, time or date; `fighter`, `fight`: full name and title. Without any of these it was not
    understood.
    """

    text: str
    start: int
    end: int
    senses: Senses = ()
    joined: bool = False
    possessive: bool = False
    determiner: str = ""
    pronoun: str = ""
    around: str = ""  # a pronoun among its words: “ties HIM up”
    numbers: tuple[Numbered, ...] = ()
    filter: Filter | None = None
    fighter: str = ""
    fight: str = ""
    meant: tuple[str, ...] = ()
    words: int = 1

    def sense(self, kind: str, *forms: str) -> Sense | None:
        for sense in self.senses:
            if sense.kind == kind and (not forms or sense.form in forms):
                return sense
        return None

    def value(self, kind: str) -> str | None:
        found = self.sense(kind)
        return found.value if found else None

    @property
    def names_hand(self) -> bool:
        """“right hand”, which stands for a punch."""
        return self.text.lower().endswith("hand") and bool(self.sense("side") or self.sense("hand"))

    @property
    def kinds(self) -> frozenset[str]:
        return frozenset(s.kind for s in self.senses)

    @property
    def unread(self) -> bool:
        return not (self.senses or self.numbers or self.filter or self.fighter or self.fight)


class Lexer:
    def __init__(self, phrase: str, tokens: Sequence[Token], vocabulary: Vocabulary, names: Names):
        self.phrase, self.vocabulary, self.names = phrase, vocabulary, names
        self.lexicon: Lexicon = lexicon_of(vocabulary)
        self.tokens = close_up(tokens, self.lexicon, names)

    def items(self) -> list[Item]:
        items: list[Item] = []
        at = 0
        while at < len(self.tokens):
            count, item = self._one(at)
            items.append(item)
            at += count
        return items

    def _one(self, at: int) -> tuple[int, Item]:
        fight = self._fight(at)
        if fight:
            return fight
        times = self._times(at)
        if times:
            return times
        numbers = self._numbers(at)
        if numbers:
            return numbers
        found = read_filter(self.tokens, at)
        if found:
            return found[0], self._item(at, found[0], filter=found[1])
        name = self._full_name(at)
        if name:
            return name
        count, senses = self.lexicon.longest(self.tokens, at)
        token = self.tokens[at]
        if count == 2 and (self._to_a_punch(at) or self._hand_as(at)):
            count, senses = self.lexicon.longest(self.tokens[: at + 1], at)
        if (
            not count
            and token.norm.isdigit()
            and 2 <= int(token.norm[:4]) <= 10
            and self._is_count(at, False)
        ):
            return 1, self._item(at, 1, senses=(Sense("mult", token.norm),))
        if len(token.norm) == 2 and token.norm[1] == "x" and token.norm[0] in "23456789":  # "2x jab"
            return 1, self._item(at, 1, senses=(Sense("mult", token.norm[0]),))
        if not count and len(token.norm) == 2 and token.norm[0] == "x" and token.norm[1].isdigit():
            return 1, self._item(at, 1, senses=(Sense("mult", token.norm[1], "times"),))
        part = self._name_part(token)
        if part and (count == 0 or self._name_wins(at, count, senses)):
            meant, fighter = part, part[0] if len(part) == 1 else ""
            return 1, self._item(at, 1, fighter=fighter, meant=() if fighter else meant)
        if count:
            return count, self._item(at, count, senses=senses)
        return 1, self._item(at, 1)

    def _to_a_punch(self, at: int) -> bool:
        """“his answer to the right hand” is not to the right."""
        what = self.tokens[at + 1].norm
        if self.tokens[at].norm != "to" or what not in ("left", "right", "body", "head"):
            return False
        follows = self.tokens[at + 2 : at + 3]
        if what in ("body", "head"):
            follows = follows or [self.tokens[at]]
        elif not follows or follows[0].norm == "hand":
            return bool(follows) and (at + 3 >= len(self.tokens) or self.tokens[at + 3].norm != "side")
        before = self.lexicon.longest(self.tokens[at - 1 : at], 0)[1] if at else ()
        answers = at > 0 and (
            self.tokens[at - 1].norm in _ANSWERS or (what in ("left", "right") and not before)
        )
        return answers and any(s.kind == "technique" for s in self.lexicon.longest(follows, 0)[1])

    def _hand_as(self, at: int) -> bool:
        """“with the right as he steps in” is not “right as”: a hand, then when."""
        before = self.tokens[at - 1].norm if at else ""
        hand = self.tokens[at].determiner or before == "with"
        return self.tokens[at].norm == "right" and self.tokens[at + 1].norm == "as" and bool(hand)

    def _item(self, at: int, count: int, **what: object) -> Item:
        first, last = self.tokens[at], self.tokens[at + count - 1]
        inner = self.tokens[at + 1 : at + count]
        around = next((t.pronoun or "her" for t in inner if t.pronoun or t.determiner == "her"), "")
        senses = what.get("senses")
        if around and isinstance(senses, tuple):  # "tie him up" is a verb
            what["senses"] = tuple(sorted(senses, key=lambda s: s.form in ("noun", "plural")))
        return Item(
            text=self.phrase[first.start : last.end],
            start=first.start,
            end=last.end,
            joined=first.joined,
            possessive=last.possessive,
            determiner=first.determiner,
            pronoun=first.pronoun,
            around=around,
            words=count,
            **what,  # type: ignore[arg-type]
        )

    # --- names -----------------------------------------------------------------------------------------

    def _name_part(self, token: Token) -> tuple[str, ...]:
        """The full names that a word is part of."""
        word = token.norm
        found = self.names.fighters.get(word)
        if found is None and token.possessive:
            found = self.names.fighters.get(word + "'s")
        if found:
            return found
        if len(word) < _NAME_SHORTEST or not self.names.fighters or self.lexicon.longest([token], 0)[0]:
            return ()
        begun = {n for w, names in self.names.fighters.items() if w.startswith(word) for n in names}
        return tuple(sorted(begun)) if len(begun) == 1 else ()

    def _name_wins(self, at: int, count: int, senses: Senses) -> bool:
        """Whether a word that is both a name and a word of the trade is the name here."""
        token = self.tokens[at]
        if count > 1:
            return False
        if all(s.kind in ("filler", "throw", "aux") for s in senses):
            return True
        return token.possessive and self.phrase[token.start].isupper()

    def _full_name(self, at: int) -> tuple[int, Item] | None:
        if not self.names.full or (self.tokens[at].norm not in self.names.fighters and not self._initial(at)):
            return None
        words: list[str] = []
        best: tuple[int, Item] | None = self._initial(at)
        for index in range(at, min(len(self.tokens), at + self.names.longest)):
            words.extend(name_words(self.tokens[index].norm))
            name = self.names.full.get(tuple(words))
            if name and (len(words) > 1 or len(name_words(name)) == 1):
                single = index == at and self.lexicon.longest(self.tokens, at)[0]
                if not single:
                    best = index - at + 1, self._item(at, index - at + 1, fighter=name)
            if self.tokens[index].possessive:
                break
        if best is None:
            # Several words of one name, such as a given name left out: "de la Cruz".
            count, owners = 0, set(self.names.fighters.get(self.tokens[at].norm, ()))
            while owners and at + count < len(self.tokens):
                more = owners & set(self.names.fighters.get(self.tokens[at + count].norm, ()))
                if not more or (count and self.tokens[at + count - 1].possessive):
                    break
                owners, count = more, count + 1
            if count > 1 and len(owners) == 1:
                return count, self._item(at, count, fighter=owners.pop())
        return best

    def _initial(self, at: int) -> tuple[int, Item] | None:
        """“T. Vâlcan”."""
        word, follows = self.tokens[at].norm, self.tokens[at + 1 : at + 2]
        if len(word) != 1 or not word.isalpha() or not follows:
            return None
        owners = self.names.fighters.get(follows[0].norm, ())
        meant = [n for n in owners if name_words(n)[0][0] == word and name_words(n)[0] != follows[0].norm]
        return (2, self._item(at, 2, fighter=meant[0])) if len(meant) == 1 else None

    def _fight(self, at: int) -> tuple[int, Item] | None:
        if not self.names.fights:
            return None
        start = at
        while (
            start < len(self.tokens)
            and start - at < 3
            and self.tokens[start].norm in ("in", "from", "fight", "of")
        ):
            start += 1
        longest = 0
        titles: tuple[str, ...] = ()
        words = token_words(self.tokens[start : start + self.names.longest])
        both = self._hyphened(start)
        if both:
            return start - at + 2, self._item(at, start - at + 2, fight=both)
        for length in range(len(words), 1, -1):
            found = self.names.fights.get(words[:length])
            if found:
                longest, titles = start - at + length, found
                break
        else:
            pair = self._pair(words)
            if pair:
                longest, titles = start - at + pair[0], (pair[1],)
        if not longest:
            return None
        return longest, self._item(at, longest, fight=titles[0])

    def _hyphened(self, at: int) -> str:
        """“Brandt-Morinaga”: the fight between the two, if there is just one."""
        pair = self.tokens[at : at + 2]
        if len(pair) < 2 or not pair[1].joined or pair[1].possessive:
            return ""
        people = [self.names.fighters.get(t.norm, ()) for t in pair]
        if any(len(p) != 1 for p in people) or people[0] == people[1]:
            return ""
        one, two = (set(name_words(p[0])) for p in people)
        titles = [t for key, ts in self.names.fights.items() if one & set(key) and two & set(key) for t in ts]
        return titles[0] if len(titles) == 1 else ""

    def _pair(self, words: tuple[str, ...]) -> tuple[int, str] | None:
        """“Brandt v Adeyemi” for the fight titled “Adeyemi v Brandt”, if there is just one such."""
        if "v" not in words[:5]:
            return None
        middle = words.index("v")
        left, right = words[:middle], words[middle + 1 :]
        if not left or not right:
            return None
        ours = self.names.fighters.get(left[-1])
        theirs = self.names.fighters.get(right[0])
        count = middle + 2
        if (
            right[1:]
            and theirs
            and self.names.fighters.get(right[1])
            and set(theirs) & set(self.names.fighters[right[1]])
        ):
            theirs, count = tuple(set(theirs) & set(self.names.fighters[right[1]])), middle + 3
        if not ours or not theirs or len(ours) != 1 or len(theirs) != 1 or ours == theirs:
            return None
        if any(w not in name_words(ours[0]) for w in left):
            return None
        one, two = set(name_words(ours[0])), set(name_words(theirs[0]))
        titles = [t for key, ts in self.names.fights.items() if one & set(key) and two & set(key) for t in ts]
        return (count, titles[0]) if len(titles) == 1 else None

    # --- gym numbers -----------------------------------------------------------------------------------

    def _numbers(self, at: int) -> tuple[int, Item] | None:
        """`1-1-2`, `3b`, `1, 2, 3`, `one-two`; never a round, a count or a time."""
        numbers: list[Numbered] = []
        index = at
        while index < len(self.tokens):
            token = self.tokens[index]
            skip = 1 if numbers and token.norm == "," and self._number(index + 1) else 0
            number = self._number(index + skip)
            if number is None or (number and self._is_count(index + skip, bool(numbers))):
                break
            numbers.append(number)
            index += skip + 1
        if not numbers:
            return None
        spelt = self.tokens[at].norm in NUMBER_WORDS
        if spelt and len(numbers) == 1:
            return None
        return index - at, self._item(at, index - at, numbers=tuple(numbers))

    def _times(self, at: int) -> tuple[int, Item] | None:
        """“jab twice”, “jab 3 times”."""
        word = self.tokens[at].norm
        if word == "twice":
            return 1, self._item(at, 1, senses=(Sense("mult", "2", "times"),))
        count = NUMBER_WORDS.get(word) or (int(word) if word.isdigit() and len(word) < 3 else 0)
        if at == 0 or not 2 <= count <= 10 or [t.norm for t in self.tokens[at + 1 : at + 2]] != ["times"]:
            return None
        return 2, self._item(at, 2, senses=(Sense("mult", str(count), "times"),))

    def _number(self, at: int) -> Numbered | None:
        if at >= len(self.tokens):
            return None
        word = self.tokens[at].norm
        if word in NUMBER_WORDS:
            return self.vocabulary.numbers.get(str(NUMBER_WORDS[word]))
        many = self.tokens[at].joined or (len(word) == 2 and self._no_time(at))  # "1-2s", "3s"
        match = _NUMBER.fullmatch(word.removesuffix("s") if many else word)
        if not match:
            return None
        entry = self.vocabulary.numbers.get(match[1].lstrip("0") or "0")
        if entry is None:
            return None
        target = {"b": "body", "h": "head"}.get(match[2], entry.target)
        return Numbered(entry.technique, entry.hand, target)

    def _no_time(self, at: int) -> bool:
        before = self.tokens[at - 1].norm if at else ""
        follows = self.tokens[at + 1].norm if at + 1 < len(self.tokens) else ""
        return before not in _BEFORE_TIME and follows not in ("later", "after", "apart", "before", "of")

    def _is_count(self, at: int, inside: bool) -> bool:
        """“3 jabs”, “2 seconds”, “four rounds”: a number that counts what follows."""
        if inside and self.tokens[at].joined:
            return False
        count, senses = self.lexicon.longest(self.tokens, at + 1)
        if (
            count
            and not self.tokens[at + 1].joined
            and any(s.kind == "technique" and s.form in ("plural", "third") for s in senses)
        ):
            return True
        following = self.tokens[at + 1].norm if at + 1 < len(self.tokens) else ""
        if len(following) == 2 and following[0].isdigit() and following[1] == "s" and not inside:
            return not self.tokens[at + 1].joined  # "three 1s"
        return following in (
            "second",
            "seconds",
            "sec",
            "secs",
            "s",
            "ms",
            "rounds",
            "rds",
            "milliseconds",
            "fights",
        )
