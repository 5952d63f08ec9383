"""Finishing a chunk: the head that was only implied, modifiers put where they belong, hands made sense of."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from cliplib.phrases.chunk import Chunk, Proto
from cliplib.phrases.modifiers import PUNCH_FIELDS, SIDEWAYS
from cliplib.vocabulary.stance import hand_of, switched

if TYPE_CHECKING:
    from cliplib.phrases.verbs import VerbReader

_THROWN = (
    "throw",
    "throws",
    "threw",
    "throwing",
    "thrown",
    "fire",
    "fires",
    "fired",
    "firing",
    "shoot",
    "shoots",
    "shooting",
    "rip",
    "rips",
    "ripped",
    "ripping",
    "unload",
    "unloads",
    "unloading",
)
_MANY = ("two", "three", "four", "five")

_STRAIGHT = re.compile(r"\bstraight\s+(left|right)(\s+hand)?\b|\b(left|right)\s+straight\b", re.IGNORECASE)


def shape(reader: VerbReader) -> Chunk | None:
    c = reader.c
    c.passives[:0] = reader.pre_passives
    if reader.threw is not None and reader.threw.text.lower().startswith(("try", "attempt")):
        c.form = "ing" if c.form in ("base", "noun") else c.form  # "gets hit trying to clinch"
    if c.headless:
        _imply(reader)
        modify(reader)
    for proto in c.protos:
        if reader.top:
            reader.over_the_top(proto)
    _hand_choice(reader)
    _straight_choice(reader)
    _aim(reader)
    _multiply(reader)
    _lead(reader)
    if c.end == 0:
        c.end = c.start
    people = c.name or c.by or c.opponent or c.opponent_stance or c.who
    beside = c.place or c.range or c.within_us is not None or c.absents or reader.pre
    if not (c.protos or c.objects or c.passives or people or beside):
        return None
    return c


def _imply(reader: VerbReader) -> None:
    """Words without a technique that still say something was thrown: “counters”, “misses”, “to the body”."""
    c, pre = reader.c, reader.pre
    hand = reader.pre_items.get("hand")
    power = hand is not None and hand.text.lower() == "power" and "side" in pre  # "power right"
    if hand is not None and hand.text.lower() in ("back", "front", "power") and not power:
        del pre["hand"], reader.pre_items["hand"]
        if reader.threw is None or hand.text.lower() != "back":  # "fires the right hand back"
            reader.p.refuse(hand)  # "fades back": no punch with the back hand
    if hand is not None and hand.text.lower() == "lead" and "role" not in pre and "side" not in pre:
        # "counters the lead", "makes him lead"
        pre["role"], reader.pre_items["role"] = ["lead"], reader.pre_items.pop("hand")
        del pre["hand"]
    side = reader.pre_items.get("side")
    if side is not None and len(side.text) == 1:
        del pre["side"], reader.pre_items["side"]
        reader.p.refuse(side)  # "L" is left before a technique only
    aim = reader.pre_items.get("target")
    own = (
        aim is not None and aim.determiner and aim.sense("target", "adjective") and pre["target"] == ["head"]
    )
    if own and aim is not None and set(pre) == {"target"} and reader.threw is None and not c.role_verb:
        del pre["target"], reader.pre_items["target"]
        reader.p.refuse(aim)  # "gets his head off line"
    said = [f for f in PUNCH_FIELDS if f in pre]
    if said or reader.top:
        c.protos = [Proto("punch", implied=True)]
        bare = set(said) <= {"outcome"} or set(said) <= {"target"} or (set(said) <= {"target", "outcome"})
        c.bare = (
            bare
            and not (c.name or c.who or c.evades or c.received or c.passives or c.objects)
            and reader.threw is None
        )
        c.form = "verb" if c.role_verb or reader.threw else "noun"
        role = reader.pre_items.get("role")
        if role is not None and role.sense("role", "plural") and not c.role_verb:
            c.form = "plural"  # "two counters"
        if "side" in pre or "hand" in pre:
            c.bare = False
    elif _all_of_it(reader) and any(a.other is None for a in c.absents):
        c.protos = [Proto("punch", implied=True)]  # "not countered"
    elif c.passives and not c.objects and all(reader.v.kind(p.technique) == "tie-up" for p in c.passives):
        c.bare = False  # "gets tied up": whatever he did
    elif c.passives and not c.objects:
        c.protos = [Proto("punch", implied=True)]
        c.bare = not c.name and not c.who
    elif reader.threw is not None and reader.threw.text.lower().split()[0] in _THROWN:
        c.protos = [Proto("punch", implied=True)]  # "catch and shoot"
        c.form = "verb"
    elif reader.threw is not None:
        way = next(iter(pre.get("direction", ())), "")
        if way in ("inside", "outside") and c.range is None:
            c.range = way  # "smothers it and works inside"
            del pre["direction"], reader.pre_items["direction"]
        reader.p.refuse(reader.threw)
    elif reader.times_item is not None:
        reader.p.refuse(reader.times_item)


def _all_of_it(reader: VerbReader) -> bool:
    """Whether the phrase says nothing else."""
    return not (reader.p.out.links or reader.c.objects) and reader.p.depth == 1 and reader.p.at() is None


def modify(reader: VerbReader) -> None:
    c = reader.c
    if not c.protos:
        c.stance = next(iter(reader.pre.get("stance", ())), None)
        for name, item in reader.pre_items.items():
            if name != "stance":
                reader.p.refuse(item)
        return
    punch = reader.v.is_punch(c.protos[0].technique)
    if c.protos[0].technique == "feint" and ("hand" in reader.pre or "side" in reader.pre):
        c.protos[0].technique = "hand feint"  # "a lead-hand feint"
    for name, values in reader.pre.items():
        if name == "direction" and punch:
            if values[0] in ("inside", "outside") and c.range in (None, values[0]):
                c.range = values[0]
                item = reader.pre_items[name]
                slip = f"slip to the {values[0]}, then"
                reader.p.choose(
                    item.start,
                    item.end,
                    f"{values[0]} as the range",
                    (f"a slip to the {values[0]} first", slip),
                )
            elif name in reader.pre_items:
                reader.p.refuse(reader.pre_items[name])
            continue
        whole = name == "stance" or (reader.combo and name in ("outcome", "target"))
        targets = c.protos if whole else c.protos[:1]
        field = name
        if name == "side" and c.protos[0].technique in SIDEWAYS:
            field = "direction"  # "a left slip"
        if field == "direction" and name == "side" and "hand" in reader.pre_items[name].text.lower():
            reader.p.refuse(reader.pre_items[name])  # "the right hand with a shoulder roll"
            continue
        if name == "stance" and c.protos[0].technique == "switch stance":
            # The stance of a switch is the one it ends in: a southpaw who switches ends orthodox.
            values = [switched(v) or v for v in values]
        aimed = field == "target" and reader.aimed()
        if not punch and field in ("target", "outcome", "role") and not aimed:
            if name in reader.pre_items:
                reader.p.refuse(reader.pre_items[name])  # nothing but a punch has these
            continue
        if (
            field == "hand"
            and not punch
            and (reader.v.kind(c.protos[0].technique) == "footwork" or c.protos[0].technique in SIDEWAYS)
        ):
            reader.p.refuse(reader.pre_items[name])
            continue
        for proto in targets:
            if getattr(proto, field) is None:
                setattr(proto, field, values[0])
            elif getattr(proto, field) != values[0] and name == "hand" and values[0] == "lead":
                proto.role = proto.role or "lead"
            if len(values) > 1:
                proto.alts[field] = values[1:]


def _hand_choice(reader: VerbReader) -> None:
    """“the right hand”: whichever punch it throws, unless the stance says that it is the rear one."""
    item = reader.pre_items.get("side")
    if (
        item is None
        or not reader.c.protos
        or not reader.c.protos[0].implied
        or reader.top
        or "hand" in reader.pre
    ):
        return
    proto = reader.c.protos[0]
    side = proto.side or ""
    hand = hand_of(side, proto.stance)
    if hand == "rear" and proto.target is None:
        taken, others = "cross", [(f"any punch with the {side} hand", f"{side} punch")]
    elif hand == "lead":
        taken = f"any punch with the {side} hand"
        others = [("a jab", "jab"), (f"a {side} hook", f"{side} hook")]
    else:
        taken = f"any punch with the {side} hand"
        others = [(f"a straight {side}", f"straight {side}"), (f"an overhand {side}", f"overhand {side}")]
    reader.p.choose(item.start, item.end, taken, *others)


def _straight_choice(reader: VerbReader) -> None:
    """“a straight right”: an orthodox fighter's cross, or a southpaw's jab."""
    proto = reader.c.protos[0] if reader.c.protos else None
    if proto is None or proto.technique != "straight" or not proto.side or proto.stance or proto.hand:
        return
    begun = {choice.start for choice in reader.p.out.choices}
    for said in _STRAIGHT.finditer(reader.p.phrase):
        if proto.side in said.group().lower().split() and said.start() not in begun:
            others = [(f"a {proto.side} cross", f"{proto.side} cross"), ("a jab", f"{proto.side} jab")]
            taken = f"any straight punch with the {proto.side} hand"
            reader.p.choose(said.start(), said.end(), taken, *others)
            return


def _aim(reader: VerbReader) -> None:
    """“body-head hooks”: one to the body, one to the head."""
    protos = reader.c.protos
    if not reader.aims or not protos or protos[-1].target != reader.aims[0]:
        return
    for target in reader.aims[1:]:
        again = protos[-1].copy()
        again.target = target
        protos.append(again)
    reader.c.bare = False


def _multiply(reader: VerbReader) -> None:
    """“double jab”: the same again, with all that is said of it."""
    item = reader.times_item
    if item is None or reader.times < 2 or not reader.c.protos:
        return
    if (
        (item.text.lower() in _MANY or item.text.isdigit())
        and reader.c.form not in ("plural", "third")
        and not reader.combo
    ):
        reader.p.refuse(item)
        return
    first = reader.c.protos[0]
    reader.c.protos[:1] = [first.copy() for _ in range(min(reader.times, 10))]


def _lead(reader: VerbReader) -> None:
    """“lead” is a hand before a hook, and a role before a cross, which no lead hand throws."""
    for proto in reader.c.protos:
        by_definition = reader.v.hand(proto.technique)
        if (
            by_definition == "lead"
            and "hand" in reader.pre_items
            and (proto.hand == "rear" or proto.alts.get("hand"))
        ):
            proto.hand = None
            proto.alts.pop("hand", None)
            reader.p.refuse(reader.pre_items["hand"])  # "a power jab"
        if proto.hand != "lead":
            continue
        lead_right = proto.technique == "punch" and proto.side == "right"
        if by_definition == "rear" or lead_right:
            proto.hand = None
            proto.role = proto.role or "lead"
        elif by_definition == "lead" and "hand" in reader.pre_items:
            item = reader.pre_items["hand"]
            if item.text.lower() == "lead":
                other = ("as a lead: the first punch of the exchange", "leading")
                reader.p.choose(item.start, item.end, "lead as the hand", other)
