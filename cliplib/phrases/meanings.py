"""What phrases mean: events and stories that never change, and the pure functions that the rules call.

A function returns nothing where its parts clash: then the rule doesn't hold there, and another reading wins.
In a story, person 0 is its subject, 1 the other one. Who they are to each other when stories join is
decided in
`acting`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

Pair = tuple[str | None, str | None]
NOBODY: Pair = (None, None)
ANY = "any"
ROOTS = ("defence", "footwork", "feint", "tie-up")
"""What anything at all may be, beside a punch."""


class Event(NamedTuple):
    """One thing done. `absent`: b, a: it must not come before, after what is told with it. `implied`: a
    punch that
    nobody named. `others`: other events of which any one will do."""

    technique: str
    kind: str = "P"
    actor: int = 0
    hand: str | None = None
    side: str | None = None
    target: str | None = None
    outcome: str | None = None
    role: str | None = None
    direction: str | None = None
    stance: str | None = None
    place: str | None = None
    range: str | None = None
    within: int | None = None
    absent: str = ""
    implied: bool = False
    fixed: str | None = None  # the hand that throws it by definition
    others: tuple[Event, ...] = ()

    @property
    def fixed_hand(self) -> str | None:
        return self.fixed if self.fixed != LEAD else None


class Person(NamedTuple):
    """`kind`: name, opp, other, same, stance, he, you, him, any, nobody."""

    kind: str
    name: str | None = None
    stance: str | None = None
    facing: str | None = None  # “Brandt's opponent”
    det: str = ""


class Mod(NamedTuple):
    """Something said of an action: a field of it and its values, of which any one will do."""

    field: str
    values: tuple[str, ...]
    form: str = ""
    det: str = ""
    other: str = ""


class Asked(NamedTuple):
    """What holds for all of a search."""

    rounds: tuple[int | str, ...] = ()
    dates: tuple[Any, Any] | None = None
    fight: str | None = None
    match: str | None = None
    within: int | None = None
    links: bool = False
    notes: tuple[str, ...] = ()


class Story(NamedTuple):
    """Events in time order. `main`: the span of those that the words around are about. `form`: n noun, p
    plural, b
    base, 3 third, d past, g ing, nb and p3 for words that are both, c a clause. `subj`, `obj`: how the
    subject and
    the one it is done to were said. `goes`: who goes on after it. `received`: the subject is hit."""

    events: tuple[Event, ...] = ()
    main: tuple[int, int] = (0, 0)
    names: Pair = NOBODY
    stances: Pair = NOBODY
    subj: str = ""
    obj: str = ""
    form: str = ""
    det: str = ""
    goes: int = 0
    received: bool = False
    within: int | None = None
    asked: Asked = Asked()
    flags: frozenset[str] = frozenset()
    # of a sentence that is being told
    topic: int = 0
    start: int = 0
    unsaid: int | None = None
    he: int | None = None
    you: int | None = None


Meaning = Story | None
# --- single events ---------------------------------------------------------------------------------------

SIDED = frozenset(
    (
        "footwork", "slip", "roll", "duck", "pull", "step back", "step out", "step in", "pivot", "circle",
        "shoulder roll", "lead-foot step", "defence",
    )
)  # fmt: skip
CORNER = "\0"
"""Begins what a corner is called: somebody, and not the other one, without a name."""
LEAD = "lead?"
"""“Lead right”: a lead hand, where the stance makes it one, else a punch that leads."""
GUARDS = ("block", "parry", "catch")
HANDED = frozenset(("parry", "catch", "block", "hand feint", "push", "smother", "trap", "frame", "feint"))


def fits(event: Event, field: str) -> bool:
    """Whether a field can be said of an event."""
    if event.technique == ANY:
        return field in ("target", "outcome", "place", "range", "within")
    if field in ("hand", "side"):
        return event.kind == "P" or event.technique in HANDED
    if field == "target":
        return event.kind == "P" or event.technique == "feint"
    if field in ("outcome", "role"):
        return event.kind == "P"
    return field != "direction" or event.technique in SIDED


def _set(event: Event, field: str, value: str) -> Event:
    values: dict[str, Any] = {field: value}
    return event._replace(**values)


def put(event: Event, mod: Mod) -> Event | None:
    """The event with a field said of it; none if it is said already or can't be."""
    field = mod.field
    if field == "side" and event.technique in SIDED:
        field = "direction"
    if field == "hand" and event.fixed == "rear" and mod.values == ("lead",):
        return put(event, Mod("role", ("lead",)))  # “lead cross”
    if mod.det and mod.field == "side" and field == "direction":
        return None  # “ducks the left”
    if field == "outcome" and event.outcome == mod.values[0]:
        return event
    if not fits(event, field) or getattr(event, field) is not None:
        return None
    if (
        field == "hand"
        and mod.values == ("lead",)
        and mod.form == "adjective"
        and event.technique in ("overhand", "punch", "straight")
        and event.side
    ):
        done = put(event, Mod("role", ("lead",)))
        return done and done._replace(fixed=LEAD)
    done = _set(event, field, mod.values[0])
    more = tuple(_set(event, field, value) for value in mod.values[1:])
    others = tuple(
        _set(o, field, value) if fits(o, field) and getattr(o, field) is None else o
        for o in event.others
        for value in mod.values
    )
    if more or others:
        done = done._replace(others=tuple(m._replace(others=()) for m in more) + others)
    return done


def single(technique: str, kind: str, form: str, fixed: str | None, det: str = "", **values: Any) -> Story:
    return Story((Event(technique, kind, fixed=fixed, **values),), (0, 1), form=form, det=det)


def implied(form: str = "n", **values: Any) -> Story:
    return Story((Event("punch", implied=True, **values),), (0, 1), form=form)


def with_events(story: Story, events: Iterable[Event], **more: Any) -> Story:
    return story._replace(events=tuple(events), **more)


