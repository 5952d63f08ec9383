"""Items to chunks: which words belong to which action.

    phrase  := [link] chunk (link chunk)*
    chunk   := modifier* head (modifier | object | absent | filter)*
    object  := chunk                        the other's punch: "slips THE JAB", "counters A HOOK with ..."
    absent  := ("without" | "not") chunk    "without A FEINT before it"

Modifiers stand on both sides of a head, so between two heads something has to say where one action ends: a
link word, a comma, a modifier whose place in the first is taken, or a head right behind the modifiers.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from cliplib.core.models import Choice, Unread
from cliplib.phrases import filters
from cliplib.phrases.chunk import LINKS, Chunk
from cliplib.phrases.chunker import Chunker
from cliplib.phrases.dates import Dates
from cliplib.phrases.either import offer_any, settle
from cliplib.phrases.lexer import Item
from cliplib.phrases.moving import settle_moving
from cliplib.phrases.nextpunch import own_punch
from cliplib.phrases.pronouns import settle_people, subject_of
from cliplib.phrases.smallwords import COMMANDS
from cliplib.vocabulary import Vocabulary

_STRENGTH = {
    "juxta": 0,
    "comma": 1,
    "and": 2,
    "with": 3,
    "seq": 4,
    "setup": 5,
    "after": 6,
    "against": 7,
    "answer": 8,
    "or": 9,
}
_BEFORE = ("before", "prior to", "ahead of", "leading to")
_TELLS = ("follow with", "follow up with", "come back with", "finish with", "return with")
_ADJECTIVAL = ("hand", "side", "outcome", "role", "stance", "mult", "range", "direction", "top")
_DEEPEST = 12


@dataclass(slots=True)
class Parsed:
    """Chunks with the link before each, and what was found beside them."""

    links: list[tuple[str, Chunk]] = field(default_factory=list)
    rounds: list[filters.Rounds] = field(default_factory=list)
    dates: list[Dates] = field(default_factory=list)
    fights: list[str] = field(default_factory=list)
    times: list[Item] = field(default_factory=list)
    stance_match: str | None = None
    unread: list[Unread] = field(default_factory=list)
    choices: list[Choice] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def words_of(phrase: str, start: int, end: int, meant: tuple[str, ...] = ()) -> list[Unread]:
    """A stretch of the phrase, word by word."""
    found = [(start + m.start(), start + m.end()) for m in re.finditer(r"[^\s,;]+", phrase[start:end])]
    return [Unread(phrase[a:b], a, b, meant) for a, b in found]


class Parser:
    def __init__(self, phrase: str, items: Sequence[Item], vocabulary: Vocabulary):
        self.phrase, self.items, self.vocabulary = phrase, items, vocabulary
        self.i = 0
        self.depth = 0
        self.object_depth = 0  # of the object that is being read: what the other one threw
        self._after_link = -1
        self._landing = False  # "eats a jab to land the cross"
        self.when = ""
        self._tells = False  # “follow with”
        self._paused = self._which = False
        self._subject = ""
        self._before = False  # “before the clinch, a hook”
        self.pending: filters.Filter | None = None  # a time said of the action being read
        self.pending_next: filters.Filter | None = None  # ... of the action after the next link
        self.links_pending = False  # "within 1 second of": what follows came earlier
        self.out = Parsed()
        self._begun = 0
        self._begins: list[int] = []  # where in the items each of the links begins

    # --- looking ---------------------------------------------------------------------------------------

    def at(self, ahead: int = 0) -> Item | None:
        index = self.i + ahead
        return self.items[index] if 0 <= index < len(self.items) else None

    def is_head(self, item: Item | None) -> bool:
        return item is not None and bool(item.numbers or item.sense("technique") or item.sense("any"))

    def is_punch_head(self, item: Item | None) -> bool:
        if item is None:
            return False
        technique = item.value("technique")
        return bool(item.numbers) or (technique is not None and self.vocabulary.is_punch(technique))

    def noun_phrase_ahead(self, ahead: int = 0, punch: bool = True, hands: bool = False) -> bool:
        """Whether modifiers lead to a head from here: the beginning of an action. `hands`: “the right hand”
        will do as a head.
        """
        index = self.i + ahead
        while index < len(self.items):
            item = self.items[index]
            done = item.sense("outcome", "adjective") and item.sense("technique", "past")
            if done and self.is_punch_head(self.at(index + 1 - self.i)):  # "or blocked hook"
                index += 1
                continue
            if self.is_head(item):
                return not punch or self.is_punch_head(item)
            target = item.sense("target", "adjective")
            if item.fighter or item.sense("opponent") or item.sense("other") or item.sense("same") or target:
                index += 1
                continue
            if (
                hands
                and (item.sense("side", "noun") or item.sense("hand", "noun"))
                and "hand" in item.text.lower()
            ):
                return True
            if any(k in item.kinds for k in _ADJECTIVAL) and not item.sense("outcome", "third", "ing"):
                index += 1
                continue
            return False
        return False

    def hand_noun_ahead(self, ahead: int = 0, stances: bool = False) -> bool:
        """“the right hand”, “a left”: a hand that stands for a punch. `stances`: “the southpaw left” too."""
        while (
            stances
            and (item := self.at(ahead)) is not None
            and item.sense("stance")
            and not item.sense("technique")
        ):
            ahead += 1
        item = self.at(ahead)
        return item is not None and bool(item.sense("side") or item.sense("hand"))

    # --- the phrase ------------------------------------------------------------------------------------

    def parse(self) -> Parsed:
        while self.at() is not None:
            begun = self._begun = self.i
            link = self.link()
            if self.at() is None:
                self._dangling(begun)
                break
            if link == "setup" and not self.out.links:
                self._setup()
                continue
            chunk = self.chunk()
            if chunk is not None:
                own_punch(self, chunk, begun)
                self._add(link, chunk)
            elif self.i == begun or self.i == self._after_link:
                item = self.at()
                if item is None:
                    break
                self.refuse(item)
                self.i += 1
        offer_any(self, self._begins)
        settle(self, self._begins)
        links = self.out.links
        if self._before and len(links) > 1 and links[1][0] in ("juxta", "comma"):
            links[:2] = [("juxta", links[1][1]), ("seq", links[0][1])]
        settle_people(self)
        settle_moving(self)
        return self.out

    def link(self) -> str:
        """Link words from here; the strongest says how what follows is tied to what came before."""
        link = "after" if self.links_pending else "juxta"
        self.links_pending = False
        if self.pending_next is not None:
            self.pending, self.pending_next = self.pending_next, None
        while (item := self.at()) is not None:
            found = next((k for k in LINKS if k in item.kinds), None)
            if found is None and self.out.links and self._inside():
                found = "against"
            if found in ("against",) and self._is_opponent(1):
                break
            if found == "after" and (step := self._followed_by()):
                self.i += step
                link = "seq"
                continue
            if (
                found == "after"
                and link == "juxta"
                and not self.out.links
                and item.text.lower() in ("follows", "followed")
            ):
                break
            if (
                found is None
                and item.sense("with")
                and self.out.links
                and not self.noun_phrase_ahead(1, punch=False)
            ):
                break
            if found is None:
                found = "with" if item.sense("with") else None
            if found is None:
                command = item.text.lower() in COMMANDS and bool(self.out.links)
                if item.sense("filler") and link != "juxta" and not command:
                    self._which = self._which or item.text.lower() == "which"
                    self.i += 1
                    continue
                break
            follows = self.at(1)
            if (
                found == "after"
                and follows is not None
                and follows.pronoun == "it"
                and follows.sense("comma")
            ):
                found = "seq"  # "then, after it, a hook"
            if found == "seq" and not self.out.links and item.text.lower() in _BEFORE:
                self._before = True
            self._subject = self._subject or subject_of(item)
            self._paused = self._paused or found in ("comma", "and")
            self._landing = item.value("seq") == "land"
            self._tells = self._tells or item.text.lower() in _TELLS
            self.when = item.text.lower() if item.value("after") == "when" else self.when
            if found == "seq" and link in ("after", "against", "answer"):
                found = link
            if _STRENGTH[found] > _STRENGTH[link]:
                link = found
            self.i += 1
        self._after_link = self.i
        return link

    def _inside(self) -> bool:
        """“hooks INSIDE the right hand”: against it."""
        item, follows = self.at(), self.at(1)
        way = item is not None and item.sense("direction") and item.text.lower() in ("inside", "outside")
        punch = self.noun_phrase_ahead(1, hands=True) or self.hand_noun_ahead(1)
        last = self.out.links[-1][1].protos[-1:]
        thrown = bool(last) and self.vocabulary.is_punch(last[0].technique)
        return bool(way and thrown and punch and follows is not None and follows.determiner)

    def _followed_by(self) -> int:
        """“followed (immediately) by”: how many items, keeping the time for the next action."""
        item, middle, last = self.at(), self.at(1), self.at(2)
        if item is None or middle is None or not item.text.lower().startswith("follow"):
            return 0
        if middle.filter is not None and last is not None and (last.sense("by") or last.sense("with")):
            self.pending = middle.filter
            return 3
        return 0

    def _dangling(self, begun: int) -> None:
        """Link words with nothing behind them: “jab then”. “and” and commas mean nothing there."""
        last = self.items[self.i - 1]
        pronoun = self.phrase[last.end :].strip(" .!?").lower() in ("it", "that", "him", "them")
        if last.text.lower() == "before" and self.out.links and self.out.links[-1][1].absent:
            self.out.links[-1][1].before = True  # "hook, no jab before it"
            return
        if pronoun and not last.sense("seq"):
            return  # "parries the jab and crosses over it"
        for item in self.items[begun : self.i]:
            if not (item.sense("comma") or item.sense("and") or item.sense("filler") or item.sense("with")):
                if (item.sense("mark") and item.text.lower() != "before") or item.text.lower() in (
                    "afterwards",
                    "later",
                    "next",
                ):
                    continue
                self.refuse(item)

    def _setup(self) -> None:
        """“sets up the cross with a jab”: the jab first."""
        later = self.chunk()
        item = self.at()
        if later is not None and item is not None and (item.sense("with") or item.sense("by")):
            self.i += 1
            earlier = self.chunk()
            if earlier is not None:
                self._add("juxta", earlier)
                self._add("seq", later)
                return
        if later is not None:
            self._add("juxta", later)

    def _add(self, link: str, chunk: Chunk) -> None:
        if self.pending is not None:
            if isinstance(self.pending, filters.Within):
                chunk.within_us = self.pending.us
            self.pending = None
        if self._landing and chunk.protos and self.vocabulary.is_punch(chunk.protos[0].technique):
            chunk.protos[0].outcome = chunk.protos[0].outcome or "landed"
        self._landing = False
        chunk.told = chunk.told or (self._tells and not (chunk.pronoun or chunk.name))
        self._tells = False
        chunk.paused, self._paused = self._paused, False
        chunk.which, self._which = self._which, False
        chunk.pronoun, self._subject = chunk.pronoun or self._subject, ""
        chunk.when = bool(self.when)
        chunk.meanwhile = self.when.split()[-1:] in (["as"], ["while"], ["whilst"])
        self.when = ""
        self.out.links.append((link, chunk))
        self._begins.append(self._begun)

    def refuse(self, item: Item) -> None:
        """Not understood: shown word by word, and never dropped in silence."""
        self.out.unread.extend(words_of(self.phrase, item.start, item.end, item.meant))

    def discard(self, begun: int) -> None:
        """Refuse the items from `begun` to the end of the action read next, whatever it says."""
        kept, pending = self.out, (self.pending, self.pending_next, self.links_pending)
        self.out = Parsed()
        self.chunk()
        self.out, (self.pending, self.pending_next, self.links_pending) = kept, pending
        for item in self.items[begun : self.i]:
            self.refuse(item)

    def note(self, text: str) -> None:
        if text and text not in self.out.notes:
            self.out.notes.append(text)

    def choose(self, start: int, end: int, taken: str, *others: tuple[str, str]) -> None:
        """Record that [start, end) reads in more than one way; others are (meaning, replacement text)."""
        phrases = tuple((meaning, self.phrase[:start] + text + self.phrase[end:]) for meaning, text in others)
        self.out.choices.append(Choice(self.phrase[start:end], start, end, taken, phrases))

    # --- one action ------------------------------------------------------------------------------------

    def chunk(self) -> Chunk | None:
        self.depth += 1
        try:
            return Chunker(self).read() if self.depth <= _DEEPEST else None
        finally:
            self.depth -= 1

    def _is_opponent(self, ahead: int) -> bool:
        """“against Brandt”, “v a southpaw”, not followed by something that they do."""
        item = self.at(ahead)
        if item is None or item.possessive:
            return False
        if item.fighter or item.sense("stance") or item.sense("opponent"):
            more = ahead + 1
            while (n := self.at(more)) is not None and (
                n.sense("stance") or n.sense("opponent") or n.fighter
            ):
                more += 1
            return not self.noun_phrase_ahead(more, punch=False)
        return False
