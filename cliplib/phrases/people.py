"""Who does it and to whom: names, “the opponent”, “his own”, stances, “by Brandt”."""

from __future__ import annotations

from cliplib.phrases.lexer import Item
from cliplib.phrases.modifiers import ModifierReader
from cliplib.phrases.nextpunch import own_for_object

_FINITE = ("base", "third", "past", "ing")
_ON = ("on", "at", "onto")


class PeopleReader(ModifierReader):
    def _facing(self, fighter: str, items: int) -> bool:
        self.c.opponent, self.c.facing = fighter, True
        self.p.i += items
        return True

    def on_fighter(self, item: Item) -> bool:
        follows = self.p.at(1)
        met = item.possessive and follows is not None and follows.sense("opponent")
        if met and not (self.headed or self.c.name or self.c.opponent):
            return self._facing(item.fighter, 2)  # "Brandt's opponents"
        if self.headed:
            if self._hit(item) and self.c.opponent is None:
                self.c.opponent = item.fighter
                return True
            verbal = self.c.form in ("third", "ing", "past", "base") and self.takes_person()
            alone = not self.p.noun_phrase_ahead(1, punch=False) and not item.possessive
            on = self.last is not None and self.last.text.lower() in _ON
            if on and alone and self.is_punch() and self.c.opponent is None:
                self.c.opponent = item.fighter  # "jabs thrown at Brandt"
                return True
            alone = not self.p.noun_phrase_ahead(1) and not item.possessive
            if verbal and alone and self.c.opponent is None:
                self.c.opponent = item.fighter  # "clinches Brandt"
                return True
            return False
        by = self.last is not None and self.last.text.lower().split()[-1] in ("by", "with")
        if self.c.received and "outcome" in self.pre and not by and not item.possessive:
            return False  # "after getting dropped Brandt clinches"
        if self.c.name is None and not (self.c.role_verb or self.threw) and "outcome" not in self.pre:
            self.c.name = item.fighter
            self.named_possessive = item.possessive
            return True
        if self.c.name is None and (self.p.noun_phrase_ahead(1) or item.possessive) and not self.c.role_verb:
            self.c.name = item.fighter
            self.named_possessive = item.possessive
            return True
        if self.c.opponent is None and not self.p.noun_phrase_ahead(1) and not item.possessive:
            self.c.opponent = item.fighter  # "counters Brandt", "drops Brandt with a hook"
            return True
        if self.c.name is None:
            self.c.name = item.fighter
            return True
        return False

    def or_somebody(self, item: Item) -> bool:
        """“by Brandt or Adeyemi” cannot be asked for."""
        follows = self.p.at(1)
        if follows is None or not follows.fighter or follows.possessive or self.last is None:
            return False
        if not self.last.fighter:
            return False
        self.p.note("“or” between fighters cannot be asked for: ask for one at a time")
        self.p.refuse(item)
        self.p.refuse(follows)
        self.p.i += 2
        return True

    def _hit(self, item: Item) -> bool:
        """“crosses that hit Brandt”, “a hook that floored Brandt”: not “jab landed, Brandt ...”."""
        verb = self.last.sense("outcome", *_FINITE) if self.last is not None else None
        if verb is None or self.last is None or item.possessive or self.p.noun_phrase_ahead(1, punch=False):
            return False
        return verb.value in ("hurt", "knockdown") or self.last.text.lower().startswith("hit")

    def takes_person(self) -> bool:
        return not self.c.objects and self.v.kind(self.proto.technique) in ("tie-up", "footwork", "defence")

    def on_opponent(self, _item: Item) -> bool:
        of, follows = self.p.at(1), self.p.at(2)
        met = of is not None and of.sense("of") and follows is not None and follows.fighter
        if met and follows and not (self.headed or self.c.name or self.c.opponent or follows.possessive):
            return self._facing(follows.fighter, 3)  # "opponents of Brandt"
        if self.headed or self.c.who or self.c.name:
            return False
        self.c.who = "opponent"
        return True

    def on_other(self, _item: Item) -> bool:
        if self.headed or self.c.who or self.c.name:
            return False
        self.c.who = "other"
        return True

    def on_same(self, item: Item) -> bool:
        if item.text.lower() == "own" and own_for_object(self):
            return True
        if self.headed or self.c.who or self.c.name:
            return False
        self.c.who = "same"
        return True

    def on_stance(self, item: Item) -> bool:
        value = item.value("stance") or ""
        if self.headed and (self.p.noun_phrase_ahead(1, punch=False) or self.proto.stance):
            return False
        self.c.owner = self.c.owner or item.possessive
        return self.put("stance", value, item)

    def on_stance_match(self, item: Item) -> bool:
        if self.p.out.stance_match not in (None, item.value("stance_match")):
            self.p.refuse(item)
        else:
            self.p.out.stance_match = item.value("stance_match")
        return True

    def on_by(self, item: Item) -> bool:
        follows = self.p.at(1)
        if follows is None:
            self.p.refuse(item)
            return True
        beyond = self.p.at(2)
        if follows.possessive and follows.fighter and beyond is not None and beyond.sense("opponent"):
            return self.c.opponent is None and self._facing(follows.fighter, 3)
        if follows.fighter and not (follows.possessive and self.p.noun_phrase_ahead(2)):
            outcome = (
                self.c.protos[-1].outcome if self.headed else next(iter(self.pre.get("outcome", ())), None)
            )
            done_to = (
                self.last is not None
                and self.last.sense("outcome", "past", "adjective")
                and outcome == "blocked"
            )
            if item.value("by") == "taken":  # "body shots taken by Brandt"
                if outcome is None:
                    self.put("outcome", "landed", item)
                done_to = True
            if self.last is not None and self.last.text.lower().endswith("to miss"):
                done_to = True
            if done_to and self.c.opponent is None:
                self.c.opponent = follows.fighter  # "blocked by Brandt"
            elif self.c.by is None:
                self.c.by = follows.fighter
            else:
                return False
            self.p.i += 2
            return True
        if follows.sense("stance") and not self.p.noun_phrase_ahead(2):
            self.p.i += 1
            return self.put("stance", follows.value("stance") or "", follows) and self.forward()
        if follows.sense("opponent") or follows.sense("other"):
            blocked = self.last is not None and self.last.value("outcome") == "blocked"
            if blocked:  # as blocked punches are
                self.p.i += 2
                return True
            self.c.who = self.c.who or ("opponent" if follows.sense("opponent") else "other")
            self.p.i += 2
            return True
        if not self.headed and (item.text.lower() == "from" or self._fell_to(follows)):
            return True
        self.p.refuse(item)
        return True

    def _fell_to(self, follows: Item) -> bool:
        """“knockdown by a counter”: the outcome of that."""
        thrown = self.p.noun_phrase_ahead(1, hands=True) or follows.sense("role", "noun")
        return "outcome" in self.pre and bool(thrown)

    def forward(self) -> bool:
        self.p.i += 1
        return True