def flip(story: Story) -> Story:
    """The same story told of the other one."""
    turned = tuple(
        e._replace(actor=1 - e.actor, others=tuple(o._replace(actor=1 - o.actor) for o in e.others))
        for e in story.events
    )
    return story._replace(
        events=turned,
        names=story.names[::-1],
        stances=story.stances[::-1],
        goes=1 - story.goes,
        subj="",
        obj=story.subj,
    )


def same_pair(a: Pair, b: Pair) -> Pair | None:
    """Two pairs that say the same of the same people."""
    out = []
    for x, y in zip(a, b, strict=True):
        if x is not None and y is not None and x != y:
            return None
        out.append(x if x is not None else y)
    if out[0] is not None and out[0] == out[1]:
        return None
    return out[0], out[1]


def same_stances(a: Pair, b: Pair) -> Pair | None:
    out = []
    for x, y in zip(a, b, strict=True):
        if x is not None and y is not None and x != y:
            return None
        out.append(x if x is not None else y)
    return out[0], out[1]


def both_asked(a: Asked, b: Asked) -> Asked | None:
    if not (a.rounds or a.dates or a.fight or a.match or a.notes):
        return b
    for one, two in ((a.dates, b.dates), (a.fight, b.fight), (a.match, b.match)):
        if one and two and one != two:
            return None
    return Asked(
        tuple(dict.fromkeys((*a.rounds, *b.rounds))), a.dates or b.dates, a.fight or b.fight,
        a.match or b.match, notes=tuple(dict.fromkeys((*a.notes, *b.notes))),
    )  # fmt: skip


def plus(a: Story, b: Story) -> Story | None:
    """Story `a` and, later, `b`, of the same subject; `b` is the main one."""
    names, stances, asked = (
        same_pair(a.names, b.names),
        same_stances(a.stances, b.stances),
        both_asked(a.asked, b.asked),
    )
    if names is None or stances is None or asked is None:
        return None
    at = len(a.events)
    return b._replace(
        events=a.events + b.events, main=(at + b.main[0], at + b.main[1]), names=names, stances=stances,
        asked=asked, subj=a.subj or b.subj, obj=a.obj or b.obj, flags=a.flags | b.flags,
        within=b.within if b.within is not None else a.within,
    )  # fmt: skip


def change(story: Story, at: Sequence[int], mod: Mod) -> Story | None:
    events = list(story.events)
    for i in at:
        done = put(events[i], mod)
        if done is None:
            return None
        events[i] = done
    return with_events(story, events) if at else None


# --- what is said of an action ---------------------------------------------------------------------------


def head(mod: Mod) -> Meaning:
    """“right hand”, “counter”, “knockdown”, “to the body”: a punch that nobody named."""
    story = change(implied(mod.form if mod.form in ("nb", "p3", "p") else "n"), (0,), mod)
    return story and story._replace(det=mod.det)


def pre(mod: Mod, story: Story) -> Meaning:
    """Said before a noun: of all of a combination, but a role of its first punch."""
    if story.det:
        return None  # “outside the jab”
    at = list(range(*story.main))
    if (
        mod.field == "direction"
        and story.events[at[0]].kind == "P"
        and mod.values[0] in ("inside", "outside")
    ):
        mod = mod._replace(field="range")
    if mod.field == "role":
        at = at[:1]
    done = change(story, at, mod._replace(det=""))
    return done and done._replace(
        form=_nounish(story.form), det=mod.det or story.det, flags=done.flags | {"pre"}
    )


def _nounish(form: str) -> str:
    return {"nb": "n", "p3": "p"}.get(form, form)


def give(story: Story, mod: Mod) -> Meaning:
    """Said behind an action: of what is told mainly, else of what it is done to; behind a passive, of what
    was done."""
    events, main = story.events, range(*story.main)
    last = (len(events) - 1,) if events else ()
    rest = tuple(i for i in range(len(events)) if i not in main)
    groups = (
        (last, main)
        if "passive" in story.flags
        else (main, rest if mod.field in ("target", "outcome") else ())
    )
    for group in groups:
        at = [
            i
            for i in group
            if fits(events[i], mod.field) or (mod.field == "side" and events[i].technique in SIDED)
        ]
        if at:
            single = mod.field in ("direction", "role") or (
                mod.field == "side" and events[at[-1]].technique in SIDED
            )
            return change(story, at[-1:] if single else at, mod)
    if mod.field == "direction" and mod.values[0] in ("inside", "outside"):
        return change(story, main, mod._replace(field="range"))
    return None


def aimed(mod: Mod) -> Meaning:
    """“to the body”: a punch, or the last one again."""
    if mod.form == "adjective" and mod.det:
        return None
    done = head(mod)
    return done and done._replace(flags=frozenset(("aimed",)))


def knocked(story: Story, punch: Story) -> Meaning:
    """“knockdown from a left hook”."""
    e = story.events[0]
    if not e.implied or not e.outcome or len(story.events) != 1:
        return None
    return change(punch, range(*punch.main), Mod("outcome", (e.outcome,)))


def place(story: Story, mod: Mod) -> Meaning:
    return change(story, range(*story.main), mod)


def times(count: Mod, story: Story) -> Meaning:
    """“double jab”."""
    if len(story.events) != 1 or story.events[0].absent:
        return None
    n = int(count.values[0])
    return story._replace(events=story.events * n, main=(0, n), form=_nounish(story.form), det=count.det)


def of(person: Person, story: Story) -> Meaning:
    """“Brandt's jab”, “southpaw jab”."""
    done = subject(person, story)
    return done and done._replace(
        form=_nounish(story.form), det=person.det or story.det, flags=story.flags | {"owned"}
    )


def subject(person: Person, story: Story) -> Meaning:
    """“Brandt jabs”."""
    if (
        story.subj not in ("", "stance")
        or (story.subj and person.kind in ("stance", "he", "you"))
        or (story.names[0] is not None and person.name)
    ):
        return None
    if person.kind == "nobody":
        return never(story)
    names, stances = (person.name, person.facing), (person.stance, None)
    if "owned" in story.flags and story.names[0]:
        return None
    merged = same_pair(story.names, names)
    both = same_stances(story.stances, stances)
    if merged is None or both is None:
        return None
    return story._replace(names=merged, stances=both, subj=person.kind)


