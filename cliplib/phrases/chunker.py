"""One action: a head with the modifiers, objects, passives and filters that belong to it."""

from __future__ import annotations

from cliplib.phrases import filters
from cliplib.phrases.anything import any_action
from cliplib.phrases.catching import catches, caught, corners, doing, got_caught
from cliplib.phrases.chunk import FIELDS, LINKS, Chunk, Proto
from cliplib.phrases.dates import Dates
from cliplib.phrases.lexer import Item
from cliplib.phrases.moving import met_moving, movement, thrown_moving
from cliplib.phrases.negation import OPPOSITE
from cliplib.phrases.nextpunch import straight_on
from cliplib.phrases.pronouns import object_of, subject_of, told, whose
from cliplib.phrases.shaping import modify, shape
from cliplib.phrases.smallwords import SmallWordReader
from cliplib.phrases.suggest import misspelt_head, misspelt_round
from cliplib.phrases.verbs import DEFENDED

_REACHING = ("under", "underneath", "with", "from", "of", "inside", "outside")
_NEGATIONS = ("uncounter", "unoutcome", "notafter", "without", "not", "nobody", "deny")
_ORDER = (
    "fighter", "technique", "any", "side", "hand", "role", "outcome", "target", "top", "place", "range",
    "direction", "stance", "stance_match", "opponent", "other", "same", "mult", "with", "by", "of", "aux",
    "throw", "head", "mark", "foul", "query", "filler",
)  # fmt: skip


