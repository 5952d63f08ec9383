"""Sentences: clauses joined one by one, from the left. A sentence's people are 0 and 1 throughout."""

from __future__ import annotations

from cliplib.phrases.acting import AGAINST, AS, BACK, COND, SEQ, WHEN, placed
from cliplib.phrases.meanings import (
    Asked,
    Event,
    Meaning,
    Mod,
    Person,
    Story,
    both_asked,
    change,
    eats,
    flip,
    give,
    never,
    onto,
    same_pair,
    same_stances,
    subject,
    tool,
    with_events,
)

CONDITION = "cond"


def _he_you(story: Story) -> Story:
    """Who “he”, “you” and nobody is."""
    his, your = (
        story.subj == "he" or (story.det == "his" and not story.subj),
        story.subj == "you" or (story.det == "your" and not story.subj),
    )
    silent = story.subj in ("", "any", "stance") and not his
    return story._replace(
        topic=0,
        start=0,
        unsaid=0 if silent or your else 1 if story.subj in ("opp", "he") or his else None,
        he=0 if his else 1 if story.obj in ("him", "his") or your or story.subj == "facing" else None,
        you=0 if your else None,
    )


def start(clause: Story) -> Meaning:
    if not clause.events and clause.names == (None, None) and clause.stances == (None, None):
        return None
    return _he_you(clause)


def condition(clause: Story) -> Meaning:
    """“When he jabs, ...”: what is told next goes on from it."""
    return _he_you(clause)._replace(flags=clause.flags | {CONDITION})


def only(asked: Asked) -> Meaning:
    return Story(asked=asked._replace(within=None), flags=frozenset(("bare",)))


def ask(story: Story, asked: Asked) -> Meaning:
    merged = both_asked(story.asked, asked)
    return merged and story._replace(asked=merged)


def within(story: Story, asked: Asked) -> Meaning:
    if story.within is not None:
        return None
    both = both_asked(story.asked, Asked(notes=asked.notes))
    return both and story._replace(within=asked.within, asked=both)


def about(person: Person) -> Meaning:
    """A person alone: “Brandt”, “southpaw”."""
    if person.kind not in ("name", "stance", "opp"):
        return None
    return subject(person, Story(form="c"))


def _timed(story: Story, at: int) -> Story:
    """The time limit that is waiting, put on an event."""
    if story.within is None or not 0 < at < len(story.events):
        return story
    events = list(story.events)
    events[at] = events[at]._replace(within=story.within)
    return with_events(story, events, within=None)


def _joined(told: Story, clause: Story, link: str, at: int) -> Story | None:
    """The sentence with the clause's events put in at a place."""
    c = placed(told, clause, link)
    if c is None:
        return None
    names, stances, asked = (
        same_pair(told.names, c.names),
        same_stances(told.stances, c.stances),
        both_asked(told.asked, c.asked),
    )
    if names is None or stances is None or asked is None:
        return None
    turned = bool(c.events) and c.goes != clause.goes
    zero = 1 if turned else 0
    he, you, unsaid = told.he, told.you, told.unsaid
    if clause.subj == "he" or (clause.det == "his" and not clause.subj):
        he = zero
    elif clause.obj == "him" and he is None:
        he = 1 - zero
    if clause.subj == "you":
        you = zero
    if unsaid is None and not clause.subj and link in (WHEN, AS, BACK, AGAINST):
        unsaid = None
    if "the" in c.flags and link in (SEQ, COND) and told.events and _same_punch(told.events[-1], c.events[0]):
        c = c._replace(events=c.events[1:], main=(c.main[0] - 1, c.main[1] - 1))
    events = told.events[:at] + c.events + told.events[at:]
    flags = ((told.flags - {"adjective", "earlier", "owned"}) | c.flags) - {
        CONDITION,
        "bare",
        "rel",
        "met",
        "forced",
    }
    return told._replace(
        events=events,
        names=names,
        stances=stances,
        asked=asked,
        he=he,
        you=you,
        unsaid=unsaid,
        flags=flags,
        topic=zero if at >= len(told.events) else told.topic,
    )