def onto(story: Story, person: Person) -> Meaning:
    """“hooks him”, “ties Brandt up”."""
    if story.obj or person.kind in ("nobody", "he"):
        return None
    merged = same_pair(story.names, (person.facing, person.name))
    both = same_stances(story.stances, (None, person.stance))
    if merged is None or both is None:
        return None
    return story._replace(names=merged, stances=both, obj=person.kind)


def against(story: Story, person: Person) -> Meaning:
    """“jab against Brandt”."""
    if story.events and story.events[-1].technique == "switch stance":
        return None
    done = onto(story._replace(obj=""), person)
    return done and done._replace(obj=story.obj)


# --- what two do to each other ---------------------------------------------------------------------------


def evades(defence: Story, punch: Story) -> Meaning:
    """“slips the jab”: the other's jab, then the slip."""
    if (
        len(defence.events) != 1
        or any(e.absent for e in punch.events)
        or punch.received
        or "verb" in punch.flags
        or any(e.kind not in "PXF" for e in punch.events)
    ):
        return None
    if "aimed" in punch.flags and not punch.det:
        return None
    told = flip(punch)
    done = plus(told._replace(obj=""), defence)
    the = {"the"} if punch.det in ("the", "his") else set()
    return done and done._replace(
        det="",
        obj="his" if punch.det == "his" else punch.subj,
        form=verbal(defence.form),
        flags=done.flags | {"met", "verb"} | the,
    )


def evades_it(defence: Story, punch: Story) -> Meaning:
    """“slips the jab”, and not the note “slip, jab”."""
    bare = (
        defence.form in ("nb", "d")
        and not punch.det
        and (punch.form in ("n", "nb") or defence.form == "d")
        and ("owned" not in punch.flags or punch.subj == "stance")
    )
    return None if bare else evades(defence, punch)


def jotted(defence: Story, punch: Story, answer: Story) -> Meaning:
    """“parry jab, counter jab”: a note of the other's jab, as an answer to it follows."""
    if punch.det or len(punch.events) != 1 or answer.subj or not answer.events:
        return None
    answers = answer.events[answer.main[0]].role == "counter" or "returns" in answer.flags
    if not answers and defence.events[0].technique not in GUARDS:
        return None
    if answers and "met" in answer.flags:
        return None
    done = evades(defence, punch)
    both = done and plus(done, answer._replace(subj=""))
    return both and both._replace(form="b", flags=both.flags | {"verb"}, det="")


def done_to(defence: Story, punch: Story) -> Meaning:
    """“slipped jab”: the jab, then the other's slip; a punch that is blocked is that, and no more."""
    if any(e.absent for e in punch.events):
        return None
    first = defence.events[0]
    if first.technique == "block" and not first.absent and defence.form != "3":
        punch_ = change(punch, range(*punch.main), Mod("outcome", ("blocked",)))
        names = punch_ and same_pair(punch_.names, defence.names[::-1])
        if punch_ is None or names is None:
            return None
        punch = punch_._replace(
            names=names, stances=same_stances(punch_.stances, defence.stances[::-1]) or punch_.stances
        )
        if len(defence.events) == 1:
            return punch._replace(form=_nounish(punch.form))
        defence = with_events(defence, defence.events[1:])
    done = plus(punch, flip(defence))
    if done is None:
        return None
    return done._replace(
        main=punch.main,
        form=_nounish(punch.form),
        det=punch.det,
        goes=1,
        subj=punch.subj,
        obj="",
        flags=punch.flags | {"adjective"},
    )


def passive(punch: Story, defence: Story) -> Meaning:
    """“jab is slipped”, “his jab gets countered with a hook”: he goes on."""
    done = done_to(defence, punch)
    return done and done._replace(goes=0, form="c", flags=done.flags | {"passive"}, det=punch.det)


def by(story: Story, person: Person) -> Meaning:
    """“is slipped by Brandt”, of a passive; “jab by Brandt”, of a noun."""
    if "passive" in story.flags or story.received:
        return against(story, person)
    if story.form == "d":
        return None
    done = subject(person, story)
    return done and done._replace(subj="by" if person.kind == "name" else done.subj)


def never_does(story: Story) -> Meaning:
    if (
        story.det
        or story.form in ("n", "p")
        or story.received
        or (len(story.events) != 1 and "met" not in story.flags)
    ):
        return None
    main = story.events[story.main[0]]
    if main.outcome and "verb" in story.flags and not main.others:
        plain = with_events(story, (main._replace(outcome=None),)) if len(story.events) == 1 else None
        return plain and unless(plain, Mod("outcome", (main.outcome,)))
    if len(story.events) > 1:
        return with_events(
            story, (e._replace(absent="a") if i >= story.main[0] else e for i, e in enumerate(story.events))
        )
    return never(story)


def traps(story: Story, mod: Mod) -> Meaning:
    return give(story, mod) if story.events[0].technique == "trap" else None


def takes(verb: Mod, story: Story) -> Meaning:
    """“takes a step back”."""
    if not story.det or any(e.kind not in "MD" for e in story.events):
        return None
    return said_by(story, verb.form)


def first_thing(story: Story) -> Meaning:
    """“what does he throw first”."""
    e = story.events[-1]
    return (
        give(story, Mod("role", ("lead",)))
        if e.implied and e.role is None and not e.outcome and story.subj
        else None
    )


def counters_own(mod: Mod, punch: Story) -> Meaning:
    """“counters the jab with his own”."""
    if len(punch.events) != 1:
        return None
    e = punch.events[0]
    return counters(mod, punch, Story((Event(e.technique, e.kind, fixed=e.fixed),), (0, 1), form="n"))


def never(story: Story, when: str = "a") -> Story:
    return story._replace(events=tuple(e._replace(absent=when) for e in story.events))


def handed(mod: Mod, story: Story) -> Meaning:
    """“lead hand hook”, “left hand jab”; “right hand lead hook” is two punches."""
    plain_ = mod.field == "hand" and [e.technique for e in story.events] == ["punch"]
    said_ = any(e.hand or (e.side and not plain_) for e in story.events)
    if (mod.det and story.det) or said_ or len(story.events) > 1:
        return None
    return pre(mod, story)


