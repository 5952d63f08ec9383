"""Who acts, where stories join.

Each side of a join has a subject, 0, and the other one, 1. What was said settles it: names, stances, “he”
and “you”,
“the opponent”. Where nothing was said, the first case of a table that holds does; each has its reason.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

from cliplib.phrases.meanings import Event, Story, flip

SEQ, BACK, AGAINST, WHEN, AS, COND = "seq", "back", "against", "when", "as", "cond"
_BARE = ("n", "nb", "p", "p3", "b", "")
"""Forms of what is told of nobody: notes, and what a coach says to do."""


class Sides(NamedTuple):
    """What joins: the sentence so far and the clause; `first`: the clause that comes first in time."""

    told: Story
    clause: Story
    link: str

    @property
    def last(self) -> Event | None:
        """What was told last, and was done."""
        return next((e for e in reversed(self.told.events) if not e.absent), None)

    @property
    def begun(self) -> Event:
        return self.clause.events[min(self.clause.main[0], len(self.clause.events) - 1)]

    @property
    def lead(self) -> Event:
        """What the sentence's last clause is about."""
        return self.told.events[min(self.told.main[0], len(self.told.events) - 1)]

    @property
    def ended(self) -> Event | None:
        return next((e for e in reversed(self.clause.events) if not e.absent), None)

    @property
    def silent(self) -> bool:
        return not self.clause.subj and self.clause.det not in ("his", "your")


class Case(NamedTuple):
    links: str
    holds: Callable[[Sides], bool]
    acts: Callable[[Sides], int]
    why: str


def _topic(s: Sides) -> int:
    return s.told.topic


def _other(s: Sides) -> int:
    return 1 - s.told.topic


def _goes(s: Sides) -> int:
    return s.told.goes


def _so_that(s: Sides) -> int:
    """The clause's last actor is the sentence's subject."""
    return s.told.topic if s.clause.goes == 0 else 1 - s.told.topic


def _defends(e: Event | None) -> bool:
    return e is not None and e.kind in "DT" and e.technique not in ("step out",)


def _punch(e: Event | None) -> bool:
    return e is not None and (e.kind == "P" or e.technique == "any")


def _met(told: Event, clause: Event | None) -> bool:
    """A defence against a punch, or a counter to one."""
    return _punch(clause) and (told.kind == "D" or told.role == "counter")


_CASES = (
    # one after the other
    Case(
        SEQ,
        lambda s: s.clause.received and "adjective" in s.told.flags,
        _topic,
        "“a jab that's slipped, and eats a left”",
    ),
    Case(SEQ, lambda s: s.clause.received, _goes, "who is hit is who was told of"),
    Case(
        SEQ,
        lambda s: (
            s.begun.role == "counter"
            and "met" not in s.clause.flags
            and _punch(s.last)
            and not s.told.received
            and s.silent
        ),
        lambda s: 1 - s.last.actor if s.last else 0,
        "a counter answers the other's punch",
    ),
    Case(
        SEQ,
        lambda s: (
            s.silent
            and s.told.unsaid is not None
            and s.told.unsaid != s.told.topic
            and s.told.subj in ("he", "opp")
            and (s.clause.form in ("n", "nb", "b", "p", "") or "bare" in s.clause.flags)
        ),
        lambda s: s.told.unsaid or 0,
        "“he jabs, slip”: what is told of nobody is for whom it is told",
    ),
    Case(
        SEQ,
        lambda s: (
            s.begun.role == "counter"
            and "met" not in s.clause.flags
            and s.last is not None
            and s.last.kind == "D"
            and s.silent
        ),
        lambda s: s.last.actor if s.last else 0,
        "who defended counters",
    ),
    Case(
        SEQ,
        lambda s: "earlier" in s.told.flags and s.told.form == "g",
        _goes,
        "“after getting hit, Brandt clinches”",
    ),
    Case(SEQ, lambda s: "adjective" in s.told.flags, _topic, "“parried jab, then cross”: the one told of"),
    Case(
        SEQ,
        lambda s: (
            s.clause.subj == "name"
            and s.told.subj in ("", "opp", "other", "stance")
            and not ("earlier" in s.told.flags and s.told.subj == "")
            and s.told.names == (None, None)
            and s.told.he is None
        ),
        _other,
        "somebody else is told of",
    ),
    Case(SEQ, lambda _: True, _goes, "else the same one goes on"),
    # a condition was told: when he jabs, ...
    Case(COND, lambda s: s.clause.received, _topic, "who is hit is who was told of"),
    Case(
        COND,
        lambda s: s.clause.subj == "name",
        lambda s: s.told.topic if s.told.det == "his" else 1 - s.told.topic,
        "two are told of",
    ),
    Case(
        COND,
        lambda s: _met(s.begun, s.last) and "met" not in s.clause.flags,
        lambda s: 1 - s.last.actor if s.last else 0,
        "it is a punch that one slips or counters",
    ),
    Case(
        COND,
        lambda s: s.silent and s.told.subj != "" and s.clause.form in _BARE,
        _other,
        "“when he jabs, hook”: told to somebody",
    ),
    Case(COND, lambda _: True, _goes, "else the same one goes on"),
    # earlier: after, off, behind
    Case(
        BACK, lambda s: s.clause.received, _topic, "“clinches after getting hit”: who is hit is who clinches"
    ),
    Case(
        BACK,
        lambda s: s.lead.role == "counter" and _punch(s.ended) and s.clause.goes == 0 and not s.told.received,
        lambda s: 1 - s.lead.actor,
        "a counter comes after the other's punch",
    ),
    Case(
        BACK,
        lambda s: (
            "owned" in s.clause.flags
            and s.clause.subj in ("stance", "name")
            and s.told.subj == ""
            and s.lead.kind in "PT"
            and s.told.names == (None, None)
        ),
        _other,
        "“hooks off a southpaw's jab”",
    ),
    Case(
        BACK,
        lambda s: s.told.subj in ("opp", "other") and s.silent and s.clause.form in ("n", "nb", "p", "p3"),
        _other,
        "“the other one clinches after the jab”",
    ),
    Case(BACK, lambda _: True, _so_that, "who acted last before is who acts now"),
    # against, over
    Case(AGAINST, lambda _: True, lambda s: 1 - s.lead.actor, "it is done against the other one"),
    # when, if; as, while
    Case(
        "when as",
        lambda s: s.clause.subj == "he" and s.told.obj in ("him", "it", "name", "opp", "other", "stance"),
        _other,
        "“hook him when he ducks”",
    ),
    Case(
        AS,
        lambda s: s.clause.subj == "he" and s.told.subj == "" and s.lead.technique == "check hook",
        _other,
        "a check hook stops who comes in",
    ),
    Case(
        AS,
        lambda s: s.clause.subj == "he" and s.told.subj == "" and _punch(s.lead) and _punch(s.ended),
        _other,
        "nobody throws two punches at once",
    ),
    Case("when as", lambda s: s.clause.received and not s.clause.subj, _topic, "“clinches when hurt”"),
    Case(
        "when as",
        lambda s: _met(s.lead, s.ended) and s.clause.subj != "",
        lambda s: 1 - s.lead.actor,
        "it is a punch that one slips or counters",
    ),
    Case(
        WHEN,
        lambda s: s.clause.subj == "he" and s.told.subj == "" and s.told.form in ("n", "nb", "b", "p"),
        _other,
        "“hook when he jabs”: told to somebody",
    ),
    Case(
        "when as",
        lambda s: s.clause.subj == "name" and s.told.subj == "",
        lambda s: 1 - s.lead.actor,
        "somebody else is told of",
    ),
    Case("when as", lambda _: True, _topic, "else the same one does both at once"),
)


