"""A breakdown as an editor's timeline: OpenTimelineIO with pictures, film sound and voice on tracks of their
own, and a CMX 3600 list of the pictures, which says what it cannot hold. Needs the extra `handover`.

Frames are the film's. Two clips at once are a stack of two on the picture track.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from cliplib.breakdowns.film import FilmPart, FilmPlan, PointFilm
from cliplib.breakdowns.plan import FilmShot, Stretch, stretches
from cliplib.core.errors import InputError
from cliplib.core.timebase import SECOND
from cliplib.reels.parts import ReelPart

MOST_EVENTS = 999
"""Of a CMX 3600 list: its numbers have three digits."""


def timeline_text(plan: FilmPlan, voices: Mapping[str, Path]) -> str:
    """OpenTimelineIO's own JSON. `voices`: a sound file for each point that is spoken, by the point's key."""
    rate = float(plan.encoding.rate)
    return str(_Writer(plan, rate, effects=True).timeline(voices).to_json_string(indent=2))


def edl_text(plan: FilmPlan) -> str:
    """The pictures as an EDL, in time code without dropped labels; remarks at its end say what it lacks."""
    writer = _Writer(plan, float(round(plan.encoding.rate)), effects=False)
    timeline = writer.otio.schema.Timeline(plan.title or "Breakdown")
    track = writer.pictures(flat=True)
    kept = 0
    shown = writer.otio.schema.Track("Pictures", kind="Video")
    for item in list(track):
        if isinstance(item, writer.otio.schema.Clip):
            kept += 1
            if kept > MOST_EVENTS:
                break
        shown.append(item.deepcopy())
    timeline.tracks.append(shown)
    text = str(writer.otio.adapters.write_to_string(timeline, "cmx_3600", rate=writer.label))
    head, _, rest = text.partition("\n")
    lacks = [
        "THE FILM'S SOUND AND THE VOICE ARE NOT IN THIS LIST; THE .OTIO FILE HAS THEM",
        "SLOW AND FROZEN FILM IS A REMARK BELOW ITS EVENT; DRAWINGS, ZOOM, MIRROR AND CARDS ARE NOT HELD",
    ]
    if any(pane for point in plan.points for shot in point.shots for pane in shot.panes[1:]):
        lacks.append("OF TWO CLIPS AT ONCE THE FIRST IS LISTED")
    if kept > MOST_EVENTS:
        lacks.append(f"ONLY THE FIRST {MOST_EVENTS} EVENTS ARE HERE; THE FORM HAS NO HIGHER NUMBERS")
    # At the end: some readers take no remark before the first event.
    said = "".join(f"* {line}\n" for line in lacks) if kept else ""
    return f"{head}\nFCM: NON-DROP FRAME\n{rest.rstrip()}\n{said}"


@dataclass(frozen=True, slots=True)
class _Span:
    otio: Any
    label: float

    def __call__(self, start: int, length: int) -> Any:
        time = self.otio.opentime.RationalTime
        return self.otio.opentime.TimeRange(time(start, self.label), time(length, self.label))


class _Writer:
    def __init__(self, plan: FilmPlan, label: float, *, effects: bool):
        try:
            import opentimelineio
        except ImportError as problem:
            raise InputError(
                "OpenTimelineIO is not installed, which timelines are written with; install it with: "
                "pip install 'cliplib[handover]'"
            ) from problem
        self.otio: Any = opentimelineio
        self.label, self._plan, self._effects = label, plan, effects
        self._rate = plan.encoding.rate
        self._span = _Span(self.otio, label)

    def timeline(self, voices: Mapping[str, Path]) -> Any:
        timeline = self.otio.schema.Timeline(self._plan.title or "Breakdown")
        pictures = self.pictures(flat=False)
        for seconds, heading in self._plan.chapters():
            marker = self.otio.schema.Marker(heading, self._span(int(seconds * self._rate), 1))
            pictures.markers.append(marker)
        timeline.tracks.append(pictures)
        timeline.tracks.append(self._track("Film sound", self._film_sound))
        timeline.tracks.append(
            self._track("Voice", lambda t, part, point: self._voice(t, part, point, voices))
        )
        return timeline

    def pictures(self, *, flat: bool) -> Any:
        track = self.otio.schema.Track("Pictures", kind="Video")
        starts = self._plan.starts()
        for part, _ in zip(self._plan.parts, starts, strict=True):
            if part.point is None or part.plan is None:
                name = part.card.lines[0] if part.card else "card"
                track.append(self._gap(name, part.frames))
                continue
            point = self._plan.points[part.point]
            for one in stretches(part.plan, point.shots, self._rate):
                shot = point.shots[one.shot] if one.shot >= 0 else None
                if shot is None or shot.part is None:
                    track.append(self._gap(shot.label if shot else point.heading, one.frames))
                    continue
                track.append(self._picture(shot, one, point, flat=flat))
        return track

    def _picture(self, shot: FilmShot, one: Stretch, point: PointFilm, *, flat: bool) -> Any:
        first = self._clip(shot.panes[0], shot.label, one, one.first, point)
        if len(shot.panes) == 1 or flat:
            return first
        stack = self.otio.schema.Stack(shot.label)
        stack.append(first)
        stack.append(self._clip(shot.panes[1], shot.label, one, max(0, one.other), point))
        return stack

    def _clip(self, pane: ReelPart, label: str, one: Stretch, frame: int, point: PointFilm) -> Any:
        line = pane.source.timeline
        start = round(line.time_of(frame) * self._rate)
        clip = self.otio.schema.Clip(label, self._reference(pane), self._span(start, one.frames))
        clip.metadata["cliplib"] = {
            "point": point.heading,
            "clip": pane.clip_id or 0,
            "first_frame": one.first,
            "last_frame": one.last,
            "pace": float(one.pace),
            **{name: value for name, value in pane.facts.items() if value},
        }
        remark = ""
        if not one.pace:
            remark, effect = "FREEZE", self.otio.schema.FreezeFrame()
        elif one.pace != 1:
            remark = f"FILM AT {float(one.pace):g} OF ITS SPEED"
            effect = self.otio.schema.LinearTimeWarp(time_scalar=float(one.pace))
        if remark and self._effects:
            clip.effects.append(effect)
        clip.metadata["cmx_3600"] = {"comments": [remark] if remark and not self._effects else []}
        return clip

    def _reference(self, pane: ReelPart) -> Any:
        whole = pane.source.timeline.time_of(len(pane.source.timeline))
        available = self._span(0, max(1, round(whole * self._rate)))
        return self.otio.schema.ExternalReference(pane.source.original.absolute().as_uri(), available)

    def _gap(self, name: str, frames: int) -> Any:
        return self.otio.schema.Gap(name, duration=self.otio.opentime.RationalTime(frames, self.label))

    def _track(self, name: str, fill: Callable[[Any, FilmPart, PointFilm], None]) -> Any:
        """A sound track: `fill` appends to it just as many frames as each point has."""
        track = self.otio.schema.Track(name, kind="Audio")
        for part in self._plan.parts:
            if part.point is None:
                track.append(self._gap("card", part.frames))
            else:
                fill(track, part, self._plan.points[part.point])
        return track

    def _film_sound(self, track: Any, part: FilmPart, point: PointFilm) -> None:
        plan, frames, at = part.plan, part.frames, 0
        assert plan is not None
        for sound in plan.sounds if point.mix.film is not None else ():
            begin, length = round(sound.at * self._rate), round(sound.length * self._rate)
            pane = point.shots[sound.shot].part
            length = min(length, frames - begin)
            if pane is None or begin < at or length < 1:
                continue
            if begin > at:
                track.append(self._gap("", begin - at))
            source = self._span(round(sound.start * self._rate), length)
            clip = self.otio.schema.Clip(point.shots[sound.shot].label, self._reference(pane), source)
            if sound.speed != 1:
                clip.effects.append(self.otio.schema.LinearTimeWarp(time_scalar=float(sound.speed)))
            track.append(clip)
            at = begin + length
        if at < frames:
            track.append(self._gap("", frames - at))

    def _voice(self, track: Any, part: FilmPart, point: PointFilm, voices: Mapping[str, Path]) -> None:
        spoken = round(Fraction(part.plan.spoken, SECOND) * self._rate) if part.plan else 0
        spoken, left = min(part.frames, spoken), part.frames
        if point.key in voices and spoken:
            url = voices[point.key].absolute().as_uri()
            reference = self.otio.schema.ExternalReference(url, self._span(0, spoken))
            track.append(self.otio.schema.Clip(f"Voice: {point.heading}", reference, self._span(0, spoken)))
            left -= spoken
        if left:
            track.append(self._gap(point.heading, left))