def sided(story: Story, mod: Mod) -> Meaning:
    """“slip left”, “overhand right”."""
    event = story.events[-1] if story.events else None
    if (
        event is None
        or story.obj
        or mod.det
        or (
            event.kind == "P"
            and event.technique not in ("overhand", "straight", "uppercut", "hook")
            and not (event.implied and event.role)
        )
    ):
        return None
    return give(story, mod)


def befell(story: Story, mod: Mod, person: Person | None = None) -> Meaning:
    """“jab lands”, “hook that was blocked”, “hook that drops him”."""
    if mod.field != "outcome" or any(not fits(e, "outcome") for e in story.events[slice(*story.main)]):
        return None
    done = change(story, range(*story.main), mod)
    done = done and done._replace(form="c")
    return onto(done, person) if done and person else done


def blocked_by(story: Story, mod: Mod, person: Person) -> Meaning:
    """“jab blocked by Brandt”: who blocks is not who jabs; who lands or misses is."""
    return befell(story, mod, person) if mod.values == ("blocked",) else None


# --- verbs -----------------------------------------------------------------------------------------------


def verbal(form: str) -> str:
    return {"nb": "b", "p3": "3", "n": "b", "p": "3"}.get(form, form)


def said_by(story: Story, form: str) -> Story:
    return story._replace(form=verbal(form), det="", flags=story.flags | {"verb"})


def thrown(verb: Mod, story: Story) -> Meaning:
    """“throws the right hand”."""
    if (
        any(e.kind not in "PX" for e in story.events[slice(*story.main)])
        or story.received
        or story.form in ("3", "g", "c")
        or "verb" in story.flags
        or story.subj
    ):
        return None
    return said_by(story, verb.form)._replace(det=story.det if story.det in ("his", "your") else "")


def aims(verb: Mod, mod: Mod, story: Story | None = None) -> Meaning:
    """“goes to the body with the left hook”."""
    if mod.form == "adjective" and mod.field == "target" and not mod.det:
        return None
    if mod.field == "direction":
        mod = Mod("range", mod.values)
        if mod.values[0] not in ("inside", "outside"):
            return None
    done = give(story, mod) if story else change(implied(), (0,), mod)
    if story and any(e.kind != "P" for e in story.events):
        return None
    return done and said_by(done, verb.form)


def looped(_: Any, story: Story) -> Meaning:
    """“right hand over the top”: an overhand."""
    e = story.events[story.main[0]] if story.events else None
    if (
        e is None
        or e.kind != "P"
        or not (e.implied or e.technique == "overhand")
        or (e.hand == "lead" and e.side)
        or "passive" in story.flags  # “gets countered over the top”: that is the counter's way
    ):
        return None
    done = e._replace(technique="overhand", implied=False)
    i = story.main[0]
    return with_events(story, (*story.events[:i], done, *story.events[i + 1 :]))


def overhand_hand(story: Story, mod: Mod) -> Meaning:
    if story.events[0].technique not in ("overhand", "straight") or mod.det:
        return None
    return give(story, mod)


def times_behind(story: Story, count: Mod) -> Meaning:
    main = story.events[slice(*story.main)]
    if len(main) != 1 or len(story.events) != 1 or main[0].absent or story.form in ("d", "c"):
        return None
    n = int(count.values[0])
    return story._replace(events=main * n, main=(0, n))


def with_hand(story: Story, mod: Mod) -> Meaning:
    """“jab with the left hand”, “parries with the rear hand”; “steps in with the left” is a punch."""
    e = story.events[story.main[0]] if story.events else None
    if (
        e is None
        or (e.kind == "P" and (e.implied or e.technique == "any"))
        or not fits(e, mod.field)
        or story.received
    ):
        return None
    if e.technique in SIDED:
        return None
    return change(story, (story.main[0],), mod)


def lands(mod: Mod, story: Story, person: Person | None = None) -> Meaning:
    """“lands a hook”, “drops Brandt with a left hook”."""
    if (
        story.form in ("3", "g", "c", "d")
        or story.subj
        or "verb" in story.flags
        or any(e.kind not in "PX" for e in story.events[slice(*story.main)])
    ):
        return None
    if mod.values[0] in ("knockdown", "hurt") and person is None and mod.det != "with":
        return None  # “drops his right”
    done = change(story, range(*story.main), mod)
    if done is None:
        return None
    done = said_by(done, mod.form)._replace(
        det=story.det if story.det in ("his", "your") else "",
        subj="",
        flags=done.flags - {"owned"} | {"verb"},
    )
    return onto(done, person) if person else done


def lands_alone(mod: Mod, person: Person | None = None) -> Meaning:
    done = change(implied(), (0,), mod)
    done = done and said_by(done, mod.form)
    return onto(done, person) if done and person else done


# --- being hit -------------------------------------------------------------------------------------------


def eats(verb: Mod, story: Story | None = None) -> Meaning:
    """“gets hit with a jab”: the other's jab lands. Who is hit is the subject."""
    story = story or implied()
    main = range(*story.main)
    if "verb" in story.flags or story.received or story.form == "c":
        return None
    if any(story.events[i].kind not in ("P", "F") for i in main) or any(e.absent for e in story.events):
        return None
    if verb.values[0] != "any":
        if any(story.events[i].kind != "P" for i in main):
            return None
        told = [
            e._replace(outcome=e.outcome or verb.values[0]) if i in main else e
            for i, e in enumerate(story.events)
        ]
        story = with_events(story, told)
    return flip(story)._replace(
        form=verbal(verb.form), received=True, goes=0, det="", subj="", flags=story.flags | {"verb"}
    )


def eats_of(verb: Mod, person: Person, story: Story | None = None) -> Meaning:
    if verb.other not in ("by", "from"):
        return None
    done = eats(verb, story)
    return done and onto(done._replace(obj=""), person)