def who(told: Story, clause: Story, link: str) -> int | None:
    """Which person of the sentence the clause's subject is; none if that cannot be."""
    if "forced" in clause.flags:
        free = who(told, clause._replace(flags=clause.flags - {"forced"}), link)
        return None if free is None else 1 - free
    said = _said(told, clause, link)
    if said is not None:
        return said if said >= 0 else None
    sides = Sides(told, clause, link)
    case = next(c for c in _CASES if link in c.links and c.holds(sides))
    return case.acts(sides)


def _said(told: Story, clause: Story, link: str) -> int | None:
    """What was said of it; -1 where what was said cannot be."""
    for mine, theirs in ((told.names, clause.names), (told.stances, clause.stances)):
        found = _by_pair(mine, theirs, mine is told.names)
        if found is not None:
            return found
    subj = clause.subj
    if subj == "opp" and told.he is not None and told.subj != "opp":
        return 1 - told.he
    if subj == "opp":
        hero = told.unsaid if told.unsaid is not None else (told.topic if told.subj == "name" else 0)
        return 1 - hero
    if subj == "other":
        return 1 - told.topic
    if subj == "same":
        return told.topic
    return _pronoun(told, clause, link)


def _pronoun(told: Story, clause: Story, link: str) -> int | None:
    he = clause.subj == "he" or (not clause.subj and clause.det == "his" and "owned" not in clause.flags)
    you = clause.subj == "you" or (not clause.subj and clause.det == "your")
    if you:
        if told.you is not None:
            return told.you
        return 1 - told.he if told.he is not None else (0 if told.unsaid is None else told.unsaid)
    if he:
        if told.he is not None:
            return told.he
        if told.you is not None:
            return 1 - told.you
        if (
            told.subj == ""
            and link == SEQ
            and "earlier" not in told.flags
            and clause.subj == "he"
            and told.form in ("n", "nb", "b", "p")
            and told.det != "his"
        ):
            return None if clause.received else 1 - told.topic
        if told.subj in ("opp", "other") and clause.subj == "he":
            return 1 - told.topic
    return None


@lru_cache(maxsize=4096)  # asked of the same few people at each joining
def _by_pair(
    mine: tuple[str | None, str | None], theirs: tuple[str | None, str | None], named: bool
) -> int | None:
    """By what both say of their people: 0 or 1, -1 if it clashes, none if they say nothing of the same."""
    fits = []
    for first in (0, 1):
        pairs = ((mine[first], theirs[0]), (mine[1 - first], theirs[1]))
        clash = any(a is not None and b is not None and a != b for a, b in pairs)
        if named:  # one name is of one person
            clash = clash or any(
                a is not None and a == b for a, b in ((mine[1 - first], theirs[0]), (mine[first], theirs[1]))
            )
        if not clash:
            fits.append((sum(a is not None and a == b for a, b in pairs), first))
    if not fits:
        return -1
    if len(fits) == 1:
        return fits[0][1]
    if not named and fits[0][0] != fits[1][0]:
        return max(fits)[1]
    if named and theirs[0] is not None and mine == (None, None):
        return None
    return None


def placed(told: Story, clause: Story, link: str) -> Story | None:
    """The clause with its people numbered as the sentence's."""
    at = who(told, clause, link)
    if at is None:
        return None
    return clause if at == 0 else flip(clause)._replace(subj=clause.subj, obj=clause.obj)


__all__ = ["AGAINST", "AS", "BACK", "COND", "SEQ", "WHEN", "placed", "who"]