def _same_punch(told: Event, said: Event) -> bool:
    """“throws the one-two, ... rolls under the cross”: that cross."""
    return (
        said
        == Event(
            said.technique,
            said.kind,
            said.actor,
            fixed=said.fixed,
            hand=said.hand,
            side=said.side,
            implied=said.implied,
            role=said.role,
        )
        and told._replace(outcome=None, within=None, target=None) == said
    )


def seq(told: Story, clause: Story) -> Meaning:
    """What comes later."""
    if not told.events:
        return first_seq(told, clause) if clause.events else _about_first(told, clause)
    if not clause.events:
        return _said_of(told, clause)
    settled = _settled(told, clause)
    if settled is not None:
        return settled
    clause = _again(told, clause)
    if told.within is not None and "earlier" in told.flags:
        clause = clause._replace(within=told.within)
        told = told._replace(within=None)
    link = COND if CONDITION in told.flags else SEQ
    told = _timed(told, told.start or told.main[1] - 1)  # “one-two within a second, then”: between the two
    clause = _suffered(told, clause)
    at = len(told.events)
    done = _joined(told, clause, link, at)
    if done is None:
        return None
    turned = done.topic
    first = clause.goes if not turned else 1 - clause.goes
    gone = len(told.events) + len(clause.events) - len(done.events)
    done = done._replace(
        start=at,
        main=(at + clause.main[0] - gone, at + clause.main[1] - gone),
        goes=first,
        subj=clause.subj if clause.subj else (told.subj if clause.received or turned == told.topic else ""),
        form=clause.form,
        received=clause.received,
        det=clause.det or told.det,
        obj=clause.obj or told.obj,
    )
    if clause.within is not None:
        own = sum(1 for e in clause.events if not e.absent) > 1 and not told.events
        done = _timed(done._replace(within=clause.within), at + own)
    return done


def _settled(told: Story, clause: Story) -> Story | None:
    """“one-two from Adeyemi, the two lands”: what becomes of a punch that was told."""
    e = clause.events[0]
    if (
        clause.det != "the"
        or len(clause.events) != 1
        or not e.outcome
        or e.kind != "P"
        or clause.subj
        or e.implied
    ):
        return None
    plain = e._replace(outcome=None, actor=told.topic)
    at = next((i for i in range(len(told.events) - 1, -1, -1) if told.events[i] == plain), None)
    if at is None:
        return None
    events = list(told.events)
    events[at] = plain._replace(outcome=e.outcome)
    return with_events(told, events)


def _again(told: Story, clause: Story) -> Story:
    """“jab to the head, then to the body”: the same punch again."""
    last = told.events[-1]
    e = clause.events[0]
    if "same" in clause.flags:
        like = next((x for x in reversed(told.events) if x.technique == e.technique and not x.absent), None)
        if like is not None:
            return with_events(
                clause,
                (
                    e._replace(
                        hand=e.hand or like.hand, side=e.side or like.side, target=e.target or like.target
                    ),
                ),
            )
    if "aimed" not in clause.flags or last.kind != "P" or last.target in (None, e.target) or last.absent:
        return clause
    return with_events(
        clause, (last._replace(target=e.target, outcome=e.outcome, role=None, actor=0, within=None),)
    )


def and_(told: Story, clause: Story) -> Meaning:
    """One told in one breath with what was told: “slip and hook after a jab”."""
    done = seq(told, clause)
    if (
        done is None
        or not told.events
        or done.topic != told.topic
        or ("verb" in told.flags and "verb" not in clause.flags)
    ):
        return done
    return done._replace(start=told.start) if clause.events else done