def eats_moving(verb: Mod, moved: Story, story: Story | None = None) -> Meaning:
    """“gets caught coming in with a left hook”."""
    done = eats(verb, story) if moves(moved) else None
    return done and plus(moved._replace(goes=0), done)


def is_hurt(person: Person, mod: Mod, story: Story | None = None) -> Meaning:
    if mod.values[0] not in ("knockdown", "hurt", "landed") or (
        story is None and mod.field == "outcome" and mod.values[0] == "landed"
    ):
        return None
    if mod.field == "outcome" and mod.values[0] == "landed":
        return None
    done = eats(mod, story)
    return done and subject(person, done)


def moves(story: Story) -> bool:
    return all(e.kind in "MD" and e.technique in SIDED for e in story.events) and not story.subj


def moving(story: Story, moved: Story) -> Meaning:
    """“lands a left coming in”: he steps in first; “catches him coming in”: the other one does."""
    if not moves(moved) or not story.events or len(moved.events) != 1 or any(e.absent for e in story.events):
        return None
    main = story.events[story.main[0]]
    if main.kind in "M" or (main.kind == "D" and not moved.events[0].technique.startswith("step ")):
        return None
    if "passive" in story.flags and story.events[0] == Event("punch", implied=True) and len(story.events) > 1:
        return with_events(story, (*moved.events, *story.events[1:]))
    if story.received:
        return plus(moved, story)
    at = story.main[0]
    e = moved.events[0]._replace(
        actor=1 if story.obj in ("him", "name", "opp", "stance", "other") else main.actor
    )
    if story.obj == "met":
        return None
    events = (*story.events[:at], e, *story.events[at:])
    return story._replace(events=events, main=(at + 1, story.main[1] + 1))


def catches(defence: Story, person: Person, story: Story | None = None) -> Meaning:
    """“catches him with a left hook”: lands it."""
    if defence.events[0].technique != "catch":
        return None
    return (
        lands(Mod("outcome", ("landed",), defence.form), story, person)
        if story
        else lands_alone(Mod("outcome", ("landed",), defence.form), person)
    )


# --- defending and countering ----------------------------------------------------------------------------


def onto_verb(verb: Any, person: Person) -> Meaning:
    if isinstance(verb, Mod):
        verb = head_verb(verb)
        if verb is None or verb.events[0].role != "counter":
            return None
    if verb.events and (
        verb.events[0].kind == "M" or (verb.events[0].technique == "trap" and person.kind != "him")
    ):
        return None
    if verb.det in ("a", "the"):
        return None  # “after a clinch Brandt jabs”
    done = onto(verb, person)
    return done and done._replace(form=verbal(done.form), flags=done.flags | {"verb"})


def _turned(pair: Pair, turn: bool) -> Pair:
    return (pair[1], pair[0]) if turn else pair


def tool(story: Story, instrument: Story) -> Meaning:
    """“counters with a hook”, “steps in with a jab”: with what it is done."""
    e = story.events[story.main[1] - 1] if story.events else None
    if (
        e is None
        or instrument.received
        or "verb" in instrument.flags
        or instrument.form in ("3", "c", "g")
        or any(x.absent for x in instrument.events)
    ):
        return None
    if e.kind in "MDFT" and not story.received:
        done = plus(story, instrument._replace(subj="", det=""))
        bare = len(instrument.events) == 1 and instrument.events[0].implied and e.technique in HANDED
        if bare:
            return by_hand(story, instrument)
        return (
            None
            if instrument.subj or done is None
            else done._replace(form=story.form, subj=story.subj, obj=story.obj)
        )
    if (
        not (e.implied and e.kind == "P")
        or e.side
        or e.hand
        or len(story.events[slice(*story.main)]) != 1
        or instrument.subj in ("opp", "other")
    ):
        return None
    if any(x.kind != "P" for x in instrument.events):
        return None
    first = instrument.events[0]
    for field in ("outcome", "role", "target", "place", "range"):
        value = getattr(e, field)
        if value is None:
            continue
        done_ = put(first, Mod(field, (value,)))
        if done_ is None and getattr(first, field) != value:
            return None
        first = done_ or first
    turn = e.actor == 1
    names, stances = (
        same_pair(_turned(story.names, turn), instrument.names),
        same_stances(_turned(story.stances, turn), instrument.stances),
    )
    if names is None or stances is None:
        return None
    new = tuple(
        x._replace(actor=e.actor, others=tuple(o._replace(actor=e.actor) for o in x.others))
        for x in (first, *instrument.events[1:])
    )
    at = story.main[1] - 1
    events = (*story.events[:at], *new, *story.events[at + 1 :])
    return story._replace(
        events=events,
        main=(at, at + len(new)),
        names=_turned(names, turn),
        stances=_turned(stances, turn),
        within=instrument.within if instrument.within is not None else story.within,
    )


def suffers(story: Story, person: Person | None = None) -> Meaning:
    """“gets countered”, “gets tied up”."""
    counter = story.events[0].role == "counter"
    if counter or story.events[0].technique == "block":
        done = passive(implied(), story)
    elif story.events[0].kind in "TP" and not story.events[0].implied:
        done = flip(story)._replace(form="c", received=True, goes=0, flags=story.flags | {"passive"})
    else:
        return None
    return subject(person, done) if done and person else done


def head_verb(mod: Mod) -> Meaning:
    if mod.values[0] != "counter" and mod.form != "lead":
        return None
    done = head(mod._replace(form="n"))
    return done and said_by(done, mod.form)


def with_role(mod: Mod, story: Story) -> Meaning:
    """“counters with a hook”."""
    if (
        any(e.kind not in "PX" for e in story.events)
        or "verb" in story.flags
        or story.form in ("3", "c", "g")
    ):
        return None
    done = pre(mod, story._replace(det=""))
    if done is None and story.events[0].role == mod.values[0]:
        done = story
    return done and said_by(done, mod.form)


def leads(mod: Mod, story: Story) -> Meaning:
    """“leads with the hook”; “counters the jab”."""
    if mod.values[0] != "counter":
        return with_role(mod, story)
    return counters(mod, story)


