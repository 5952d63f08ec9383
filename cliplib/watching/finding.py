"""From a film to what it holds: one pass, then each detector over what that left."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cliplib.core.progress import Progress, silent
from cliplib.media.frames import FrameReader, upright_size
from cliplib.media.probe import Probe
from cliplib.watching import bells, bursts, clock, clockplace, reading, replays, shots
from cliplib.watching.bursts import Action, Spans
from cliplib.watching.clock import ClockRound, Reading
from cliplib.watching.proposals import Moment, Proposal
from cliplib.watching.replays import Replay
from cliplib.watching.rounds import FoundRound, FoundRounds
from cliplib.watching.rounds import together as rounds_together
from cliplib.watching.seen import Pass, Place, Seen, box_of
from cliplib.watching.shots import Shots


def every_s(round_s: float) -> float:
    """Between two readings of the clock, which are most of the work: some thirty a round are wanted at
    least."""
    return 1.0 if round_s >= 60 else 0.5


def clock_place(looked: Pass, progress: Progress = silent) -> Place | None:
    """Where the film's clock is, from some pictures of it; None without one, or without the extra `watch`."""
    kept = looked.kept("clock")
    if kept is not None:
        return Place(box_of(kept[0]), box_of(kept[1])) if kept else None
    found = looked.found
    if not reading.available() or found.info.rotation:
        return None
    width, height = upright_size(found.info)
    count = len(found.timeline)
    wanted = sorted({int((k + 0.5) * count / clockplace.PICTURES) for k in range(clockplace.PICTURES)})
    reader = reading.Reader()

    def pictures() -> Iterator[npt.NDArray[np.uint8]]:
        with FrameReader(found.path, found.info, found.timeline, (width, height), progress) as frames:
            for k, (_, picture) in enumerate(frames.read(wanted)):
                progress("looking for a clock", k, len(wanted))
                yield np.array(picture[:height])

    place = clockplace.find(pictures(), reader)
    looked.keep("clock", [] if place is None else [place.line, place.around])
    return place


def readings(looked: Pass, seen: Seen, progress: Progress = silent) -> list[Reading]:
    """What the clock's line says, as far as it was read well."""
    kept = looked.kept("read")
    if kept is None or len(kept) != len(seen.of):
        if not reading.available():  # it was there when the clock was found
            return []
        reader, kept = reading.Reader(), []
        for k, line in enumerate(seen.lines):
            kept.append(reader.line(np.asarray(line)))
            if k % 16 == 0:
                progress("reading the clock", k, len(seen.lines))
        looked.keep("read", kept)
    made = []
    for frame, (text, score) in zip(seen.of, kept, strict=True):
        if (read := clock.parse(text, score)) is not None:
            made.append(Reading(float(seen.times[frame]), *read))
    return made


def clock_rounds(
    seen: Seen, place: Place, readings: Sequence[Reading], round_s: float, rest_s: float
) -> list[ClockRound]:
    """Rounds after the clock alone, to the frame where its pictures agree."""
    digits = clock.digits_of(seen.plates, place.line, place.around)
    stretches = [clock.sharpen(s, seen.times, digits) for s in clock.fit(readings, max(round_s, rest_s))]
    return clock.rounds(stretches, round_s, rest_s)


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """What was found on a film. `proposals`: rounds and replays, in order; `notes`: what somebody should know
    or be asked. `rounds`, `replays`, `shots`: the same with all that is known of them. `seen`, `sound`: what
    it was found in."""

    proposals: tuple[Proposal, ...]
    notes: tuple[str, ...]
    rounds: tuple[FoundRound, ...]
    replays: tuple[Replay, ...]
    shots: Shots
    seen: Seen
    sound: npt.NDArray[np.int16]


@dataclass(frozen=True, slots=True)
class Heard:
    """What the sound alone tells. `proposals`: rounds, in order."""

    proposals: tuple[Proposal, ...]
    notes: tuple[str, ...]
    rounds: FoundRounds