def _said_of(told: Story, clause: Story) -> Meaning:
    """“jab, Brandt”, “on the ropes, jab”: people and filters without an action."""
    if not told.events:
        return _about_first(told, clause)
    if (
        clause.names[0] is not None
        and clause.names[1] is None
        and "bare" not in clause.flags
        and told.names[told.topic] is None
        and told.subj == ""
    ):
        mine = (
            (clause.names, clause.stances) if told.topic == 0 else (clause.names[::-1], clause.stances[::-1])
        )
        names, stances = same_pair(told.names, mine[0]), same_stances(told.stances, mine[1])
        return (
            names
            and stances
            and told._replace(
                names=names, stances=stances, asked=both_asked(told.asked, clause.asked) or told.asked
            )
        )
    if clause.names == (None, None) and clause.stances == (None, None):
        asked = both_asked(told.asked, clause.asked)
        return asked and told._replace(asked=asked)
    return None


def _about_first(told: Story, clause: Story) -> Meaning:
    names, stances, asked = (
        same_pair(told.names, clause.names),
        same_stances(told.stances, clause.stances),
        both_asked(told.asked, clause.asked),
    )
    if names is None or stances is None or asked is None:
        return None
    return told._replace(names=names, stances=stances, asked=asked)


def _suffered(told: Story, clause: Story) -> Story:
    """“misses the jab and gets countered”: what is countered is that jab."""
    last = next((e for e in reversed(told.events) if e.kind == "P" and not e.absent), None)
    bare = Event("punch", implied=True)
    if (
        "passive" not in clause.flags
        or clause.events[0] != bare
        or last is None
        or last.actor != told.topic
        or len(clause.events) < 2
    ):
        return clause
    rest = clause.events[1:]
    return clause._replace(events=rest, main=(0, len(rest)), received=True)


def first_seq(told: Story, clause: Story) -> Meaning:
    """After people or filters alone, what they do."""
    if told.events or not clause.events:
        return None
    if (told.subj == "name" and clause.subj == "name" and told.names[0] != clause.names[0]) or (
        told.subj == "he" and not clause.subj and "is" in told.flags
    ):
        told = told._replace(
            names=told.names[::-1], stances=told.stances[::-1], subj=""
        )  # “Brandt in the corner, Adeyemi jabs”
    names, stances, asked = (
        same_pair(told.names, clause.names),
        same_stances(told.stances, clause.stances),
        both_asked(told.asked, clause.asked),
    )
    if names is None or stances is None or asked is None:
        return None
    kept = frozenset(f for f in told.flags if "=" in f)
    return _he_you(
        clause._replace(
            names=names,
            stances=stances,
            asked=asked,
            subj=clause.subj or told.subj,
            flags=clause.flags | kept,
        )
    )


def back(told: Story, clause: Story) -> Meaning:
    """What came earlier: “hook off the jab”."""
    if clause.events and not told.events:
        first = (
            first_seq(told, clause) if told.names != (None, None) or told.stances != (None, None) else None
        )
        return first and first._replace(flags=first.flags | {"earlier"})
    if not clause.events:
        return None
    merged = _countered(told, clause)
    if merged is not None:
        return merged
    done = _joined(told, clause, BACK, told.start)
    return done and _moved(done, told, clause)


def _moved(done: Story, told: Story, clause: Story) -> Story:
    n = len(clause.events)
    done = done._replace(start=told.start + n, main=(told.main[0] + n, told.main[1] + n))
    return _timed(done, done.start) if done.within is not None else done


def _countered(told: Story, clause: Story) -> Meaning:
    """“gets countered after missing the jab”: what is countered is that jab."""
    events = told.events[told.start :]
    if (
        "passive" not in told.flags
        or len(events) < 2
        or events[0] != Event("punch", actor=events[0].actor, implied=True)
    ):
        return None
    ended = [e for e in clause.events if not e.absent]
    if not ended or clause.subj in ("opp", "other") or clause.goes:
        return None
    rest = told._replace(events=told.events[: told.start] + events[1:])
    c = clause if told.topic == 0 else None
    if c is None:
        return None
    names = same_pair(told.names, c.names)
    stances = same_stances(told.stances, c.stances)
    if names is None or stances is None:
        return None
    at = told.start
    n = len(c.events)
    return rest._replace(
        events=rest.events[:at] + c.events + rest.events[at:], names=names, stances=stances, main=(at, at + n)
    )