def counters(mod: Mod, punch: Story, instrument: Story | None = None) -> Meaning:
    if (
        mod.values[0] != "counter"
        or "verb" in punch.flags
        or punch.form in ("c", "g")
        or any(e.absent for e in punch.events)
    ):
        return None
    answer = with_role(mod, instrument) if instrument else head_verb(mod)
    if (
        answer is None
        or punch.flags & {"aimed", "towards"}
        or (mod.form == "nb" and not punch.det and punch.form in ("n", "nb") and "owned" not in punch.flags)
    ):
        return None
    done = plus(flip(punch._replace(det=""))._replace(obj=""), answer)
    the = {"the"} if punch.det in ("the", "his") else set()
    return done and done._replace(form=verbal(mod.form), flags=done.flags | {"met", "verb"} | the, det="")


def counters_him(mod: Mod, person: Person, story: Story) -> Meaning:
    done = with_role(mod, story) if mod.values[0] == "counter" else None
    return done and onto(done, person)


def counter_to(counter: Story, punch: Story) -> Meaning:
    """“counter to the jab”."""
    if (
        counter.events[-1].role != "counter"
        or len(counter.events) != 1
        or any(e.absent for e in punch.events)
    ):
        return None
    done = plus(flip(punch._replace(det=""))._replace(obj=""), counter)
    return done and done._replace(flags=done.flags | {"met"})


def answers(story: Story, punch: Story) -> Meaning:
    """“hook countering the jab”."""
    if len(story.events) != 1 or story.events[0].kind != "P":
        return None
    done = pre(Mod("role", ("counter",)), story._replace(det=""))
    return done and counter_to(done, punch)


# --- feints and tricks -----------------------------------------------------------------------------------


def feints(feint: Story, punch: Story) -> Meaning:
    """“feints the jab”: a hand feint."""
    e = punch.events[0]
    if (
        feint.events[0].technique != "feint"
        or feint.det in ("a", "the")
        or len(punch.events) != 1
        or e.kind != "P"
        or e.outcome
        or e.role
        or "verb" in punch.flags
    ):
        return None
    done = feint.events[0]._replace(technique="hand feint", side=e.side, hand=e.hand if e.implied else None)
    return feint._replace(events=(done,), names=punch.names, subj=punch.subj)


def feints_hand(feint: Story, mod: Mod) -> Meaning:
    if feint.events[0].technique != "feint":
        return None
    return change(with_events(feint, (feint.events[0]._replace(technique="hand feint"),)), (0,), mod)


def switches(move: Story, person: Person) -> Meaning:
    if move.events[0].technique != "switch stance":
        return None
    return with_events(move, (move.events[0]._replace(stance=person.stance),))


def earlier(one: Story, two: Story) -> Meaning:
    """“sets up the cross with a jab”."""
    done = plus(one._replace(subj="", det=""), two._replace(subj=""))
    return done and done._replace(form="b")


def draws(verb: Mod, story: Story, with_: Story | None = None) -> Meaning:
    """“draws the jab with a feint”: the other one jabs."""
    if any(e.kind not in "PDT" or e.absent for e in story.events):
        return None
    told = flip(story._replace(det=""))
    n = len(told.events)
    done = told._replace(
        goes=0, obj="", form=verbal(verb.form), main=(0, n), flags=told.flags | {"verb", "drawn"}
    )
    if with_ is None:
        return done
    both = plus(with_, done)
    return both and both._replace(goes=0)


def makes_miss(verb: Mod, person: Person, story: Story | None = None) -> Meaning:
    done = (
        lands(Mod("outcome", ("missed",), "b"), story)
        if story
        else lands_alone(Mod("outcome", ("missed",), "b"))
    )
    if done is None:
        return None
    told = flip(done)._replace(goes=0, form=verbal(verb.form), flags=frozenset(("verb",)), obj="", subj="")
    return onto(told, person)


def made_miss(verb: Mod, story: Story, mod: Mod) -> Meaning:
    done = befell(story, mod)
    if done is None or mod.values[0] != "missed":
        return None
    return flip(done)._replace(goes=0, form=verbal(verb.form), obj="", flags=frozenset(("verb",)))


def lets(verb: Mod, person: Person, story: Story) -> Meaning:
    done = flip(story)._replace(goes=0, form=verbal(verb.form), obj="")
    return onto(done, person)


def exchange(verb: Mod, story: Story) -> Meaning:
    """“they exchange jabs”: one jabs, the other one does too."""
    if len(story.events) != 1 or story.events[0].kind != "P":
        return None
    both = plus(story, flip(story))
    return both and both._replace(form=verbal(verb.form), det="")


# --- either, and what does not happen --------------------------------------------------------------------


def either_mod(one: Mod, two: Mod) -> Mod | None:
    if two.field == "side" and one.field == "direction":
        two = two._replace(field="direction")
    if one.field != two.field or set(one.values) & set(two.values):
        return None
    return one._replace(values=(*one.values, *two.values))


def either(one: Story, two: Story) -> Meaning:
    """“hook or uppercut”: of one action each; what is said before or behind both is of both."""
    if one.received or two.received or one.obj or two.obj:
        return None
    if len(one.events) != 1 or len(two.events) != 1:
        return _either_combination(one, two)
    a, b = one.events[0], two.events[0]
    if len(a.others) + len(b.others) > MOST_ALTERNATIVES:
        return None
    if a.absent or b.absent or a.actor != b.actor:
        return None
    names, stances = same_pair(one.names, two.names), same_stances(one.stances, two.stances)
    if (
        names is None
        or stances is None
        or (two.names[0] and not one.names[0])
        or (two.subj and two.subj != one.subj)
    ):
        return None
    if (b.target and not a.target and fits(a, "target")) or (
        a.hand and not b.hand and fits(b, "hand") and not b.fixed and not b.side
    ):
        return None
    if (
        "pre" in one.flags
        and "pre" not in two.flags
        and b.kind == "P"
        and not (b.side or (b.hand and not a.hand))
    ):
        return None  # “lead hook or uppercut”: said of both
    if b.implied and a.kind == "P" and not (b.side or b.hand) and "verb" not in one.flags:
        b = b._replace(technique=a.technique, fixed=a.fixed, implied=a.implied)
    done = a._replace(others=(*a.others, b._replace(others=()), *b.others))
    return one._replace(events=(done,), names=names, stances=stances)


