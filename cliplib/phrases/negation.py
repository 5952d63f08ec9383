"""What must not be: “without a feint before it”, “not countered”, “that wasn't blocked”."""

from __future__ import annotations

from collections.abc import Sequence

from cliplib.phrases.chunk import Absent, Proto
from cliplib.phrases.lexer import Item
from cliplib.phrases.modifiers import SIDEWAYS
from cliplib.phrases.people import PeopleReader

OPPOSITE = {
    "head": "body", "body": "head", "lead": "rear", "rear": "lead", "left": "right", "right": "left",
    "orthodox": "southpaw", "southpaw": "orthodox",
}  # fmt: skip


DENIED = "only actions, outcomes and rounds can be excluded: what else must not be is not asked for"


class NegationReader(PeopleReader):
    def not_outcome(self, outcomes: Sequence[str], item: Item) -> None:
        """“that wasn't blocked”: any of the other outcomes."""
        out = {o for outcome in outcomes for o in self.v.outcome_family(outcome)}
        rest = [o for o in ("landed", "partial", "blocked", "missed") if o not in out]
        if not rest:
            self.p.refuse(item)
            return
        meant = " or ".join(filter(None, (", ".join(rest[:-1]), rest[-1])))
        self.p.note(f"not {' or '.join(outcomes)} is taken to mean {meant}, as far as the log says")
        if not self.headed:
            self.pre["outcome"] = rest
            return
        if not self.is_punch():
            self.p.refuse(item)
            return
        for proto in self.scope("outcome"):
            proto.outcome, proto.alts["outcome"] = rest[0], rest[1:]

    def on_uncounter(self, _item: Item) -> bool:
        self.c.absents.append(Absent(Proto("punch", role="counter"), after=True, other=None))
        return True

    def on_unoutcome(self, item: Item) -> bool:
        self.not_outcome([item.value("unoutcome") or ""], item)
        return True

    def on_not(self, item: Item) -> bool:
        begun = self.p.i
        self.p.i += 1
        while (follows := self.p.at()) is not None and follows.sense("aux"):
            self.c.aux = True
            self.p.i += 1
        if follows is None:
            self.p.refuse(item)
            return True
        if follows.value("role") == "counter" and self._not_countering(item, follows):
            return True
        if follows.sense("role") and follows.value("role") == "counter" and not self.p.noun_phrase_ahead(0):
            self.p.i += 1
            return self.on_uncounter(item)
        if follows.sense("outcome"):
            outcomes = [follows.value("outcome") or ""]
            while (either := self.p.at(1)) is not None and either.sense("or"):
                more = self.p.at(2)
                if more is None or not more.sense("outcome"):
                    break
                outcomes.append(more.value("outcome") or "")
                self.p.i += 2
            self.not_outcome(outcomes, follows)
            return self.forward()
        begins = bool(self.p.out.links) and not self.pre and not self.c.name
        hand = bool(self.pre_items.get("side") or self.pre_items.get("hand"))
        if (
            (self.headed or begins or hand)
            and (follows.kinds & {"after", "against", "seq"})
            and self.action_ahead(1)
        ):
            self.p.i += 1  # "a hook that isn't set up by a jab"
            return self.absent_chunk(
                item, after=bool(follows.sense("seq")), other=bool(follows.sense("against"))
            )
        for field in ("target", "hand", "side", "stance"):
            value = follows.value(field)
            if value and (follows.joined or not self.p.noun_phrase_ahead(0)):
                self.p.i += 1
                moves = self.headed and self.v.kind(self.proto.technique) == "footwork"
                if field == "hand" and self.headed and (moves or self.proto.technique in SIDEWAYS):
                    self.p.refuse(item)
                    self.p.refuse(follows)
                    return True
                sideways = field == "side" and self.headed and self.proto.technique in SIDEWAYS
                return self.put("direction" if sideways else field, OPPOSITE[value], follows)
        technique = follows.value("technique")
        if technique and self._thrown() and follows.sense("technique", "past"):
            self.c.absents.append(Absent(Proto(technique), after=True, other=True))
            return self.forward()
        if self._not_done(item, follows):
            return True
        # What is denied must not be read as if it were asked for.
        self.p.note(DENIED)
        while (
            (follows := self.p.at()) is not None
            and (follows.sense("filler") or follows.value("make") == "let")
            and self.p.at(1) is not None
        ):
            self.p.i += 1  # "don't let him jab"
        follows = self.p.at() or item
        lets = self.p.i > begun + 1 and not follows.sense("aux")
        if (follows.sense("mult") or lets) and self.p.noun_phrase_ahead(0, punch=False):
            self.p.discard(begun)
            return True
        self.p.refuse(item)
        self.p.refuse(follows)
        if follows.kinds & {"by", "against", "with", "of"} and (denied := self.p.at(1)) is not None:
            self.p.refuse(denied)
            self.p.i += 1
        return self.forward()

    def _not_done(self, item: Item, follows: Item) -> bool:
        """“doesn't jab”, “never throws the hook”, “that he doesn't slip”."""
        verb = follows.sense("technique", "third", "ing") or follows.sense("throw")
        told = self.c.aux or item.text.lower() == "never"
        if not (verb or (told and follows.sense("technique") and not follows.determiner)):
            return False
        theirs = self._thrown() or (bool(self.c.name) and bool(self.p.out.links))
        if not self.headed and not self.p.out.links and not self.pre and self.p.depth == 1:
            self.c.absent = True  # "never jabs before the cross"
            return True
        technique = follows.value("technique")
        defends = technique is not None and self.v.kind(technique) in ("defence", "tie-up")
        if self.headed and not (theirs and defends):
            return False
        if follows.sense("throw"):
            self.p.i += 1
            if not self.p.noun_phrase_ahead(0, hands=True):
                self.c.absents.append(Absent(Proto("punch"), after=True, other=theirs))
                return True
        name, self.c.name = (self.c.name, None) if theirs else (None, self.c.name)
        return self.absent_chunk(item, after=True, other=theirs, name=name)

    def _thrown(self) -> bool:
        """Whether what was said so far is a punch; “the right hand” is one."""
        return self.is_punch() or (not self.headed and bool({"side", "hand"} & set(self.pre)))

    def _not_countering(self, item: Item, follows: Item) -> bool:
        """“Brandt doesn't counter the missed jab”."""
        beyond = self.p.at(1)
        told = self.c.aux or item.text.lower() == "never"
        if self.headed or not told or beyond is None or not beyond.determiner:
            return False
        sub = self.p.chunk()
        if sub is None or not sub.objects:
            self.p.refuse(follows)
            return True
        self.c.objects.extend(sub.objects)
        done = sub.protos[0] if sub.protos else Proto("punch", role="counter")
        self.c.absents.append(Absent(done, after=True, other=False))
        return True

    def on_nobody(self, item: Item) -> bool:
        """“missed hooks nobody countered”."""
        begun = self.p.i
        self.p.i += 1
        while (follows := self.p.at()) is not None and follows.sense("aux"):
            self.p.i += 1
        technique = follows.value("technique") if follows is not None else None
        if follows is not None and (self.is_punch() or (not self.headed and self.p.out.links)):
            if follows.value("role") == "counter" and not self.p.noun_phrase_ahead(1):
                self.p.i += 1
                return self.on_uncounter(item)
            if technique and self.v.kind(technique) in ("defence", "tie-up"):
                self.c.absents.append(Absent(Proto(technique), after=True, other=True))
                return self.forward()
        self.p.note(DENIED)
        self.p.i = begun + 1
        self.p.discard(begun)
        return True

    def on_deny(self, item: Item) -> bool:
        """“except the jab”, “other than on the ropes”."""
        self.p.note(DENIED)
        begun = self.p.i
        self.p.i += 1
        if self.p.noun_phrase_ahead(0, punch=False):
            self.p.discard(begun)
            return True
        self.p.refuse(item)
        while (follows := self.p.at()) is not None:
            self.p.refuse(follows)
            self.p.i += 1
            if not follows.kinds & {"by", "against", "with", "of", "filler"}:
                break
        return True

    def on_notafter(self, item: Item) -> bool:
        self.p.i += 1
        return self.absent_chunk(item, after=True)

    def on_without(self, item: Item) -> bool:
        if not self.headed and not self.pre and not self.c.name and not self.c.who:
            self.c.absent = True
            return True
        self.p.i += 1
        return self.absent_chunk(item, after=None)

    def absent_chunk(
        self, item: Item, after: bool | None, other: bool | None = False, name: str | None = None
    ) -> bool:
        sub = self.p.chunk()
        if sub is None or not (sub.protos or sub.passives):
            self.p.refuse(item)
            return True
        if sub.bare and sub.protos and sub.protos[0].outcome and sub.protos[0].implied:
            self.not_outcome([sub.protos[0].outcome], item)
            return True
        done = sub.passives[0] if sub.passives and (sub.bare or not sub.protos) else sub.protos[0]
        other = other or bool(sub.passives) or sub.who in ("opponent", "other")
        if sub.by and sub.by != self.c.name:
            other = True
        while (
            (either := self.p.at()) is not None
            and either.sense("or")
            and self.p.noun_phrase_ahead(1, punch=False)
        ):
            self.p.i += 1
            more = self.p.chunk()
            if more is None or len(more.protos) != 1:
                self.p.refuse(either)
                break
            done.others.append(more.protos[0])
            sub.by = sub.by or more.by
            other = other or more.who in ("opponent", "other") or bool(more.by and more.by != self.c.name)
        mark = self.p.at()
        if mark is not None and not self.p.noun_phrase_ahead(1, punch=False) and not self.action_ahead(1):
            if mark.sense("mark") or mark.text.lower() == "before":
                after = False
                self.p.i += 1
            elif mark.sense("after"):
                after = True
                self.p.i += 1
        if sub.received:
            after, other = True, True  # "without getting hit"
        if done.role == "counter" and after is not False and not other:
            other = None
        if after is None:
            kind = self.v.kind(done.technique)
            after = other is not False or done.role == "follow-up" or kind == "tie-up"
            after = after or (kind == "punch" and item.text.lower() == "no")  # "jab no cross"
        if len(sub.protos) > 1:
            self.p.refuse(item)
            return True
        done.within_us = sub.within_us
        self.c.absents.append(Absent(done, after, other, name or sub.by or sub.name))
        for name in ("place", "range", "opponent", "opponent_stance"):
            if getattr(self.c, name) is None:
                setattr(self.c, name, getattr(sub, name))
        return True

    def action_ahead(self, ahead: int) -> bool:
        item = self.p.at(ahead)
        return item is not None and bool(
            item.numbers or item.kinds & {"technique", "role", "outcome", "throw", "side", "hand"}
        )
