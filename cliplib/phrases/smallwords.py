"""The small words of an action: how many, with what, of which, and verbs that say only that it was thrown."""

from __future__ import annotations

from cliplib.phrases.chunk import Proto
from cliplib.phrases.lexer import Item
from cliplib.phrases.modifiers import GUARDS, SIDEWAYS
from cliplib.phrases.shaping import modify
from cliplib.phrases.verbs import VerbReader

COMMANDS = frozenset(("show", "find", "give", "list", "play", "search"))
"""What a phrase may begin with and says nothing; elsewhere it is something that was not understood."""
_ADVANCES = ("step in", "step back")
_BE = frozenset(("is", "was", "are", "were", "be", "being", "been", "get", "gets", "got", "getting"))


class SmallWordReader(VerbReader):
    def on_mult(self, item: Item) -> bool:
        if item.sense("mult", "times"):  # "jab x2"
            if self.headed and len(self.c.protos) == 1 and not (self.times_item or self.c.passives):
                self.times, self.times_item = int(item.value("mult") or 1), item
            else:
                self.p.refuse(item)
            return True
        if self.headed:
            return False
        follows = self.p.at(1)
        named = self.p.noun_phrase_ahead(1, punch=False) or self.p.hand_noun_ahead(1)
        if follows is None or not (named or follows.sense("role", "plural")):
            self.p.refuse(item)
            return True
        self.times = int(item.value("mult") or 1)
        self.times_item = item
        return True

    def on_with(self, item: Item) -> bool:
        follows = self.p.at(1)
        if follows is None and self.is_punch() and self.proto.outcome and self.last is not None:
            return bool(self.last.sense("outcome"))  # "the uppercut he missed with"
        if follows is None:  # "jab with him"
            return self.p.phrase[item.end :].strip(" .!?").lower() in ("him", "her", "them", "it")
        if not self.headed:
            self.c.him = self.c.him or item.pronoun in ("him", "them") or item.determiner == "her"
            return True
        if self.p.noun_phrase_ahead(1, punch=False):
            return False
        if self.p.depth == self.p.object_depth and self.p.hand_noun_ahead(1):
            return False  # "counters the jab with a right hand": not the jab's
        guards = self.proto.technique in GUARDS and len(self.c.objects) == 1
        beyond = self.p.at(2)
        if self.p.hand_noun_ahead(1) and beyond is not None and beyond.sense("top"):
            return False  # "jab, with the right hand over the top"
        if self.p.hand_noun_ahead(1) and (guards or not self.c.objects) and not self.c.passives:
            # "jab with the left hand", "parries with the rear hand"
            field = "side" if follows.sense("side") else "hand"
            self.p.i += 1
            if self.proto.technique in _ADVANCES:
                return False  # "steps in with the left": a punch
            if self.proto.technique in SIDEWAYS or self.v.kind(self.proto.technique) == "footwork":
                self.p.refuse(follows)  # "slips with the left"
                return self.forward()
            return self.put(field, follows.value(field) or "", follows) and self.forward()
        return False

    def on_of(self, _item: Item) -> bool:
        if self.takes_object() and self.p.noun_phrase_ahead(1):
            self.p.i += 1
            self.object()
        elif (follows := self.p.at(1)) is not None and len(follows.numbers) > 1 and self._of_many():
            # "slips the second punch of a one-two"
            self.c.protos = [Proto(n.technique, n.hand, target=n.target) for n in follows.numbers]
            self.p.i += 2
        return True

    def _of_many(self) -> bool:
        return self.headed and self.c.protos == [Proto("punch")]

    def on_aux(self, item: Item) -> bool:
        self.c.aux = True
        self.be = item.text.lower() in _BE
        return True

    def on_throw(self, item: Item) -> bool:
        if item.text.lower() == "thrown" and self.is_punch() and not self.p.noun_phrase_ahead(1):
            return True
        aimed = self.pre_items.get("target")
        if not self.headed and item.text.lower() == "work" and aimed is not None and aimed is self.last:
            self.c.protos, self.c.form, self.c.headless = [Proto("punch")], "noun", False  # "body work"
            modify(self)
            return True
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
        """“with no jab first”; of nothing else is it known what came first."""
        if self.p.depth > 1:
            return False
        if item.text.lower() == "first" and self.threw is not None and not self.headed:
            return self.put("role", "lead", item)  # "throws first"
        if self.c.absent and self.headed:
            self.c.before = True  # "hook, no jab beforehand"
        elif not self.c.absents:
            self.p.refuse(item)
        return True

    def on_foul(self, item: Item) -> bool:
        """No term of the vocabulary, and not to be read as the fair punch that its words would make."""
        self.p.refuse(item)
        return True

    def on_query(self, item: Item) -> bool:
        """“what hooks did he throw” asks for hooks, “what did he do” for nothing that could be looked for."""
        ahead = 1
        while (follows := self.p.at(ahead)) is not None and follows.sense("aux"):
            ahead += 1
        asks = ahead > 1 and follows is not None and (follows.possessive or follows.determiner)
        if not asks and not self.p.noun_phrase_ahead(1):
            self.p.refuse(item)  # but "what is Brandt's answer to the jab"
        return True

    def on_filler(self, item: Item) -> bool:
        follows = self.p.at(1)
        if item.text.lower() in COMMANDS and (self.headed or self.p.out.links):
            self.p.refuse(item)  # "catch the jab and give him one back"
            return True
        alone = self.last is None or bool(self.last.kinds & {"fighter", "filler", "stance"})
        if item.text.lower() == "up" and alone and not self.headed and self.p.is_punch_head(follows):
            self.p.refuse(item)  # "an up jab"
        return True