def _either_combination(one: Story, two: Story) -> Meaning:
    """“1-2 or 1-3”, which differ in one punch; “1-2 or 1-1-2”, of which one holds the other."""
    if one.names != two.names or one.stances != two.stances or not (one.events and two.events):
        return None
    if len(one.events) == len(two.events):
        differ = [i for i, (a, b) in enumerate(zip(one.events, two.events, strict=True)) if a != b]
        if len(differ) != 1:
            return None
        events = list(one.events)
        events[differ[0]] = events[differ[0]]._replace(others=(two.events[differ[0]],))
        return with_events(one, events)
    short, long = sorted((one, two), key=lambda s: len(s.events))
    n = len(short.events)
    held = any(long.events[i : i + n] == short.events for i in range(len(long.events) - n + 1))
    return short._replace(asked=short.asked._replace(notes=(HOLDS,))) if held else None


HOLDS = "the longer combination holds the shorter one, which is what is looked for"
_OUTCOMES = ("landed", "partial", "blocked", "missed")


def unless(story: Story, mod: Mod) -> Meaning:
    """“jab that isn't blocked”: any other outcome."""
    if mod.field != "outcome":
        return None
    rest = tuple(o for o in _OUTCOMES if o not in mod.values)
    if not rest or len(rest) == len(_OUTCOMES):
        return None
    done = change(story, range(*story.main), Mod("outcome", rest))
    return done and done._replace(form="c")


def elsewhere(story: Story, mod: Mod) -> Meaning:
    rest = {"head": "body", "body": "head"}.get(mod.values[0])
    return give(story, mod._replace(values=(rest,))) if rest and mod.field == "target" else None


def not_done(story: Story, defence: Story) -> Meaning:
    """“jab not countered”."""
    if any(e.kind != "P" for e in story.events[slice(*story.main)]) or len(defence.events) != 1:
        return None
    d = defence.events[0]
    if d.technique == "block":
        return unless(story, Mod("outcome", ("blocked",)))
    done = passive(story, never(defence))
    return done and done._replace(goes=0)


def returned(verb: Mod, story: Story) -> Meaning:
    done = thrown(verb, story)
    return done and done._replace(flags=done.flags | {"returns"})


def not_done_by(story: Story, person: Person, defence: Any) -> Meaning:
    told = head_verb(defence) if isinstance(defence, Mod) else defence
    if told is None or any(e.kind != "P" for e in story.events):
        return None
    if person.kind not in ("nobody", "he"):
        told = subject(person, told)
    return told and passive(story, never(told))


# --- questions, people -----------------------------------------------------------------------------------


def facing(person: Person) -> Person | None:
    return Person("facing", facing=person.name) if person.name else None


def with_stance(person: Person, stance: Person) -> Person | None:
    return person._replace(stance=stance.stance) if person.stance is None else None


def any_story() -> Story:
    return Story((Event(ANY, "X"),), (0, 1), form="c", flags=frozenset(("any",)))


def evades_too(story: Story, punch: Story) -> Meaning:
    """“slips the jab and the cross”: each of them."""
    if (
        "met" not in story.flags
        or punch.form not in ("n", "nb")
        or story.form not in ("3", "d", "g", "b")
        or len(punch.events) != 1
        or (punch.events[0].implied and not punch.det)
    ):
        return None
    defence = story.events[-1]
    if defence.kind != "D" or not (punch.det or story.form in ("3", "g", "d")) or punch.events[0].kind != "P":
        return None
    more = evades(Story((defence,), (0, 1), form=story.form), punch)
    done = more and plus(story, more)
    return done and done._replace(obj=story.obj)


def towards(mod: Mod, story: Story) -> Meaning:
    """“to the body with the jab”."""
    done = give(story, mod)
    return done and done._replace(flags=done.flags | {"towards"})


def lands_with(mod: Mod, story: Story, person: Person | None = None) -> Meaning:
    return lands(mod._replace(det="with"), story, person)


def befell_noun(story: Story, mod: Mod) -> Meaning:
    """“a cross that misses”, still a noun."""
    done = befell(story, mod)
    return done and done._replace(form=_nounish(story.form))


def sharper(one: Mod, two: Mod) -> Mod | None:
    """“lands on the gloves”."""
    if one.field != "outcome" or two.field != "outcome" or one.values not in (("landed",), two.values):
        return None
    return two._replace(form=one.form)


def helped(word: Mod, story: Story) -> Meaning:
    """“is jabbing”, “does jab”, “has jabbed”."""
    forms = {"is": ("g",), "do": ("b", "nb", "3"), "have": ("d",), "try": ("b", "nb", "3", "p3", "g")}[
        word.field
    ]
    return story if story.form in forms else None


def lead_alone(mod: Mod) -> Meaning:
    done = head(Mod("role", ("lead",)))
    return done and said_by(done, "b" if mod.form == "b" else "3")


def lead_noun(mod: Mod) -> Meaning:
    return head(Mod("role", ("lead",), det=mod.det)) if mod.det else None


def trying(story: Story, tried: Story) -> Meaning:
    """“eats a hook trying to clinch”."""
    if not story.events or len(tried.events) != 1:
        return None
    return plus(tried._replace(goes=0, flags=frozenset()), story)


def other_stance(person: Person) -> Person | None:
    rest = {"southpaw": "orthodox", "orthodox": "southpaw"}.get(person.stance or "")
    return person._replace(stance=rest) if rest else None


def is_a(story: Story, what: Story) -> Meaning:
    """“first punch is a hook”."""
    e = story.events[0]
    if not (e.implied and e.role) or len(what.events) != 1:
        return None
    return pre(Mod("role", (e.role,)), what._replace(det=""))


