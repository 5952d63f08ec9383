"""One action: a head with the modifiers, objects, passives and filters that belong to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cliplib.phrases import filters
from cliplib.phrases.chunk import LINKS, Chunk, Proto
from cliplib.phrases.lexer import Item
from cliplib.phrases.modifiers import ModifierReader
from cliplib.phrases.shaping import shape

if TYPE_CHECKING:
    from cliplib.phrases.grammar import Parser

_FINITE = ("third", "ing", "past")
_MULTIPLE = ("two", "three", "four", "five")
_DEFENDED = ("defence", "tie-up")
_TOWARDS = ("to", "for", "against", "over")
_BEGINS = frozenset(
    ("hand", "side", "target", "outcome", "stance", "mult", "role", "opponent", "other", "range")
)
"""Kinds of modifiers that can begin an object."""
_NEGATIONS = ("uncounter", "unoutcome", "notafter", "without", "not")
_ORDER = (
    "fighter", "technique", "side", "hand", "role", "outcome", "target", "top", "place", "range", "direction",
    "stance", "stance_match", "opponent", "other", "same", "mult", "with", "by", "of", "aux", "throw", "head",
    "mark", "filler",
)  # fmt: skip


class Chunker(ModifierReader):
    def __init__(self, parser: Parser):
        super().__init__(parser)
        self.strong = False  # "rolls under": what follows is what it rolls under

    # --- the loop --------------------------------------------------------------------------------------

    def read(self) -> Chunk | None:
        first = self.p.at()
        if first is None:
            return None
        self.c.start = first.start
        while (item := self.p.at()) is not None:
            before = self.p.i
            if not self._take(item):
                break
            if self.p.i == before:
                self.p.i += 1
            self.last = self.p.items[self.p.i - 1]
        return shape(self)

    def _take(self, item: Item) -> bool:
        """Take the item into this chunk; False if it begins something else."""
        if item.unread:
            self.p.refuse(item)
            return True
        if item.filter is not None:
            return self._filter(item)
        if item.fight:
            self.p.out.fights.append(item.fight)
            return True
        for kind in ("evade", "make", "receive", *_NEGATIONS):
            if item.sense(kind):
                return bool(getattr(self, "on_" + kind)(item))
        if item.sense("or"):
            return self.alternative(item) or self._other_defence()
        if any(item.sense(k) for k in LINKS) and not item.sense("technique"):
            return self._link(item)
        for kind in _ORDER:
            if (
                (item.fighter and kind == "fighter")
                or (item.numbers and kind == "technique")
                or item.sense(kind)
            ):
                return bool(getattr(self, "on_" + kind)(item))
        return True

    # --- links and filters -----------------------------------------------------------------------------

    def _link(self, item: Item) -> bool:
        if item.sense("against") and self.p._is_opponent(1):
            self.p.i += 1
            self._opponent_phrase()
            return True
        if item.sense("against") and self._takes_object() and self.p.noun_phrase_ahead(1):
            self.p.i += 1
            self._object()
            return True
        return False

    def _opponent_phrase(self) -> None:
        while (item := self.p.at()) is not None:
            if item.fighter and self.c.opponent is None:
                self.c.opponent = item.fighter
            elif item.sense("stance") and self.c.opponent_stance is None:
                self.c.opponent_stance = item.value("stance")
            elif not item.sense("opponent"):
                break
            self.p.i += 1

    def _filter(self, item: Item) -> bool:
        found = item.filter
        if isinstance(found, filters.Rounds):
            self.p.out.rounds.append(found)
            self.p.note(found.note)
        elif isinstance(found, filters.Dates):
            self.p.out.dates.append(found)
        elif isinstance(found, filters.Within):
            self.p.note(found.note)
            follows = self.p.at(1)
            if follows is not None and (follows.sense("seq") or follows.text.lower().startswith("follow")):
                self.c.within_us = None
                self.p.pending = found
            elif self.c.passives:
                self.c.passives[-1].within_us = found.us
            elif self.c.within_us is None:
                self.c.within_us = found.us
            if found.links:
                self.p.links_pending = True
                self.p.i += 1
                return False
        return True

    # --- heads -----------------------------------------------------------------------------------------

    def on_technique(self, item: Item) -> bool:
        sense = item.sense("technique")
        if self.headed:
            return self._second_head(item)
        if (
            item.sense("outcome", "adjective")
            and sense
            and sense.form == "past"
            and not self._active_past(item)
        ):
            return self.on_outcome(item)
        if sense and sense.form == "past" and self._passive_before(item):
            return True
        if item.numbers:
            self.c.protos = [Proto(n.technique, n.hand, target=n.target) for n in item.numbers]
            self.combo = len(item.numbers) > 1
            self.c.form = "noun"
        elif sense:
            self.c.protos = [Proto(sense.value)]
            self.c.form = self._form(item)
            self.strong = item.words > 1 and item.text.split()[-1].lower() in (
                "under",
                "underneath",
                "with",
                "from",
                "of",
                "away",
            )
            if sense.value == "roll" and item.text.lower().endswith("with"):
                self.p.choose(
                    item.start,
                    item.end,
                    "roll (under the punch)",
                    ("shoulder roll: riding the punch", "shoulder rolls"),
                )
            if self.v.kind(sense.value) == "feint":
                self._feinted(item)
        self.c.headless = False
        return True

    def _other_defence(self) -> bool:
        """“slips or parries the jab”."""
        follows = self.p.at(1)
        technique = follows.value("technique") if follows is not None else None
        if (
            not self.headed
            or follows is None
            or technique is None
            or len(self.c.protos) != 1
            or self.c.objects
        ):
            return False
        if self.v.kind(self.proto.technique) not in _DEFENDED or self.v.kind(technique) not in _DEFENDED:
            return False
        self.proto.others.append(Proto(technique))
        self.p.i += 2
        return True

    def _form(self, item: Item) -> str:
        forms = [s.form for s in item.senses if s.kind == "technique"]
        if "third" in forms and "plural" in forms:
            # "slips the jab", "Brandt jabs": a verb; "crosses that were blocked", "missed jabs": a noun.
            subject = self.c.name or self.c.who
            follows = self.p.at(1)
            verbal = bool(subject) or (follows is not None and (follows.determiner or follows.sense("with")))
            return "third" if verbal or not self.v.is_punch(item.value("technique") or "") else "plural"
        if "noun" in forms and "base" in forms:
            follows = self.p.at(1)
            return "base" if follows is not None and follows.determiner and not item.determiner else "noun"
        return forms[0]

    def _feinted(self, item: Item) -> None:
        """“feints the jab”: a feint with the hand, not a jab."""
        follows = self.p.at(1)
        verbal = item.sense("technique", "base", "third", "ing", "past") is not None
        if follows is None or not verbal or not self.p.noun_phrase_ahead(1):
            return
        if not (follows.determiner or item.sense("technique", "third", "ing")) or follows.joined:
            return
        index = self.p.i + 1
        while not self.p.is_head(self.p.items[index]):
            index += 1
        self.c.protos = [Proto("hand feint")]
        self.p.note("a feinted punch is taken to mean a hand feint")
        self.p.i = index + 1

    def _second_head(self, item: Item) -> bool:
        sense = item.sense("technique")
        if sense and sense.form == "past" and self.is_punch() and self._passive_after(item):
            return True
        if (
            self.is_punch()
            and sense
            and self.v.kind(sense.value) == "feint"
            and sense.form in ("noun", "plural")
        ):
            self.c.protos[-1] = Proto("hand feint")  # "jab feint"
            self.p.note("a feinted punch is taken to mean a hand feint")
            return True
        if self._takes_object() and self._object_begins(item):
            self._object()
            return True
        if item.joined and not self.c.objects and not self.c.passives:
            more = [Proto(n.technique, n.hand, target=n.target) for n in item.numbers] or [
                Proto(sense.value if sense else "punch")
            ]
            self.c.protos.extend(more)
            self.combo = False
            return True
        return False

    # --- objects ---------------------------------------------------------------------------------------

    def _takes_object(self) -> bool:
        if self.c.objects or self.c.passives or self.c.absent:
            return False
        if self.c.role_verb and self.c.headless:
            return True
        if self.c.role_verb and self.c.form == "noun" and self.is_punch():
            return True
        return self.headed and self.v.kind(self.proto.technique) in _DEFENDED

    def _object_begins(self, item: Item) -> bool:
        if not (self.p.noun_phrase_ahead(0) or self.p.hand_noun_ahead(0)):
            return False
        return (
            bool(item.determiner)
            or self.strong
            or self.c.form in _FINITE
            or (self.c.role_verb and self.c.headless)
        )

    def _object(self) -> None:
        found = self.p.chunk()
        if found is None:
            return
        self.c.objects.append(found)
        # "slips the jab or cross", "slips the jab and the cross"
        while (item := self.p.at()) is not None and (item.sense("or") or item.sense("and")):
            follows = self.p.at(1)
            if follows is None or not self.p.noun_phrase_ahead(1):
                break
            if item.sense("and") and not follows.determiner:
                break
            self.p.i += 1
            more = self.p.chunk()
            if more is None:
                break
            if item.sense("or") and len(more.protos) == 1 and len(found.protos) == 1:
                found.protos[0].others.append(more.protos[0])
            else:
                self.c.objects.append(more)
        self._lift(found)

    def _lift(self, found: Chunk) -> None:
        """What was said after the object belongs to the whole: “counters the jab in the corner within 1 second”."""
        for name in ("place", "range", "within_us", "opponent", "opponent_stance"):
            if getattr(self.c, name) is None:
                setattr(self.c, name, getattr(found, name))
            setattr(found, name, None)

    # --- passives --------------------------------------------------------------------------------------

    def _active_past(self, item: Item) -> bool:
        """“blocked the jab”, “Brandt blocked the jab”: somebody did it, rather than it being done."""
        if self.c.aux:
            return False
        follows = self.p.at(1)
        if follows is None:
            return bool(self.c.name) and not self.headed
        return bool(follows.determiner) or (bool(self.c.name) and not self.named_possessive)

    def _passive_before(self, item: Item) -> bool:
        """“slipped jab”: the jab, then the other's slip."""
        value = item.value("technique")
        if value is None or self.v.kind(value) not in _DEFENDED or self._active_past(item):
            return False
        if self.c.aux or self.p.noun_phrase_ahead(1):
            self.pre_passives.append(Proto(value))
            if self.c.aux:
                self._agent(self.pre_passives[-1])
            return True
        return False

    def _passive_after(self, item: Item) -> bool:
        """“jab that was slipped by Brandt”."""
        value = item.value("technique")
        if value is None or self.v.kind(value) not in _DEFENDED:
            return False
        follows = self.p.at(1)
        if item.sense("outcome"):
            return False
        if follows is not None and follows.determiner and not self.c.aux:
            return False
        self.c.passives.append(Proto(value))
        self._agent(self.c.passives[-1])
        return True

    def _agent(self, passive: Proto) -> None:
        """“by Brandt”, “with a cross”, “by a southpaw” behind what was done to somebody."""
        self.p.i += 1
        while (
            (item := self.p.at()) is not None
            and (item.sense("by") or item.sense("with"))
            and item.text.lower() != "from"
        ):
            follows = self.p.at(1)
            if follows is None:
                return
            if follows.fighter and not (follows.possessive and self.p.noun_phrase_ahead(2)):
                passive.fighter = follows.fighter
                self.p.i += 2
            elif follows.sense("opponent") and not self.p.noun_phrase_ahead(2):
                self.p.i += 2
            elif follows.sense("stance") and not self.p.noun_phrase_ahead(2):
                passive.stance = follows.value("stance")
                self.p.i += 2
            elif self.p.noun_phrase_ahead(1) or self.p.hand_noun_ahead(1):
                self.p.i += 1
                agent = self.p.chunk()
                if agent is None or not agent.protos:
                    return
                said = agent.protos[0]
                if passive.role and not said.role:
                    said.role = passive.role
                said.fighter = agent.name or agent.by or passive.fighter
                passive_index = self.c.passives.index(passive) if passive in self.c.passives else -1
                bucket = self.c.passives if passive_index >= 0 else self.pre_passives
                bucket[bucket.index(passive) : bucket.index(passive) + 1] = agent.protos
                for name in ("place", "range"):
                    if getattr(self.c, name) is None:
                        setattr(self.c, name, getattr(agent, name))
                if agent.within_us is not None:
                    said.within_us = agent.within_us
                passive = said
            else:
                return

    # --- verbs and small words -------------------------------------------------------------------------

    def on_role(self, item: Item) -> bool:
        sense = item.sense("role")
        value = item.value("role") or ""
        if value == "counter":
            return self._counter(item)
        if self.headed:
            if sense and sense.form in ("adjective",) and not self.p.noun_phrase_ahead(1):
                return self.is_punch() and self.put("role", value, item)
            return False
        if item.sense("role", "third", "ing", "past", "base"):
            self.c.role_verb = value == "counter"
        return self.put("role", value, item)

    def _counter(self, item: Item) -> bool:
        verb = item.sense("role", "third", "ing")
        past = item.sense("role", "past")
        follows = self.p.at(1)
        if past and not self._active_past(item):
            return self._countered(item)
        if self.headed:
            if item.sense("role", "adjective"):
                return self.is_punch() and self.put("role", "counter", item)
            if (
                item.sense("role", "ing")
                and self.is_punch()
                and (self.p.noun_phrase_ahead(1) or self.p.hand_noun_ahead(1))
            ):
                self.put("role", "counter", item)
                self.c.role_verb = True
                self.p.i += 1
                self._object()
                return True
            close = self.last is not None and (self.last.sense("technique") or self.last.sense("side"))
            if verb or past or self.p.noun_phrase_ahead(1) or not close or not self.is_punch():
                return False
            if (
                self.p.hand_noun_ahead(1)
                or (follows is not None and follows.sense("target"))
                or self.c.form != "noun"
            ):
                return False
            return self.put("role", "counter", item)  # "cross counter"
        if "role" in self.pre and self.pre["role"] != ["counter"]:
            return False
        self.put("role", "counter", item)
        if verb or past or (follows is not None and follows.determiner and self.p.noun_phrase_ahead(1)):
            self.c.role_verb = True
        if follows is not None and follows.text.lower() in _TOWARDS and self.p.noun_phrase_ahead(2):
            self.c.role_verb = True  # "counter to the jab"
            self.p.i += 2
            self._object()
        elif self.c.role_verb and follows is not None:
            reaches = self.p.noun_phrase_ahead(1) or (self.p.hand_noun_ahead(1) and follows.determiner)
            if reaches and not (follows.fighter and not follows.possessive and False):
                self.p.i += 1
                self._object()
        return True

    def _countered(self, item: Item) -> bool:
        passive = Proto("punch", role="counter")
        if self.headed or self.c.aux or not self.p.noun_phrase_ahead(1):
            follows = self.p.at(1)
            if not self.headed and not self.c.aux and follows is not None and follows.sense("with"):
                self.c.role_verb = True  # "countered with a cross": he did
                return self.put("role", "counter", item)
            if self.headed and not self.is_punch():
                return False
            self.c.passives.append(passive)
            self._agent(passive)
        else:
            self.pre_passives.append(passive)
        return True

    def on_receive(self, item: Item) -> bool:
        if self.headed:
            return False
        self.c.received = True
        return self.put("outcome", item.value("receive") or "landed", item)

    def on_evade(self, item: Item) -> bool:
        if self.headed:
            return False
        self.c.evades = True
        return self.put("outcome", "missed", item)

    def on_make(self, item: Item) -> bool:
        """“makes the jab miss”, “makes Brandt miss”."""
        if self.headed:
            return False
        self.p.i += 1
        found = self.p.chunk()
        if found is None or not found.protos or found.protos[-1].outcome != "missed":
            self.p.refuse(item)
            if found is None:
                return True
            self.c.protos, self.c.headless, self.c.form = found.protos, False, found.form
            return True
        name = self.c.name
        found.start, found.evades = item.start, True
        self.c = found
        if name:
            self.c.opponent = name
        return True

    def on_mult(self, item: Item) -> bool:
        if self.headed:
            return False
        follows = self.p.at(1)
        if follows is None or not (self.p.noun_phrase_ahead(1) or self.p.hand_noun_ahead(1)):
            self.p.refuse(item)
            return True
        self.times = int(item.value("mult") or 1)
        self.times_item = item
        return True

    def on_with(self, item: Item) -> bool:
        follows = self.p.at(1)
        if follows is None:
            return False
        if not self.headed:
            return True
        if self.p.noun_phrase_ahead(1, punch=False):
            return False
        if (
            self.p.hand_noun_ahead(1) and not self.c.objects
        ):  # "jab with the left hand", "parries with the rear hand"
            field = "side" if follows.sense("side") else "hand"
            self.p.i += 1
            return self.put(field, follows.value(field) or "", follows) and self.forward()
        return False

    def on_of(self, item: Item) -> bool:
        if self._takes_object() and self.p.noun_phrase_ahead(1):
            self.p.i += 1
            self._object()
        return True

    def on_aux(self, item: Item) -> bool:
        self.c.aux = True
        return True

    def on_throw(self, item: Item) -> bool:
        if self.headed or (
            self.pre and not self.c.name and "role" not in self.pre and "stance" not in self.pre
        ):
            return False
        self.threw = item
        return True

    def on_head(self, item: Item) -> bool:
        self.p.refuse(item)
        return True

    def on_mark(self, item: Item) -> bool:
        return True

    def on_filler(self, item: Item) -> bool:
        return True