def versus(told: Story, clause: Story) -> Meaning:
    """“cross over the jab”: against the other's."""
    if (
        not clause.events
        or not told.events
        or (told.events[told.main[0]].kind != "P" and told.events[told.main[0]].technique in ("clinch",))
    ):
        return None
    merged = _countered(told, clause)
    if merged is not None:
        return merged
    done = _joined(
        told,
        clause._replace(det="" if clause.det == "his" and told.he is None else clause.det),
        AGAINST,
        told.start,
    )
    return done and _moved(done, told, clause)


def answer(told: Story, clause: Story) -> Meaning:
    """“cross in answer to the jab”: a counter."""
    main = range(*told.main)[:1]
    if not told.events or not main:
        return None
    e = told.events[main[0]]
    done = told if e.role == "counter" or e.kind != "P" else change(told, main, Mod("role", ("counter",)))
    return done and versus(done, clause)


def when(told: Story, word: Mod, clause: Story) -> Meaning:
    if not clause.events or not told.events:
        return None
    merged = _countered(told, clause)
    if merged is not None:
        return merged
    link = WHEN if word.values[0] == "when" else AS
    done = _joined(told, clause, link, told.start)
    return done and _moved(done, told, clause)


def pause(told: Story, clause: Story) -> Meaning:
    """“jab, and if he slips, hook”: the condition comes later, and what is told next goes on from it."""
    done = seq(told, clause)
    return done and done._replace(flags=done.flags | {CONDITION})


def absent(told: Story, clause: Story, mark: Mod | None = None) -> Meaning:
    """“without a feint before it”, “with no cross after it”, “without countering”."""
    if not told.events:
        return start_without(clause)
    if (
        "passive" in clause.flags
        and len(clause.events) == 2
        and clause.events[0] == Event("punch", implied=True)
    ):
        event = clause.events[1]._replace(actor=0)
        clause = clause._replace(events=(event,), main=(0, 1), flags=frozenset())
    if len(clause.events) != 1 or clause.events[0].absent:
        return None
    event = clause.events[0]
    after = event.role in ("counter", "follow-up") or clause.received
    if mark:
        after = mark.values[0] != "before"
    actor = _missing(told, clause, after)
    shift = actor if not clause.received else 1 - actor
    names = same_pair(told.names, clause.names if shift == 0 else clause.names[::-1])
    if names is None:
        return None
    if mark and mark.values[0] == "behind" and event.technique == "any":
        event = event._replace(technique="punch", kind="P")
    within_ = event.within if clause.within is None else clause.within
    others = tuple(o._replace(actor=actor) for o in event.others)
    gone = event._replace(absent="a" if after else "b", actor=actor, others=others, within=within_)
    at = len(told.events) if after else told.start
    done = told._replace(events=(*told.events[:at], gone, *told.events[at:]), names=names)
    return done if after else done._replace(start=at + 1, main=(told.main[0] + 1, told.main[1] + 1))


def _missing(told: Story, clause: Story, after: bool) -> int:
    """Who doesn't do it: the other one counters a punch; whoever defended counters; else the one told of."""
    lead = told.events[told.main[0]]
    if clause.received or clause.subj == "opp":
        return 1 - lead.actor
    if clause.events[0].role == "counter" and after:
        answers = lead.kind == "P" and not told.received and "met" not in told.flags
        return 1 - lead.actor if answers else told.goes
    return told.goes if after else lead.actor


_AFTER = Mod("mark", ("after",))


def start_without(clause: Story) -> Meaning:
    """“no feint, then a cross”."""
    if len(clause.events) != 1 or clause.events[0].absent:
        return None
    return _he_you(never(clause, "b"))._replace(subj=clause.subj)