class Chunker(SmallWordReader):
    # --- the loop --------------------------------------------------------------------------------------

    def read(self) -> Chunk | None:
        first = self.p.at()
        if first is None:
            return None
        self.c.start = first.start
        self.c.pronoun = subject_of(first)
        self.c.whose = whose(first)
        self.c.his = first.determiner in ("his", "her", "their")
        while (item := self.p.at()) is not None:
            before = self.p.i
            if not self._take(item):
                break
            if self.p.i == before:
                self.p.i += 1
            self.last = self.p.items[self.p.i - 1]
            follows = self.p.at()
            if follows is not None and not self.headed and not self.c.pronoun:
                self.c.pronoun = subject_of(follows)
        reached = object_of(self)
        self.c.him, self.c.it = self.c.him or reached == "him", self.c.it or reached == "it"
        self.c.told = told(self)
        return shape(self)

    def _take(self, item: Item) -> bool:
        """Take the item into this chunk; False if it begins something else."""
        if item.unread:
            self._unread(item)
            return True
        if item.filter is not None:
            return self._filter(item)
        if item.fight:
            if self.p.out.fights:
                self.p.refuse(item)
            else:
                self.p.out.fights.append(item.fight)
            return True
        for kind in ("evade", "make", "draw", "receive", *_NEGATIONS):
            if item.sense(kind):
                return bool(getattr(self, "on_" + kind)(item))
        if item.sense("or"):
            return self.or_somebody(item) or self.alternative() or self._other_defence()
        if item.sense("comma") and self._listed_defences():
            return True
        if (item.sense("and") and self._more_done()) or self._off(item) or self._but_not(item):
            return True
        if any(item.sense(k) for k in LINKS) and not item.sense("technique"):
            return self._link(item)
        if self.headed and self.takes_object() and self.object_begins(item):
            self.object()
            return True
        for kind in _ORDER:
            if (
                (item.fighter and kind == "fighter")
                or (item.numbers and kind == "technique")
                or item.sense(kind)
            ):
                return bool(getattr(self, "on_" + kind)(item))
        return True

    def _unread(self, item: Item) -> None:
        """A “body kick” is no punch to the body: what describes a thing that is unknown isn't read either.
        A misspelt word is another matter: the rest of “missed jabb” stands.
        """
        last = self.last
        if last is not None and not self.headed and not self.p.noun_phrase_ahead(1):
            for field in ("hand", "side", "target", "outcome"):
                level = last.text.lower() in ("high", "low")  # "a high guard"
                plain = (last.sense(field, "adjective") or level) and self.pre_items.get(field) is last
                adverb = item.text.lower().endswith("ly")
                if plain and not adverb and not misspelt_head(item.text, self.v):
                    del self.pre[field], self.pre_items[field]
                    self.p.refuse(last)
        self.p.refuse(item)
        follows = self.p.at(1)
        if follows is not None and len(follows.numbers) == 1 and misspelt_round(item.text, self.v):
            self.p.refuse(follows)  # "jab in ruond 3"
            self.p.i += 2

    def _off(self, item: Item) -> bool:
        """“pivots off, then a jab”: part of the verb, with nothing that it could put before it."""
        follows = self.p.at(1)
        if item.text.lower() != "off" or not self.headed or self.is_punch():
            return False
        return follows is None or bool(follows.kinds & {"comma", "and", "seq", "direction"})

    def _but_not(self, item: Item) -> bool:
        """“jab but not to the head” is one jab."""
        negated, follows = self.p.at(1), self.p.at(2)
        if not self.headed or item.text.lower() not in ("but", "and", ",") or negated is None:
            return False
        aimed = negated.sense("target", "adverb")
        if item.text.lower() == "but" and aimed and self.is_punch() and not self.p.noun_phrase_ahead(2):
            self.p.i += 2  # "any hook but to the body"
            return self.put("target", OPPOSITE[negated.value("target") or ""], negated)
        said = follows is not None and any(follows.sense(k) for k in ("target", "hand", "side", "stance"))
        return bool(negated.sense("not") and said) and not self.p.noun_phrase_ahead(2, punch=False)

    def _more_done(self) -> bool:
        """“jab gets slipped AND COUNTERED with a hook”: done to the same punch."""
        follows, beyond = self.p.at(1), self.p.at(2)
        if follows is None or not self.is_punch() or (beyond is not None and beyond.determiner):
            return False
        past = follows.sense("role", "past") or follows.sense("technique", "past")
        done = self.c.passives or (self.c.aux and self.proto.outcome == "blocked")
        technique = follows.value("technique")
        return bool(done and past and (technique is None or self.v.kind(technique) in DEFENDED))

    # --- links and filters -----------------------------------------------------------------------------

    def _link(self, item: Item) -> bool:
        follows = self.p.at(1)
        person = not self.headed and (self.c.name or "stance" in self.pre) and len(self.pre) <= 1
        named = (
            follows is not None and not follows.possessive and (follows.fighter or follows.sense("stance"))
        )
        if item.sense("against") and ((person and named) or self.p._is_opponent(1)):
            self.p.i += 1
            self._opponent_phrase()
            return True
        if item.sense("against") and self.takes_object() and self.p.noun_phrase_ahead(1):
            self.p.i += 1
            self.object()
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
        elif isinstance(found, Dates):
            if self.p.out.dates:
                self.p.refuse(item)
            else:
                self.p.out.dates.append(found)
        elif isinstance(found, filters.Within):
            self.p.note(found.note)
            self.p.out.times.append(item)
            follows = self.p.at(1)
            immediately = bool(found.note) and follows is not None and follows.sense("seq")
            if immediately or (follows is not None and follows.text.lower().startswith("follow")):
                self.p.pending_next = found
            elif self.c.absents and self.c.absents[-1].proto.within_us is None:
                self.c.absents[-1].proto.within_us = found.us  # "not countered within a second"
            elif self.c.passives and self.c.passives[-1].within_us is None:
                self.c.passives[-1].within_us = found.us
            elif not self.c.passives and self.c.within_us is None:
                self.c.within_us = found.us
            else:
                self.p.refuse(item)
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
        if got_caught(self, item):
            self.c.received = True
            return self.put("outcome", "landed", item)
        past = sense is not None and sense.form == "past"
        if item.sense("outcome", "adjective") and past and not self.active_past(item):
            return self.on_outcome(item)
        if sense and sense.form == "past" and self.passive_before(item):
            return True
        if straight_on(self, item):
            self.p.refuse(item)
            return True
        moves = sense is not None and not item.numbers and not self.v.is_punch(sense.value)
        if met_moving(self, item):
            if (done := movement(self)) is not None:
                self.c.objects.append(done)
            return True
        if self.c.received and "outcome" in self.pre and moves:
            return False  # "gets clipped stepping back"
        if thrown_moving(self, item):
            return False
        when = self.be or (self.p.when and not (self.c.name or self.c.pronoun))
        if sense and sense.form == "past" and when and self.v.is_punch(sense.value):
            self.c.received = True  # "after being jabbed"
        if item.numbers:
            self.c.protos = [Proto(n.technique, n.hand, target=n.target) for n in item.numbers]
            self.combo = len(item.numbers) > 1
            self.c.form = "plural" if item.text.lower().endswith("s") else "noun"
        elif sense:
            if corners(self, item):
                self.p.refuse(item)
                return True
            if catches(self, item):
                self.put("outcome", "landed", item)
                return doing(self)
            self.c.protos = [Proto(sense.value)]
            self.c.him = self.c.him or item.around in ("him", "them", "her")
            self.c.form = self._form(item)
            self.strong = item.words > 1 and item.text.split()[-1].lower() in _REACHING
            if sense.value == "roll" and item.text.lower().endswith("with"):
                self.p.choose(
                    item.start,
                    item.end,
                    "roll (under the punch)",
                    ("shoulder roll: riding the punch", "shoulder rolls"),
                )
            if self.v.kind(sense.value) == "feint":
                self._feinted(item)
            last = self.p.at(-1)
            whose = self.c.name or self.c.who or item.determiner not in ("", "the")
            if (
                sense.value == "clinch"
                and self.c.form == "noun"
                and last
                and last.sense("after")
                and not whose
            ):
                other = ("the other's clinch", "opponent's clinch")
                self.p.choose(item.start, item.end, "a clinch of his own", other)
        self.c.headless = False
        modify(self)
        return True

    def on_any(self, item: Item) -> bool:
        """“anything after the slip”; “what happens after it” is what the other one does."""
        if self.headed:
            return False
        punch = item.value("any") == "punch"
        self.c.protos, self.c.form = [Proto("punch") if punch else any_action(self.v)], "noun"
        self.c.headless = False
        self.c.asks_next = item.value("any") == "next"
        if item.value("any") == "happens" and not (self.c.name or self.c.who):
            self.c.who = "opponent"
        modify(self)
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
        beyond = self.p.at(2)
        punch = self.p.noun_phrase_ahead(2) or (beyond is not None and beyond.sense("role"))
        if follows.sense("technique", "past") and punch:
            return False  # "a roll or a blocked punch"
        said = any(getattr(self.proto, name) for name in FIELDS)
        if said or not (self._defence(self.proto.technique) and self._defence(technique)):
            return False
        self.proto.others.append(Proto(technique))
        self.p.i += 2
        return True

    def _listed_defences(self) -> bool:
        """“slips, rolls or ducks the hook”."""
        if (
            not self.headed
            or len(self.c.protos) != 1
            or self.c.objects
            or not self._defence(self.proto.technique)
        ):
            return False
        more: list[str] = []
        at, either = 0, False
        while not either and (link := self.p.at(at)) is not None and link.kinds & {"comma", "or"}:
            follows = self.p.at(at + 1)
            technique = follows.value("technique") if follows is not None else None
            if technique is None or not self._defence(technique):
                return False
            more.append(technique)
            either = bool(link.sense("or"))
            at += 2
        if not either:
            return False
        self.proto.others.extend(map(Proto, more))
        self.p.i += at
        return True

    def _defence(self, technique: str) -> bool:
        return self.v.kind(technique) in DEFENDED

    def _form(self, item: Item) -> str:
        forms = [s.form for s in item.senses if s.kind == "technique"]
        if "third" in forms and "plural" in forms:
            # "slips the jab", "Brandt jabs": a verb; "crosses that were blocked", "missed jabs": a noun.
            subject = self.c.name or self.c.who
            follows = self.p.at(1)
            verbal = bool(subject or self.c.pronoun) or (
                follows is not None and (follows.determiner or follows.sense("with"))
            )
            return "third" if verbal or not self.v.is_punch(item.value("technique") or "") else "plural"
        if item.around:
            return forms[0]  # "tie him up"
        if "noun" in forms and "base" in forms:
            follows = self.p.at(1)
            return "base" if follows is not None and follows.determiner and not item.determiner else "noun"
        return forms[0]

    def _feinted(self, item: Item) -> None:
        """“feints the jab”: a feint with the hand, not a jab."""
        follows = self.p.at(1)
        verbal = item.sense("technique", "base", "third", "ing", "past") is not None and not item.determiner
        named = self.p.noun_phrase_ahead(1)
        hand = not named and self.p.noun_phrase_ahead(1, hands=True)
        hand = hand or (not named and follows is not None and self._bare_hand(follows))
        if follows is None or not verbal or not (named or hand):
            return
        if follows.joined or len(follows.numbers) > 1:
            return
        index = self.p.i + 1
        while not self.p.is_head(punch := self.p.items[index]):
            if hand and (punch.names_hand or self._bare_hand(punch)):
                break
            index += 1
        self.c.protos = [Proto("hand feint")]
        if hand:
            self.c.protos = [Proto("hand feint", punch.value("hand"), punch.value("side"))]
        self.p.note("a feinted punch is taken to mean a hand feint")
        if not (follows.determiner or item.sense("technique", "third", "ing")):
            others = ("a feint, then the punch", f"{item.text}, {self.p.phrase[follows.start : punch.end]}")
            self.p.choose(item.start, punch.end, "a feinted punch", others)
        self.p.i = index + 1

    def _bare_hand(self, item: Item) -> bool:
        """“the left”."""
        return bool(item.determiner and (item.sense("side", "noun") or item.sense("hand", "noun")))

    def _second_head(self, item: Item) -> bool:
        sense = item.sense("technique")
        catch = item.sense("technique", "past", "third")
        if catch and catch.value == "catch" and self.is_punch() and caught(self, item):
            return True
        if sense and sense.form == "past" and self.is_punch() and self.passive_after(item):
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
        if item.joined and not self.c.objects and not self.c.passives:
            more = [Proto(n.technique, n.hand, target=n.target) for n in item.numbers] or [
                Proto(sense.value if sense else "punch")
            ]
            self.c.protos.extend(more)
            self.combo = False
            return True
        return False