def hear(found: Probe, folder: Path, round_s: float, rest_s: float, progress: Progress = silent) -> Heard:
    """Rounds by the bell alone: there in a small part of the time that the pictures take."""
    sound = Pass(found, folder).sound(progress)
    rounds = rounds_together(bells.bells(sound, round_s, rest_s), [], round_s, rest_s)
    notes = [] if np.any(sound) else [_SILENT]
    return Heard(tuple(map(_round_proposal, rounds.rounds)), (*rounds.notes, *notes), rounds)


def watch(found: Probe, folder: Path, round_s: float, rest_s: float, progress: Progress = silent) -> Watched:
    """All that can be found on a film before anybody has logged anything. `folder`: for what is kept between
    runs; a run that was stopped goes on where it was. Raises FootageError, StorageError, and what `progress`
    raises."""
    looked = Pass(found, folder)
    sound = looked.sound(progress)
    place = clock_place(looked, progress)
    seen = looked.frames(place, every_s(round_s), progress)
    clocked: list[ClockRound] = []
    if place is not None:
        clocked = clock_rounds(seen, place, readings(looked, seen, progress), round_s, rest_s)
    both = rounds_together(bells.bells(sound, round_s, rest_s), clocked, round_s, rest_s)
    cut = shots.find(np.asarray(seen.thumbs), seen.rate)
    again = replays.find(seen, cut, [(r.start, r.end) for r in both.rounds], progress)
    proposals = [_round_proposal(r) for r in both.rounds] + [_replay_proposal(r) for r in again]
    notes = [*both.notes, *_notes(sound, place)]
    if not both.rounds:
        notes.append("no rounds were found; mark one bell, or say when a round begins")
    ordered = tuple(sorted(proposals, key=lambda p: p.from_us))
    return Watched(ordered, tuple(notes), both.rounds, tuple(again), cut, seen, sound)


def action(watched: Watched, logged: Spans, logged_whole: Spans) -> tuple[Action, tuple[Proposal, ...]]:
    """Where action is likely, learnt from the exchanges `logged` of this film, all within `logged_whole`, the
    stretches that were logged to the end. Spans in seconds."""
    seen = watched.seen
    table = bursts.signals(seen, watched.shots, watched.sound)
    live = [(r.start, r.end) for r in watched.rounds]
    shown_again = [(r.start, r.end) for r in watched.replays if r.sureness != "perhaps"]
    learnt = bursts.learn(table, float(seen.times[0]), logged, logged_whole, live, shown_again)
    made = tuple(Proposal("action", _us(a), _us(b), "perhaps", learnt.said) for a, b in learnt.spans)
    return learnt, made


_SILENT = "the film has no sound, so no bell was listened for"


def _notes(sound: npt.NDArray[np.int16], place: Place | None) -> list[str]:
    made = []
    if not np.any(sound):
        made.append(_SILENT)
    if place is None and not reading.available():
        made.append("the clock on the picture was not read: install the extra “watch” for that")
    elif place is None:
        made.append("no clock was found on the picture")
    return made


def _round_proposal(one: FoundRound) -> Proposal:
    span = _us(one.start), _us(one.end)
    stops = tuple((_us(at), _us(gap)) for at, gap in one.stops)
    told = {"number": one.number, "verdict": one.verdict, "stops": stops}
    return Proposal("round", *span, one.sureness, one.evidence, **told)  # type: ignore[arg-type]


def _replay_proposal(one: Replay) -> Proposal:
    origin = None
    if one.origin is not None and one.speed is not None and one.origin_sureness is not None:
        origin = Moment(_us(one.origin), one.speed, one.origin_sureness)
    return Proposal("replay", _us(one.start), _us(one.end), one.sureness, one.evidence, origin=origin)


def _us(seconds: float) -> int:
    return max(0, round(seconds * 1_000_000))