def two_targets(one: Mod, two: Mod, story: Story) -> Meaning:
    """“head-body hooks”."""
    story = story._replace(det="")
    a, b = (pre(m, story) for m in (one._replace(det=""), two._replace(det="")))
    if a is None or b is None or len(story.events) != 1 or one.values == two.values:
        return None
    return plus(a, b)


def missed_by(person: Person, mod: Mod, other: Person | None = None) -> Meaning:
    """“Adeyemi was made to miss by Brandt”."""
    if mod.values != ("missed",):
        return None
    done = subject(person, lands_alone(mod) or Story())
    return onto(done, other) if done and other else done


def combination(one: Story, two: Story) -> Meaning:
    """“jab cross”, as one."""
    if (
        any(e.kind != "P" or e.absent for e in (*one.events, *two.events))
        or two.det
        or two.subj
        or one.subj
        or one.form == "c"
        or two.form in ("3", "c", "g")
    ):
        return None
    done = plus(one, two)
    return done and done._replace(main=(0, len(done.events)))


def each(story: Story, same: Story) -> Meaning:
    """“jab for jab”."""
    if len(story.events) != 1 or story.events != same.events or same.det:
        return None
    return exchange(Mod("exchange", ("trade",), "b"), story)


def within_clinch(story: Story, clinch: Story) -> Meaning:
    """“body shot in the clinch”."""
    if clinch.events[0].kind != "T" or not clinch.det or len(clinch.events) != 1 or "verb" in clinch.flags:
        return None
    if any(e.kind != "P" for e in story.events) or (story.subj == "he" and story.received):
        return None
    return plus(clinch._replace(det=""), story)


def by_hand(story: Story, hand: Story) -> Meaning:
    """“parried by Adeyemi's rear hand”."""
    e, h = story.events[story.main[1] - 1], hand.events[0]
    if not (h.side or h.hand) or h.target or h.outcome or h.role:
        return None
    names = same_pair(story.names, hand.names)
    done = change(story, (story.main[1] - 1,), Mod("side" if h.side else "hand", (h.side or h.hand or "",)))
    return (done and names and e.technique in HANDED and done._replace(names=names)) or None


def both_do(story: Story) -> Meaning:
    """“both men miss with left hooks”: one does, then the other."""
    if len(story.events) == 2 and story.events[0].actor != story.events[1].actor:
        return story._replace(form="c", subj="both")  # “the two of them exchange jabs”
    if len(story.events) != 1 or story.subj or story.received:
        return None
    both = plus(story, flip(story))
    return both and both._replace(form="c", subj="both")


def the_same(story: Story) -> Meaning:
    return story._replace(flags=story.flags | {"same"}) if len(story.events) == 1 else None


def watched(story: Story) -> Meaning:
    """“watch the check hook”: it is the other's."""
    if any(e.kind != "P" for e in story.events) or story.subj:
        return None
    return story._replace(subj="opp", form="c")


def is_stance(person: Person, stance: Person) -> Meaning:
    """“he's a southpaw, ...”."""
    if person.stance and person.stance != stance.stance:
        return None
    return Story(
        (),
        (0, 0),
        (person.name, None),
        (stance.stance, None),
        subj=person.kind,
        form="c",
        flags=frozenset(("is",)),
    )


def either_person(one: Person, two: Person) -> Person | None:
    """“Brandt or Adeyemi”."""
    if one.kind != "name" or two.kind != "name" or one.name == two.name:
        return None
    return Person("name", f"{one.name}{EITHER}{two.name}")


MOST_ALTERNATIVES = 24
EITHER = "\n"
"""Between the names of which either will do."""


def knocked_first(mod: Mod, story: Story) -> Meaning:
    """“KD, L hook”: a note."""
    if story.subj or any(e.outcome for e in story.events) or story.form in ("3", "c", "g"):
        return None
    return change(story, range(*story.main), mod)


def any_of_three(one: Story, two: Story, three: Story) -> Meaning:
    """“jab, cross or hook”: may be any one of the three."""
    if any(s.det or s.subj for s in (one, two, three)):
        return None
    both = either(two, three)
    return both and either(one, both)


def evades_bare(defence: Story, punch: Story) -> Meaning:
    """“parry jab”: may be a note of the other's jab."""
    return (
        evades(defence, punch)
        if not punch.det and len(punch.events) == 1 and evades_it(defence, punch) is None
        else None
    )


def misses_on(mod: Mod, story: Story) -> Meaning:
    """“whiffs on the right hand”."""
    return lands(mod, story) if mod.values == ("missed",) else None


# --- what a rule asks of a part --------------------------------------------------------------------------


def said(field: str, value: str, form: str = "") -> Mod:
    return Mod(field, (value,), form)


def he() -> Person:
    return Person("he")


def doing(story: Story) -> Meaning:
    return story if story.form == "g" else None


def the(mod: Mod) -> Mod | None:
    return mod if mod.det else None


def plain(mod: Mod) -> Mod:
    return mod._replace(det="")


def linking(asked: Asked) -> Asked | None:
    return asked if asked.links else None


def punches(story: Story) -> Meaning:
    return story if all(e.kind == "P" for e in story.events) else None


def turned(story: Story) -> Story:
    """Of the other one, as what something is done against."""
    return flip(story._replace(det=""))._replace(obj="")


def verbed(story: Story) -> Story:
    return story._replace(form="3", det="", flags=story.flags | {"met", "verb"})


def told_of(story: Story) -> Meaning:
    return story if story.det or story.subj else None


def with_article(story: Story) -> Meaning:
    return story if story.det else None


def any_of(story: Story) -> Meaning:
    return story if story.det == "any" else None


def third(story: Story) -> Story:
    return story._replace(form="3")


def backing(story: Story) -> Meaning:
    return story if story.events[0].technique == "step back" else None


def stepping(story: Story) -> Meaning:
    return story if story.events[0].technique == "step in" else None


def catching(story: Story) -> Mod | None:
    """“catches him”: lands."""
    return Mod("outcome", ("landed",), story.form) if story.events[0].technique == "catch" else None


def twice(story: Story) -> Meaning:
    """“both jabs”."""
    return times(Mod("times", ("2",)), story) if story.form in ("p", "p3") and not story.det else None
