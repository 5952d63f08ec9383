"""The words around a head: hands, sides, targets, outcomes, roles, places."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cliplib.phrases.chunk import Chunk, Proto
from cliplib.phrases.lexer import Item
from cliplib.phrases.nextpunch import begins_punch, ends_punch

if TYPE_CHECKING:
    from cliplib.phrases.grammar import Parser

SIDEWAYS = (
    "footwork", "slip", "roll", "duck", "pull", "step back", "step out", "step in", "pivot", "circle",
    "shoulder roll", "lead-foot step",
)  # fmt: skip
GUARDS = ("block", "parry", "catch")
ALTERNATIVES = ("hand", "side", "target", "outcome", "role", "direction", "stance")
_LEVELS = ("inside", "outside")
PUNCH_FIELDS = ("hand", "side", "target", "outcome", "role")


class ModifierReader:
    """Reads modifiers into a chunk; those before the head are kept in `pre` until the head is known."""

    def __init__(self, parser: Parser):
        self.p = parser
        self.v = parser.vocabulary
        self.c = Chunk()
        self.pre: dict[str, list[str]] = {}
        self.pre_items: dict[str, Item] = {}
        self.pre_passives: list[Proto] = []
        self.times = 1
        self.times_item: Item | None = None
        self.aims: list[str] = []  # “body-head”: the same punch at one after the other
        self.combo = False  # a combination said as one word: its modifiers belong to all of it
        self.top: Item | None = None
        self.threw: Item | None = None
        self.named_possessive = False
        self.be = False  # “is jabbed”
        self.last: Item | None = None

    @property
    def proto(self) -> Proto:
        return self.c.protos[-1]

    @property
    def headed(self) -> bool:
        return not self.c.headless

    def is_punch(self) -> bool:
        return self.headed and self.v.is_punch(self.proto.technique)

    def aimed(self) -> bool:
        """Whether the head has a target: a punch, or a feint of one."""
        return self.is_punch() or (self.headed and self.v.kind(self.proto.technique) == "feint")

    # --- setting ---------------------------------------------------------------------------------------

    def put(self, field: str, value: str, item: Item) -> bool:
        """A value of the head, or of the head to come; False if the head has one already."""
        if not self.headed:
            if field in self.pre and field != "role":
                if self.pre[field] == [value]:
                    return True
                if field == "outcome" and self._guarded(self.pre[field][0], item):
                    self.pre[field] = [value]
                    return True
                self.p.refuse(item)
                return True
            self.pre[field] = [value]
            self.pre_items[field] = item
            self.touch(item)
            return True
        aimed = field == "target" and self.aimed()
        if field in ("target", "outcome", "role") and not self.is_punch() and not aimed:
            self.p.refuse(item)  # nothing but a punch has these
            return True
        for proto in self.scope(field):
            if getattr(proto, field) not in (None, value):
                return False
            if field == "hand" and self.v.hand(proto.technique) not in (None, value):
                self.p.refuse(item)  # "jab with the rear hand"
                return True
        for proto in self.scope(field):
            setattr(proto, field, value)
            if field in ("hand", "side") and proto.technique == "feint":
                proto.technique = "hand feint"
        self.touch(item)
        return True

    def scope(self, field: str) -> list[Proto]:
        """The actions of a combination that a modifier behind it speaks of."""
        if field == "stance" or (self.combo and field in ("outcome", "target")):
            if field == "target" and any(p.target for p in self.c.protos):
                return self.c.protos[-1:]
            return self.c.protos
        if field == "role":
            punches = [p for p in self.c.protos if self.v.is_punch(p.technique)]
            return punches[:1] or self.c.protos[:1]
        return self.c.protos[-1:]

    def touch(self, item: Item) -> None:
        self.c.end = item.end

    def alternative(self) -> bool:
        """“left or right hook”, “to the head or body”: the word behind “or” is of the kind before it."""
        last, follows = self.last, self.p.at(1)
        if last is None or follows is None:
            return False
        way = follows.value("side")
        moves = self.headed and self.proto.direction and last.sense("direction")
        if way and moves and not self.p.noun_phrase_ahead(1):  # "slips to the left or right"
            self.proto.alts.setdefault("direction", []).append(way)
            self.p.i += 2
            return True
        for field in ALTERNATIVES:
            before, after = last.sense(field), follows.sense(field)
            if before is None or after is None or before.value == after.value:
                continue
            if field == "role":
                continue
            if self.headed and self.p.noun_phrase_ahead(1) and not follows.sense(field, "adverb"):
                return False
            if last.names_hand and not follows.names_hand and self.p.noun_phrase_ahead(1):
                return False  # "right hand or left hook"
            adverb = follows.sense(field, "adverb")
            alone = field in ("hand", "side", "outcome")
            if not (self.headed or self.p.noun_phrase_ahead(1) or adverb or alone):
                return False
            if not self.headed and field in self.pre:
                self.pre[field].append(after.value)
            elif self.headed:
                # "slips left or right"
                sideways = field == "side" and self.proto.technique in SIDEWAYS
                of = "direction" if sideways else field
                for proto in self.scope(of):
                    if getattr(proto, of) is None:
                        return False
                    proto.alts.setdefault(of, []).append(after.value)
            self.p.i += 2
            return True
        return False

    # --- hands, targets, outcomes, places -----------------------------------------------------------------

    def on_hand(self, item: Item) -> bool:
        return self.hand_or_side("hand", item)

    def on_side(self, item: Item) -> bool:
        moves = self.headed and self.proto.technique in SIDEWAYS and item.text.lower() in ("left", "right")
        if moves and not self.p.noun_phrase_ahead(1):
            return self.put("direction", item.value("side") or "", item)
        return self.hand_or_side("side", item)

    def hand_or_side(self, field: str, item: Item) -> bool:
        value = item.value(field) or ""
        if not self.headed:
            return not ends_punch(self) and self.put(field, value, item)
        if (
            field == "hand"
            and item.text.lower() == "lead"
            and self.is_punch()
            and not self.p.noun_phrase_ahead(1)
        ):
            return self.put("role", "lead", item)
        if self.proto.technique == "trap" and not self.p.noun_phrase_ahead(1):
            return getattr(self.proto, field) is None and self.put(field, value, item)
        if self.p.noun_phrase_ahead(1) or not self.is_punch() or self.c.objects or self.c.passives:
            return False
        if begins_punch(self, item):
            return False
        return getattr(self.proto, field) is None and not item.determiner and self.put(field, value, item)

    def on_target(self, item: Item) -> bool:
        value = item.value("target") or ""
        self.c.towards = item.text.lower().startswith("to ")
        if item.joined and self.last is not None and self.last.sense("target") and not self.c.passives:
            before = self.proto.target if self.headed else next(iter(self.pre.get("target", ())), None)
            if before is not None and value != (self.aims or [before])[-1]:
                self.aims = [*(self.aims or [before]), value]
                return True
        said = self.headed or bool(self.c.passives)
        if said and item.sense("target", "adjective") and self.p.noun_phrase_ahead(1):
            return False
        if self.c.passives:  # "gets countered to the body"
            done = self.c.passives[-1]
            if not self.v.is_punch(done.technique) or done.target:
                return False
            done.target = value
            return True
        if self.headed and self.proto.technique in GUARDS and item.words == 1 and not self.c.objects:
            self.p.refuse(item)  # "blocks upstairs": no punch of his own
            return True
        if self.headed and (not self.aimed() or self.proto.target):
            return False
        if "liver" in item.text.lower():
            self.liver(item)
        return self.put("target", value, item)

    def liver(self, item: Item) -> None:
        """It lies on the right of the body, where a left hand reaches it; but a target is not a hand."""
        side = self.proto.side if self.headed else next(iter(self.pre.get("side", ())), None)
        hand = self.proto.hand if self.headed else next(iter(self.pre.get("hand", ())), None)
        if side is None and hand is None and not self.headed:
            other = ("a left hand to the body, which is how the liver is reached", "left body")
            self.p.choose(item.start, item.end, "the body, with either hand", other)

    def on_outcome(self, item: Item) -> bool:
        value = item.value("outcome") or ""
        if not self.headed and self._lowers(item):
            return True
        if not self.headed:
            if "outcome" in self.pre and self.c.role_verb:
                return False
            follows = self.p.at(1)
            ends = follows is None or bool(follows.kinds & {"comma", "and", "seq"}) or bool(follows.filter)
            ends = ends or (follows is not None and bool(follows.sense("target", "adverb")))
            if (
                self.p.when
                and ends
                and not self.c.name
                and item.sense("outcome", "past")
                and not self.c.pronoun
            ):
                self.c.received = True  # "clinches when hurt"
            return self.put("outcome", value, item)
        if (
            not self.is_punch()
            or self.c.passives
            or (self.c.objects and self.c.form != "noun" and not self.c.role_verb)
        ):
            return False
        current = self.scope("outcome")[-1].outcome
        if current is not None:
            if self._guarded(current, item):
                for proto in self.scope("outcome"):
                    proto.outcome = value
                return True
            if current == "landed" and value in self.v.outcome_family("landed"):
                for proto in self.scope("outcome"):
                    proto.outcome = value
                return True
            return current == value and not self.p.noun_phrase_ahead(1)
        if (
            item.sense("outcome", "adjective")
            and not item.sense("outcome", "past")
            and self.p.noun_phrase_ahead(1)
        ):
            return False
        return self.put("outcome", value, item)

    def _lowers(self, item: Item) -> bool:
        """“drops his right hand”: a guard that opens, not a knockdown."""
        follows = self.p.at(1)
        lowers = item.text.lower().startswith("drop") and follows is not None and follows.determiner
        if not lowers or follows is None or self.p.noun_phrase_ahead(1) or not self.p.hand_noun_ahead(1):
            return False
        self.p.refuse(item)
        self.p.refuse(follows)
        self.p.i += 2
        return True

    def _guarded(self, current: str, item: Item) -> bool:
        """“lands on the gloves”: what it hit was the guard."""
        return current == "landed" and item.value("outcome") == "blocked" and item.words > 1

    def on_top(self, item: Item) -> bool:
        if self.headed and not self.is_punch():
            return False
        if self.headed and self.p.noun_phrase_ahead(1):
            return False
        self.top = item
        if self.headed:
            self.over_the_top(self.proto)
        return True

    def over_the_top(self, proto: Proto) -> None:
        if proto.technique in ("punch", "straight", "cross"):
            proto.technique = "overhand"
            self.p.note("a punch over the top is taken to mean an overhand")
        elif proto.technique != "overhand" and self.top is not None:
            self.p.refuse(self.top)  # "a looping hook"
            self.top = None

    def on_place(self, item: Item) -> bool:
        if self.c.place is not None and self.c.place != item.value("place"):
            return False
        self.c.place = item.value("place")
        return True

    def on_range(self, item: Item) -> bool:
        if self.c.range is not None and self.c.range != item.value("range"):
            return False
        self.c.range = item.value("range")
        return True

    def on_direction(self, item: Item) -> bool:
        value = item.value("direction") or ""
        if not self.headed:
            return self.put("direction", value, item)
        if self.is_punch():
            follows = self.p.at(1)
            thrown = self.p.noun_phrase_ahead(1, hands=True) or self.p.hand_noun_ahead(1)
            if follows is not None and follows.determiner and item.text.lower() in _LEVELS and thrown:
                return False  # "hooks inside the right hand"
            done = self.c.passives[-1] if self.c.passives else None
            if done is not None and done.technique in SIDEWAYS and done.direction is None:
                done.direction = value  # "was slipped to the outside"
                return True
            if self.p.depth > 1:
                return False  # "slips the jab to the right": of the slip
            if value in ("inside", "outside") and item.text.lower() == value:
                if self.p.noun_phrase_ahead(1, punch=False):
                    return False
                return self.on_direction_as_range(item, value)
            self.p.refuse(item)
            return True
        if self.p.noun_phrase_ahead(1, punch=False) and self.proto.direction is not None:
            return False
        if item.text.lower() == "inside" and self.proto.technique == "slip":
            self.p.choose(
                item.start,
                item.end,
                "inside as the direction of the slip",
                ("at inside range", "on the inside"),
            )
        return self.put("direction", value, item)

    def on_direction_as_range(self, item: Item, value: str) -> bool:
        if self.c.range not in (None, value):
            return False
        self.c.range = value
        self.p.choose(
            item.start,
            item.end,
            f"{value} as the range",
            (f"a slip to the {value}", f"off a slip to the {value}"),
        )
        return True