def uncountered(told: Story) -> Meaning:
    counter = Event("punch", role="counter", implied=True)
    return absent(told, Story((counter,), (0, 1), form="n"), _AFTER)


def nobody(clause: Story) -> Meaning:
    return never(clause)


def said_later(told: Story, mod: Mod) -> Meaning:
    """“jab, missed”, “hooks or uppercuts, to the body”: of what was told last."""
    if not told.events:
        return (
            told._replace(flags=told.flags | {f"{mod.field}={mod.values[0]}"})
            if mod.field in ("place", "range")
            else None
        )
    if mod.field == "outcome" and any(e.kind != "P" for e in told.events[slice(*told.main)]):
        return None
    return give(told, mod)


def start_after(clause: Story) -> Meaning:
    """“after the slip, he counters”."""
    if not clause.events:
        return None
    done = _he_you(clause)
    return done._replace(flags=done.flags | {"earlier"})


def later_not(told: Story, defence: Story) -> Meaning:
    """“hook off the jab, not countered”."""
    if not told.events or len(defence.events) != 1:
        return None
    d = defence.events[0]
    if d.technique == "block":
        return None
    mark = Mod("mark", ("after",))
    return absent(told, defence._replace(subj="opp" if d.kind == "D" else defence.subj), mark)


def own(told: Story, verb: Mod | None = None) -> Meaning:
    """“catches the jab and comes back with his own”: the punch that was told of."""
    theirs = [e for e in told.events if e.kind == "P" and e.actor != told.goes and not e.absent]
    if not theirs:
        return None
    last = theirs[-1]
    role = "counter" if verb is not None and verb.field == "role" else None
    return seq(
        told,
        Story(
            (Event(last.technique, last.kind, fixed=last.fixed, role=role),),
            (0, 1),
            form="3",
            flags=frozenset(("verb",)),
        ),
    )


def inside_of(told: Story, mod: Mod, clause: Story) -> Meaning:
    """“hook inside the right hand”."""
    if (
        mod.values[0] != "inside"
        or not clause.det
        or not told.events
        or told.events[told.main[0]].kind != "P"
    ):
        return None
    return versus(told, clause)


def whom(told: Story, person: Person) -> Meaning:
    """Somebody named without a word that says why: “Lautele (walks) Vâlcan (down)”."""
    if person.kind != "name" or (told.events and told.events[-1].technique == "trap"):
        return None
    if told.names[told.topic] is None and not told.subj:
        return subject(person, told) if told.topic == 0 else None
    return onto(told._replace(obj=""), person) if told.topic == 0 and told.names[1] is None else None


def same(told: Story) -> Meaning:
    return told


def finished(told: Story) -> tuple[Story, bool]:
    """The sentence with its time limit in place; whether one is left over."""
    if told.within is None:
        return told, False
    at = told.start if told.start > 0 else 1
    done = _timed(told, at)
    return done, done.within is not None


def nothing() -> Meaning:
    return Story(flags=frozenset(("bare",)))


def placed_alone(mod: Mod) -> Meaning:
    return Story(flags=frozenset(("bare", f"{mod.field}={mod.values[0]}")))


def nothing_after(told: Story, mark: Mod | None = None) -> Meaning:
    """“jab followed by nothing”."""
    if not told.events:
        return None
    actor = told.events[told.main[0]].actor if told.goes == 0 else told.goes
    event = Event("punch") if mark and mark.values[0] == "behind" else Event("any", "X")
    return told._replace(events=(*told.events, event._replace(actor=actor, absent="a")))


def happens(clause: Story) -> Meaning:
    """“what happens after the jab”: what the other one does."""
    told = start(clause)
    last = next((e for e in reversed(clause.events) if not e.absent), None)
    if told is None or last is None:
        return None
    return told._replace(events=(*told.events, Event("any", "X", actor=1 - last.actor)), goes=1 - last.actor)


