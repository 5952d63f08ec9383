"""Verbs and what they reach: objects ("slips the jab"), passives ("slipped jab"), roles ("countered by")."""

from __future__ import annotations

from cliplib.phrases.chunk import Chunk, Proto
from cliplib.phrases.folding import Folder
from cliplib.phrases.jotted import telegraphed
from cliplib.phrases.lexer import Item
from cliplib.phrases.modifiers import SIDEWAYS
from cliplib.phrases.moving import hit_moving, movement
from cliplib.phrases.negation import NegationReader

DEFENDED = ("defence", "tie-up")
"""Kinds of actions that are done against a punch of the other fighter's."""
_FINITE = ("third", "ing", "past")
_TOWARDS = ("to", "for", "against", "over")
_OBJECTS = frozenset(("him", "her", "them"))
_BEGINS = frozenset(
    ("technique", "hand", "side", "target", "outcome", "stance", "mult", "role", "opponent", "other", "range")
)
"""Kinds of words that can begin an object."""


class VerbReader(NegationReader):
    strong = False
    """“rolls under”: whatever punch follows is what it rolls under."""

    # --- objects ---------------------------------------------------------------------------------------

    def takes_object(self) -> bool:
        if self.c.objects or self.c.passives or self.c.absent:
            return False
        if self.c.role_verb and self.c.headless:
            return True
        if self.c.role_verb and self.c.form == "noun" and self.is_punch():
            return True
        if not self.headed:
            return False
        inside = self.strong and self.proto.technique == "step in"  # "steps inside the jab"
        return inside or self.v.kind(self.proto.technique) in DEFENDED

    def object_begins(self, item: Item) -> bool:
        """Whether the words from here are what the verb is done against."""
        if not (item.fighter or item.numbers or item.kinds & _BEGINS) or item.sense("target", "adverb"):
            return False
        if item.fighter and item.possessive and self.p.hand_noun_ahead(1):
            return True  # "slips Brandt's left hand"
        if not self.p.noun_phrase_ahead(0):
            # "ducks a right hand", but "traps the lead hand" is about the hand itself
            held = self.headed and self.proto.technique == "trap"
            thing = self.p.hand_noun_ahead(0, stances=True) or item.sense(
                "role", "noun"
            )  # "slips the counter"
            if item.names_hand and not item.determiner and not held:
                return telegraphed(self, item)
            return bool(item.determiner and thing) and not held
        if item.fighter and item.possessive:
            return True
        verbal = self.strong or self.c.form in _FINITE or (self.c.role_verb and self.c.headless)
        return bool(item.determiner) or verbal or telegraphed(self, item)

    def object(self) -> None:
        outer, self.p.object_depth = self.p.object_depth, self.p.depth + 1
        found = self.p.chunk()
        self.p.object_depth = outer
        if found is None:
            return
        self.c.objects.append(found)
        # "slips the jab or cross", "slips the jab and the cross"
        while (item := self.p.at()) is not None and (item.sense("or") or item.sense("and")):
            follows = self.p.at(1)
            if follows is None or not self.p.noun_phrase_ahead(1):
                break
            noun = self.c.form == "third" and follows.sense("technique", "noun") and not follows.joined
            if item.sense("and") and not (follows.determiner or noun):
                break
            self.p.i += 1
            more = self.p.chunk()
            if more is None:
                break
            alike = item.sense("or") and len(found.protos) == 1
            if not (alike and Folder(self.v).either(found, more)):
                self.c.objects.append(more)
        self._lift(found)

    def on_by(self, item: Item) -> bool:
        met = self.headed and self.p.depth == self.p.object_depth and self.proto.technique in SIDEWAYS
        if met and item.text.lower() == "by" and self.thrown_ahead(1):
            return False  # "gets caught coming in by a jab"
        moves = self.headed and self.v.kind(self.proto.technique) == "footwork" and not self.c.objects
        if moves and item.text.lower().endswith("from") and self.p.noun_phrase_ahead(1, hands=True):
            self.p.i += 1  # "circles away from the right hand"
            self.object()
            return True
        driven = self.headed and self.proto.technique == "step back" and self.be and not self.c.objects
        if item.text.lower() == "by" and driven and self.thrown_ahead(1):
            self.p.i += 1  # "is backed up by the jab"
            self.object()
            return True
        follows = self.p.at(1)
        if item.text.lower() == "by" and follows is not None and follows.sense("technique", "ing"):
            return not self.headed  # "makes the jab miss by slipping"
        return super().on_by(item)

    def _lift(self, found: Chunk) -> None:
        """What was said after the object belongs to the whole: “counters the jab in the corner”."""
        for name in ("place", "range", "within_us", "opponent", "opponent_stance"):
            if getattr(self.c, name) is None:
                setattr(self.c, name, getattr(found, name))
            setattr(found, name, None)
        self.c.absents.extend(found.absents)  # "slips the jab without countering"
        found.absents = []

    # --- passives --------------------------------------------------------------------------------------

    def active_past(self, _item: Item) -> bool:
        """“blocked the jab”, “Brandt blocked the jab”: somebody did it, rather than it being done."""
        if self.c.aux and self.be:  # but "having slipped the jab"
            return False
        follows = self.p.at(1)
        if follows is None:
            return bool(self.c.name) and not self.headed
        if follows.sense("by") and follows.text.lower() == "by":
            return False
        return bool(follows.determiner) or (bool(self.c.name) and not self.named_possessive)

    def passive_before(self, item: Item) -> bool:
        """“slipped jab”: the jab, then the other's slip."""
        value = item.value("technique")
        if value is None or self.v.kind(value) not in DEFENDED or self.active_past(item):
            return False
        if value in ("step back", "step out"):
            return False  # nobody steps a punch back: "is backed up by the jab"
        if self.c.aux or self.p.noun_phrase_ahead(1):
            self.pre_passives.append(Proto(value))
            if self.c.aux:
                self._agent(self.pre_passives[-1])
            return True
        return False

    def passive_after(self, item: Item) -> bool:
        """“jab that was slipped by Brandt”."""
        value = item.value("technique")
        if value is None or self.v.kind(value) not in DEFENDED:
            return False
        follows = self.p.at(1)
        if item.sense("outcome"):
            return False
        if follows is not None and follows.determiner and not self.c.aux:
            return False
        self.c.passives.append(Proto(value))
        self._agent(self.c.passives[-1])
        return True

    def thrown_ahead(self, ahead: int) -> bool:
        """A punch by name or by its hand: “by Brandt's cross”, “by an orthodox right hand”."""
        return self.p.noun_phrase_ahead(ahead, hands=True) or self.p.hand_noun_ahead(ahead)

    def _agent(self, passive: Proto) -> None:
        """“by Brandt”, “with a cross”, “by a southpaw” behind what was done to somebody."""
        self.p.i += 1
        top = self.p.at()
        over = top is not None and top.sense("top") is not None and self.p.at(1) is not None
        if over:
            self.p.i += 1  # "countered over the top with a right hand"
        while (
            (item := self.p.at()) is not None
            and (item.sense("by") or item.sense("with"))
            and item.text.lower() != "from"
        ):
            follows = self.p.at(1)
            if follows is None:
                return
            if follows.fighter and not self.thrown_ahead(2):
                passive.fighter = follows.fighter
                self.p.i += 2
            elif follows.sense("opponent") and not self.thrown_ahead(2):
                self.p.i += 2
            elif follows.sense("stance") and not self.thrown_ahead(2):
                passive.stance = follows.value("stance")
                self.p.i += 2
            elif self.thrown_ahead(1) or self.thrown_ahead(2):
                self.p.i += 1
                agent = self.p.chunk()
                if agent is None or not agent.protos:
                    return
                said = agent.protos[0]
                if over and top is not None:
                    self.top, over = top, False
                    self.over_the_top(said)
                    self.top = None
                if passive.role and not self.v.is_punch(said.technique):
                    self.p.note("only a punch counters; anything else is read as what came next")
                elif passive.role and not said.role:
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

    def on_role(self, item: Item) -> bool:
        self.c.punch = item.text.lower().endswith(("punch", "punches", "shot", "shots"))
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
        asked = follows is not None and follows.sense("aux") is not None
        if item.sense("role", "plural") and (asked or (self.times_item is not None and not self.headed)):
            verb = None  # "how many counters did he land", "two counters"
        if past and not self.active_past(item):
            return self._countered(item)
        if self.headed:
            if item.sense("role", "adjective"):
                return self.is_punch() and self.put("role", "counter", item)
            if (
                (item.sense("role", "ing") or (verb and follows is not None and follows.determiner))
                and self.is_punch()
                and self.c.form in ("noun", "plural", "ing")
                and (self.p.noun_phrase_ahead(1, hands=True) or self.p.hand_noun_ahead(1))
            ):
                self.put("role", "counter", item)
                self.c.role_verb = True
                self.p.i += 1
                self.object()
                return True
            towards = follows is not None and follows.text.lower() in _TOWARDS and self.thrown_ahead(2)
            if towards and item.sense("role", "noun") and self.is_punch() and not self.c.objects:
                self.put("role", "counter", item)
                self.c.role_verb = True
                self.p.i += 2  # "the left hook counter to the right hand"
                self.object()
                return True
            close = self.last is not None and (self.last.sense("technique") or self.last.sense("side"))
            if item.sense("role", "plural") and close and self.is_punch() and self.c.form == "noun":
                verbal = follows is not None and (follows.sense("with") or follows.determiner)
                if not verbal and not self.p.noun_phrase_ahead(1, hands=True):
                    return self.put("role", "counter", item)  # "left hook counters"
            if verb or past or self.p.noun_phrase_ahead(1, hands=True) or not close or not self.is_punch():
                return False
            if (
                self.p.hand_noun_ahead(1)
                or (follows is not None and follows.sense("target"))
                or self.c.form != "noun"
            ):
                return False
            if self.proto.technique == "cross" and self.last is not None and self.proto.side is None:
                other = ("a counter thrown over the jab", "counter cross over the jab")
                self.p.choose(self.last.start, item.end, "a cross as the counter", other)
            return self.put("role", "counter", item)  # "cross counter"
        if "role" in self.pre and self.pre["role"] != ["counter"]:
            return False
        if self.c.role_verb and item.sense("role", "noun") and item.determiner and not self.c.objects:
            self.object()  # "counters the counter"
            return True
        self.put("role", "counter", item)
        if (
            verb
            or past
            or (follows is not None and follows.determiner and self.p.noun_phrase_ahead(1, hands=True))
        ):
            self.c.role_verb = True
        if (
            follows is not None
            and follows.text.lower() in _TOWARDS
            and self.p.noun_phrase_ahead(2, hands=True)
        ):
            self.c.role_verb = True  # "counter to the jab"
            self.p.i += 2
            self.object()
        elif self.c.role_verb and follows is not None:
            reaches = self.p.noun_phrase_ahead(1, hands=True) or (
                (self.p.hand_noun_ahead(1, stances=True) or self.p.noun_phrase_ahead(1, punch=False))
                and follows.determiner
            )
            if reaches:
                self.p.i += 1
                self.object()
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
            if not self.headed and hit_moving(self, 1):
                self.p.i += 1
                self._countered_moving()
            self.c.passives.append(passive)
            self._agent(passive)
        else:
            self.pre_passives.append(passive)
        return True

    def _countered_moving(self) -> None:
        """“gets countered coming in with a hook”."""
        self.c.received = True
        found = movement(self)
        self.c.received = False
        self.p.i -= 1
        if found is not None and found.protos:
            self.c.protos, self.c.form, self.c.headless = found.protos, found.form, False

    def on_receive(self, item: Item) -> bool:
        if self.headed:
            return False
        taken = item.text.lower() in ("takes", "took", "taking") and not self.p.noun_phrase_ahead(
            1, hands=True
        )
        if taken and self.p.noun_phrase_ahead(1, punch=False):
            return self.on_throw(item)  # "takes a step back"
        follows = self.p.at(1)
        if follows is not None and follows.sense("place") and item.text.lower().endswith("onto"):
            return False  # "walked onto the ropes": no punch
        # "caught him with a hook" is what the subject did, "caught with a hook" what he got.
        self.c.received = not _OBJECTS & set(item.text.lower().split())
        if self.c.received and "stance" in self.pre:  # "how a southpaw deals with the jab"
            self.c.opponent_stance = self.pre.pop("stance")[0]
            del self.pre_items["stance"]
        if item.value("receive") == "any":  # "how Brandt deals with the jab"
            self.p.note("every such punch is shown, whatever was done about it")
            return True
        return self.put("outcome", item.value("receive") or "landed", item)

    def on_draw(self, item: Item) -> bool:
        """“draws the jab”: the other one jabs."""
        if self.headed:
            return False
        follows = self.p.at(1)
        thrown = self.thrown_ahead(1) or (follows is not None and follows.sense("role", "noun"))
        if not thrown or self.c.objects:
            self.p.refuse(item)
            return True
        self.p.note("what is drawn is read as what the other one throws")
        self.p.i += 1
        self.object()
        tool = self.p.at()
        if tool is not None and tool.sense("with") and self.p.noun_phrase_ahead(1, punch=False):
            self.c.draws = True  # what comes now came before
        return True

    def on_throw(self, item: Item) -> bool:
        raise NotImplementedError

    def on_evade(self, item: Item) -> bool:
        if self.headed:
            return False
        self.c.evades = True
        return self.put("outcome", "missed", item)

    def on_make(self, item: Item) -> bool:
        """“makes the jab miss”, “makes Brandt miss”."""
        if self.headed:
            return False
        if item.value("make") == "let" and not self._let_miss():
            return True
        self.p.i += 1
        found = self.p.chunk()
        if found is None or not found.protos:
            self.p.refuse(item)
            return True
        if found.protos[-1].outcome != "missed":
            self.p.refuse(item)
            self.c.protos, self.c.headless, self.c.form = found.protos, False, found.form
            return True
        name = self.c.name
        found.start, found.evades = item.start, True
        self.c = found
        if name:
            self.c.opponent = name
        return True

    def _let_miss(self) -> bool:
        """“let the jab fall short”."""
        at = 1
        while (item := self.p.at(at)) is not None and not self.p.is_head(item):
            at += 1
        follows = self.p.at(at + 1)
        return self.p.noun_phrase_ahead(1) and follows is not None and follows.value("outcome") == "missed"
