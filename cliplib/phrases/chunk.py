"""What the grammar builds before anybody is numbered: actions with their modifiers."""

from __future__ import annotations

import copy
from dataclasses import dataclass, field

LINKS = ("seq", "after", "against", "answer", "setup", "and", "comma", "or")
"""Kinds of words that tie one action to the next."""

FIELDS = ("hand", "side", "target", "outcome", "role", "direction", "stance", "fighter")


@dataclass(slots=True)
class Proto:
    """An action being read. `alts`: further values of a field, any of which will do ("left or right hook").
    `others`: whole other actions of which one will do. `actor`: 0 the subject, 1 the other; set at the end.
    """

    technique: str = "punch"
    hand: str | None = None
    side: str | None = None
    target: str | None = None
    outcome: str | None = None
    role: str | None = None
    direction: str | None = None
    stance: str | None = None
    fighter: str | None = None
    place: str | None = None
    range: str | None = None
    within_us: int | None = None
    absent: bool = False
    implied: bool = False
    whatever: bool = False  # any action at all: see anything.py
    alts: dict[str, list[str]] = field(default_factory=dict)
    others: list[Proto] = field(default_factory=list)
    actor: int = 0

    def copy(self) -> Proto:
        return copy.deepcopy(self)


@dataclass(slots=True)
class Absent:
    """What must not happen before or after a chunk. `other`: done by the other fighter; None by whoever would
    answer: the other one behind a punch, oneself behind a slip.
    """

    proto: Proto
    after: bool
    other: bool | None
    name: str | None = None


@dataclass(slots=True)
class Chunk:
    """An action (or a combination) with its modifiers, what it is done against, and what is done to it.

    `who`: "" the subject, "opponent" somebody else while the subject stays, "other" the other one from now
    on, "same". `name`: a fighter said before it; `by`: one said after it. `objects`: the other's punches that
    it defends or counters. `passives`: what the other does to it ("slipped jab").
    """

    protos: list[Proto] = field(default_factory=list)
    form: str = ""
    who: str = ""
    name: str | None = None
    by: str | None = None
    stance: str | None = None  # said where there is no action to carry it
    opponent: str | None = None
    opponent_stance: str | None = None
    objects: list[Chunk] = field(default_factory=list)
    passives: list[Proto] = field(default_factory=list)
    absents: list[Absent] = field(default_factory=list)
    place: str | None = None
    range: str | None = None
    within_us: int | None = None
    absent: bool = False
    before: bool = False  # absent before what was said last: “hook, no jab before it”
    punch: bool = False  # “a follow-up punch”: any punch, where “countered” is what was told
    headless: bool = True
    role_verb: bool = False
    aux: bool = False
    draws: bool = False  # its object answers it: “draws the jab with a feint”
    asks_next: bool = False  # “what comes after Brandt's jab”: of Brandt
    received: bool = False
    evades: bool = False
    repeated: bool = False  # the same action several times, each with a target of its own
    pronoun: str = ""  # of its subject, where a pronoun is all that is said of it: “he”, “you”
    whose: str = ""  # “his jab”, “your hook”: he, you
    which: bool = False  # “..., which is countered”: said of what was told last
    paused: bool = False  # behind a comma or “and”: “jab, and if he slips, hook”
    told: bool = False  # said as what to do: “go to the body”
    facing: bool = False  # “Brandt's opponents”: whoever meets him, so that “his” are Brandt's
    owner: bool = False  # “a southpaw's jab”
    towards: bool = False  # “to the body”, and not “body”
    his: bool = False  # “after HIS jab”: of whoever the phrase is about
    him: bool = False  # “tie him up”: done to somebody
    it: bool = False  # “slips it”: done to what was just told
    when: bool = False  # behind “when”, “as”, “if”
    meanwhile: bool = False  # ... and not “when”: “as”, “while”
    moving: bool = False  # “(lands a left) coming in”: came right before what it is said behind
    bare: bool = False  # nothing but an outcome, a target or a passive: goes to the action before it
    start: int = 0
    end: int = 0


def thrown_by(before: Chunk, link: str, chunk: Chunk) -> bool:
    """“hooks that Brandt throws”: not a punch more, but whose they are; takes it over if so."""
    said = chunk.protos[0] if len(chunk.protos) == 1 else Proto()
    aimed, fell = said.target if before.form == "plural" else None, said.outcome
    plain = said == Proto(target=aimed, outcome=fell, implied=True)
    plain = plain and not (chunk.objects or chunk.passives or chunk.bare)
    if link != "juxta" or not plain or chunk.name is None or chunk.role_verb or chunk.absent:
        return False
    if before.name or before.by or before.who or before.form not in ("noun", "plural"):
        return False
    last = before.protos[-1]
    if (aimed and last.target) or (fell and last.outcome):
        return False
    last.target, last.outcome = last.target or aimed, last.outcome or fell
    before.by = chunk.name
    before.absents.extend(chunk.absents)
    carry(before, chunk)
    return True


def carry(into: Chunk, chunk: Chunk) -> None:
    """What `chunk` says of people and places, and `into` does not."""
    for name in ("by", "opponent", "opponent_stance", "place", "range", "within_us"):
        if getattr(into, name) is None:
            setattr(into, name, getattr(chunk, name))