def then_any(told: Story) -> Meaning:
    if not told.events:
        return None
    at = len(told.events)
    told = _timed(told, told.start or told.main[1] - 1)  # “one-two within a second, then”: between the two
    return told._replace(
        events=(*told.events, Event("any", "X", actor=told.goes)),
        start=at,
        main=(at, at + 1),
        topic=told.goes,
    )


def response(person: Person, word: Mod, clause: Story) -> Meaning:
    done = start(clause)
    if done is None or not done.events:
        return None
    actor = 1 - done.events[-1].actor
    told = onto(done._replace(obj=""), person) if actor == 1 else subject(person, done)
    event = Event("punch", role="counter", implied=True) if word.values[0] == "counter" else Event("any", "X")
    return told and told._replace(events=(*told.events, event._replace(actor=actor)))


def spread(told: Story, one: Mod, two: Mod) -> Meaning:
    """“double hook, body then head”."""
    n = len(told.events)
    if n < 2 or told.events[-1] != told.events[-2] or told.events[-1].target:
        return None
    done = change(told, (n - 2,), one)
    return done and change(done, (n - 1,), two)


def when_hit(told: Story, word: Mod, mod: Mod, target: Mod | None = None) -> Meaning:
    """“clinches when hurt”, “holds when hit to the body”."""
    done = eats(mod)
    done = done and target and give(done, target) if target else done
    if done is None:
        return None
    return first_seq(told, done) if not told.events else when(told, word, done)


def throws_nothing(told: Story) -> Meaning:
    return (
        told._replace(events=(*told.events, Event("punch", actor=told.goes, absent="a")))
        if told.events
        else None
    )


def which(told: Story, defence: Story) -> Meaning:
    """“..., which is countered by a hook”: what was told last."""
    if not told.events or told.events[-1].kind != "P":
        return None
    at, actor = len(told.events), 1 - told.events[-1].actor
    c = defence if actor == 0 else flip(defence)
    names = same_pair(told.names, c.names)
    return names and told._replace(
        events=told.events + c.events,
        names=names,
        start=at,
        main=(at, at + len(c.events)),
        goes=actor,
        topic=actor,
    )


def it_was(told: Story, defence: Story) -> Meaning:
    """“throws the jab but it's parried”."""
    done = which(told, defence)
    return done and done._replace(topic=told.topic, goes=told.goes)


def by_all(told: Story, person: Person) -> Meaning:
    """“jab, cross by Brandt”: by him all."""
    if (
        told.subj
        or told.form == "d"
        or not told.events
        or told.names != (None, None)
        or len({e.actor for e in told.events}) > 1
        or told.events[0].actor != 0
    ):
        return None
    return subject(person, told)


def whom_all(told: Story, person: Person) -> Meaning:
    """“jab, cross against Brandt”."""
    if (
        not told.events
        or len({e.actor for e in told.events}) > 1
        or told.events[0].actor != 0
        or told.stances[1]
        or told.names[1]
    ):
        return None
    return onto(told._replace(obj=""), person)


def soon_after_first(asked: Asked, clause: Story) -> Meaning:
    """“immediately after the jab, a hook”."""
    done = start_after(clause)
    return done and done._replace(
        within=asked.within, asked=both_asked(done.asked, Asked(notes=asked.notes)) or done.asked
    )


def hurt_too(told: Story, mod: Mod) -> Meaning:
    """“throws the right and drops him”."""
    if (
        not told.events
        or told.goes != told.topic
        or told.events[-1].actor != told.topic
        or told.events[-1].kind != "P"
        or told.events[-1].outcome
    ):
        return None
    return change(told, (len(told.events) - 1,), mod)


def next_(told: Story, clause: Story) -> Meaning:
    """Said right behind, without a word between."""
    if (
        not told.events
        and clause.events
        and told.subj == clause.subj == "name"
        and told.names[1] is None
        and clause.names[1] is None
    ):
        met = onto(
            told, Person("name", clause.names[0])
        )  # “Brandt (walks) Adeyemi (onto) a hook”: who is told of does it
        return met and first_seq(met, clause._replace(names=(None, None), subj=""))
    if (
        told.events
        and clause.events
        and "aimed" in clause.flags
        and told.events[-1].kind == "D"
        and told.events[-1].technique in ("block", "parry", "catch")
    ):
        return None
    bare = told.events and "aimed" in told.flags and told.events[-1].implied
    if bare and clause.events and clause.events[-1].kind not in "PX":
        return None  # “body clinch”
    return seq(told, clause)


