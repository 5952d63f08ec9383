"""What a reel says about a clip: who, when, and what happens; and the clip as a part of a reel. Pure."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from cliplib.core.errors import InputError
from cliplib.core.models import AS_INFERRED, Action, ClipRow
from cliplib.core.timebase import format_clock
from cliplib.reels.parts import Drawing, ReelPart, Treatment
from cliplib.reels.theme import ClipChange, Theme
from cliplib.vocabulary import load_vocabulary

if TYPE_CHECKING:
    from cliplib.media.working import Prepared

_MOST_ACTIONS = 5
_OUTCOMES = {"partial": "partly landed", "knockdown": "knockdown", "hurt": "hurt"}
_OF_ONE_HAND = ("jab", "cross", "check hook", "overhand")


def who_and_when(clip: ClipRow) -> str:
    """`Emeka Adeyemi v Jonas Brandt · round 2 · 1:23 left`; the fight's title unless both are known."""
    people = list(dict.fromkeys(action.fighter for action in clip.actions if action.fighter))
    pieces = [" v ".join(people) if len(people) == 2 else clip.fight]
    if clip.round is not None:
        pieces.append(f"round {clip.round}")
    if clip.clock_us is not None:
        pieces.append(f"{format_clock(clip.clock_us)} left")
    return " · ".join(pieces)


def what_happens(clip: ClipRow) -> str:
    """The matched actions and what lies between them, in the words of a log; of an outcome that nobody wrote,
    that it was inferred."""
    first, last = _matched(clip)
    told = clip.actions[first : last + 1]
    names = _short_names(clip.actions)
    said = [say(action, names) for action in told[:_MOST_ACTIONS]]
    return ", ".join(said) + (", …" if len(told) > _MOST_ACTIONS else "")


def say(action: Action, names: dict[str, str]) -> str:
    """`Brandt counter right uppercut to the body landed`, `Brandt slips outside`. `names`: full name to the
    one that is said."""
    words = [names.get(action.fighter, action.fighter)] if action.fighter else []
    if "counter" in action.roles:
        words.append("counter")
    if verb := _verb(action.technique) if action.fighter else "":
        words.append(verb)
        if action.technique == "slip" and action.direction:
            words.append(action.direction)
        elif action.technique == "trap" and (action.side or action.hand):
            words.append(f"the {action.side or action.hand} hand")
    elif action.technique == "slip" and action.direction:
        words += [action.technique, action.direction]
    elif action.technique in _OF_ONE_HAND:
        words.append(action.technique)
    elif action.side or action.hand:
        words += [action.side or action.hand or "", action.technique]
    else:
        words.append(action.technique)
    if action.target == "body":
        words.append("to the body")
    if action.outcome:
        words.append(_OUTCOMES.get(action.outcome, action.outcome))
    return " ".join(words) + (AS_INFERRED if "outcome" in action.inferred else "")


@lru_cache(maxsize=256)
def _verb(technique: str) -> str:
    """`slips` for what is no punch; empty where the trade has no verb for it, as for a gym's own words."""
    words = load_vocabulary()
    try:
        kind = words.kind(technique)
    except KeyError:
        return ""
    third = ("technique", technique, "third")
    verbs = (x for x in words.lexemes if (x.category, x.value, x.form) == third)
    return "" if kind in ("punch", "feint") else next((" ".join(verb.words) for verb in verbs), "")


def matched_fighter(clip: ClipRow) -> str | None:
    """The fighter of the last matched action: whose example it is."""
    return clip.actions[_matched(clip)[1]].fighter if clip.actions else None


def part_for(clip: ClipRow, source: Prepared, theme: Theme, drawings: Sequence[Drawing] = ()) -> ReelPart:
    """The clip as `theme` wants it shown, with what is drawn on it. InputError if it has not been cut yet."""
    if clip.start_frame is None or clip.end_frame is None:
        raise InputError(
            f"clip {clip.id} of {clip.fight} has no footage yet; ingest its fight again when it has"
        )
    change = theme.change_of(clip.id)
    first, last = _span(clip, source, theme, change)
    treatment = _treatment(clip, theme, change)
    if drawings:
        treatment = dataclasses.replace(treatment, drawings=(*drawings, *treatment.drawings))
    told = what_happens(clip) + (" · shown mirrored" if treatment.mirror else "")
    captions = change.caption if change.caption is not None else (who_and_when(clip), told)
    if theme.settings.notes and change.caption is None:
        noted = dict.fromkeys(note for note in (clip.note, *(a.note for a in clip.actions)) if note)
        captions = (*captions, *([" ".join(noted)] if noted else []))
    first_matched, last_matched = _matched(clip)
    moments = [
        action.time_us
        for action in clip.actions[first_matched : last_matched + 1]
        if action.time_us is not None
    ]
    facts = {"fight": clip.fight, "date": clip.date.isoformat() if clip.date else ""}
    facts["round"] = "" if clip.round is None else str(clip.round)
    facts["clock"] = "" if clip.clock_us is None else format_clock(clip.clock_us)
    facts["fighter"] = matched_fighter(clip) or ""
    facts["actions"] = what_happens(clip)
    facts["note"] = clip.note
    if clip.view:
        facts["view"] = "replay"
    return ReelPart(
        source,
        first,
        last,
        captions,
        f"{who_and_when(clip)} · {what_happens(clip)}",
        _group(clip, theme),
        (moments[0], moments[-1]) if moments else (),
        treatment,
        clip.id,
        facts,
    )


def _span(clip: ClipRow, source: Prepared, theme: Theme, change: ClipChange) -> tuple[int, int]:
    assert clip.start_frame is not None
    assert clip.end_frame is not None
    first, last = clip.start_frame, clip.end_frame
    line = source.timeline
    times = [action.time_us for action in clip.actions if action.time_us is not None]
    ends = [action.until_us or action.time_us for action in clip.actions if action.time_us is not None]
    if theme.lead_in_us is not None and times:
        first = line.first_frame_from(max(0, min(times) - theme.lead_in_us))
    if theme.follow_through_us is not None and ends:
        last = line.first_frame_from(max(end for end in ends if end is not None) + theme.follow_through_us)
    first = change.first if change.first is not None else first
    last = change.last if change.last is not None else last
    return max(0, min(first, len(line) - 1)), max(min(first, len(line) - 1) + 1, min(last, len(line)))


def _treatment(clip: ClipRow, theme: Theme, change: ClipChange) -> Treatment:
    mirror = theme.mirror == "all"
    if theme.mirror in ("southpaw", "orthodox") and clip.actions:
        mirror = clip.actions[_matched(clip)[1]].stance == theme.mirror
    treatment = dataclasses.replace(theme.treatment, mirror=mirror)
    if change.mirror is not None:
        treatment = dataclasses.replace(treatment, mirror=change.mirror)
    if change.slow is not None:
        treatment = dataclasses.replace(treatment, slow=change.slow or None)
    if change.freeze is not None:
        treatment = dataclasses.replace(treatment, freeze=change.freeze or None)
    if change.zoom is not None:
        treatment = dataclasses.replace(treatment, zoom=change.zoom or None)
    if change.drawings:
        treatment = dataclasses.replace(treatment, drawings=(*treatment.drawings, *change.drawings))
    return treatment


def _group(clip: ClipRow, theme: Theme) -> str:
    if theme.chapters == "round":
        return f"Round {clip.round}" if clip.round is not None else "Round not known"
    if theme.chapters == "fighter":
        return matched_fighter(clip) or "Fighter not known"
    if theme.chapters == "fight":
        return f"{clip.fight} · {clip.date.isoformat()}" if clip.date else clip.fight
    return ""


def _matched(clip: ClipRow) -> tuple[int, int]:
    """Indexes of the first and the last matched action; all of them if the clip was picked by hand."""
    places = [place for match in clip.matches[:1] for place in match if 0 <= place < len(clip.actions)]
    return (min(places), max(places)) if places else (0, max(0, len(clip.actions) - 1))


def _short_names(actions: Sequence[Action]) -> dict[str, str]:
    """Last names, unless two people share one."""
    people = dict.fromkeys(action.fighter for action in actions if action.fighter)
    last = {name: name.split()[-1] if name.split() else name for name in people}
    return last if len(set(last.values())) == len(last) else {name: name for name in people}