def soon_after_named(told: Story, asked: Asked, clause: Story) -> Meaning:
    done = soon_after_first(asked, clause) if not told.events else None
    first = done and first_seq(told, done)
    return first and done and first._replace(within=done.within, flags=first.flags | {"earlier"})


def s_tool(told: Story, instrument: Story) -> Meaning:
    """“counters (off the back foot) with a right hand”."""
    if (
        not told.events
        or told.main[1] != len(told.events)
        or not told.events[-1].implied
        or told.events[-1].absent
    ):
        return None
    flipped = told.events[-1].actor == 1
    plain = flip(told) if flipped else told
    done = tool(plain, instrument)
    if done is None:
        return None
    back_ = flip(done) if flipped else done
    return told._replace(events=back_.events, names=back_.names, stances=back_.stances, main=back_.main)


def foul_of(told: Story, person: Person) -> Meaning:
    """“lands a left hook after Lautele drops his hands”."""
    return onto(told._replace(obj=""), person) if told.topic == 0 else told


def spread_all(story: Story, one: Mod, two: Mod) -> Meaning:
    """“1-2 body-head”."""
    if len(story.events) != 2:
        return None
    done = change(story, (0,), one)
    return done and change(done, (1,), two)


def repeated(told: Story) -> Meaning:
    """“jab from Brandt, and another”."""
    if not told.events or told.events[-1].absent:
        return None
    at = len(told.events)
    return told._replace(
        events=(*told.events, told.events[-1]._replace(within=None)), start=at, main=(at, at + 1)
    )


def unfollowed(told: Story) -> Meaning:
    """“a jab he doesn't follow up”."""
    if not told.events:
        return None
    return told._replace(events=(*told.events, Event("punch", actor=told.events[-1].actor, absent="a")))


def back_other(told: Story, clause: Story) -> Meaning:
    """“hook after the jab”: may be the other one's jab."""
    return back(told, _others(clause)) if _open(told, clause) else None


def when_other(told: Story, word: Mod, clause: Story) -> Meaning:
    """“hook as he steps in”: may be the other one."""
    return when(told, word, _others(clause)) if _open(told, clause) else None


def _open(told: Story, clause: Story) -> bool:
    """Whether nothing that was said settles who does the clause."""
    named = clause.names != (None, None) and told.names != (None, None)
    return (
        bool(told.events and clause.events)
        and not named
        and clause.subj in ("", "he")
        and "forced" not in clause.flags
    )


def _others(clause: Story) -> Story:
    return clause._replace(flags=clause.flags | {"forced"})


def aimed_later(told: Story, mod: Mod) -> Meaning:
    """“hook in round 2 to the body”."""
    main = told.events[slice(*told.main)]
    return said_later(told, mod) if main and all(e.kind == "P" and e.target is None for e in main) else None


def inside_first(mod: Mod, clause: Story) -> Meaning:
    """“inside the jab”."""
    done = give(clause, mod._replace(field="range")) if clause.det and mod.values == ("inside",) else None
    return done and start(done)


def floored(told: Story) -> Meaning:
    """“caught by a left hook and goes down”."""
    at = next((i for i in range(len(told.events) - 1, -1, -1) if told.events[i].kind == "P"), None)
    if at is None or not told.received or told.events[at].outcome not in (None, "landed", "hurt"):
        return None
    return change(
        with_events(
            told, (*told.events[:at], told.events[at]._replace(outcome=None), *told.events[at + 1 :])
        ),
        (at,),
        Mod("outcome", ("knockdown",)),
    )
