"""A reel as an editor's timeline: OpenTimelineIO, and from it a CMX 3600 edit decision list (SMPTE ST 258).

Needs the extra `handover`. Frames of the timeline are the reel's: of its rate, cards as gaps. A clip refers
to its footage from frame 0 on, or to its file in a bundle; a source of another rate is counted in the reel's.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from fractions import Fraction
from typing import Any

from cliplib.core.errors import InputError
from cliplib.reels.handover_rows import Row
from cliplib.reels.plan import ReelPlan
from cliplib.reels.shots import Shot

DROP_FRAME = (Fraction(30000, 1001), Fraction(60000, 1001))
"""Rates whose time code may leave out labels to keep up with the clock (SMPTE ST 12-1)."""


def timeline_text(rows: Sequence[Row], plan: ReelPlan, media: Mapping[int, str] | None = None) -> str:
    """The timeline as OpenTimelineIO's own JSON. `media`: each row number's file in a bundle."""
    return str(_timeline(rows, plan, media, float(plan.encoding.rate), sound=True).to_json_string(indent=2))


def edl_text(
    rows: Sequence[Row],
    plan: ReelPlan,
    media: Mapping[int, str] | None = None,
    *,
    drop_frame: bool | None = None,
) -> str:
    """The same as an EDL; pictures only, as the format's library writes no sound events.

    `drop_frame`: None is what is usual, drop-frame for 30000/1001 and 60000/1001. Speed changes are written
    in non-drop lists only; in drop-frame ones they are remarks (the library misreads its own time code
    there). Raises InputError for drop-frame at any other rate.
    """
    otio = _otio()
    rate = plan.encoding.rate
    drop = rate in DROP_FRAME if drop_frame is None else drop_frame
    if drop and rate not in DROP_FRAME:
        raise InputError(f"there is no drop-frame time code at {rate} frames a second; leave it out")
    # Without dropped labels, 30000/1001 is counted just as 30 is, and so on.
    label = float(rate) if drop else float(round(rate))
    timeline = _timeline(rows, plan, media, label, remarks_only=drop)
    text = str(otio.adapters.write_to_string(timeline, "cmx_3600", rate=label))
    head, _, rest = text.partition("\n")
    rest = _SLOWED.sub(lambda event: _played(event, round(label)), rest)
    return f"{head}\nFCM: {'DROP FRAME' if drop else 'NON-DROP FRAME'}\n{rest}"


_SLOWED = re.compile(
    r"^(?P<event>\d{3}  .*? C +)(?P<first>[\d:]{11}) [\d:]{11} (?P<begin>[\d:]{11}) (?P<end>[\d:]{11})"
    r"(?P<motion>\s*\nM2 .*\t\t(?P<speed>\d+(?:\.\d+)?)\t\t\t)",
    re.MULTILINE,
)


def _played(event: re.Match[str], rate: int) -> str:
    """An event with a motion effect whose source span is what is played: at half the speed half as many
    frames as are shown. The format's library divides by the speed where it should multiply. A frozen picture
    is one frame."""
    first, begin, end = (_frames_of(event[name], rate) for name in ("first", "begin", "end"))
    last = first + max(1, round((end - begin) * Fraction(event["speed"]) / rate))
    source = f"{event['first']} {_label(last, rate)}"
    return f"{event['event']}{source} {event['begin']} {event['end']}{event['motion']}"


def _frames_of(label: str, rate: int) -> int:
    hours, minutes, seconds, frames = map(int, label.split(":"))
    return ((hours * 60 + minutes) * 60 + seconds) * rate + frames


def _label(frames: int, rate: int) -> str:
    seconds, frames = divmod(frames, rate)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}:{frames:02d}"


def _otio() -> Any:
    try:
        import opentimelineio
    except ImportError as problem:
        raise InputError(
            "OpenTimelineIO is not installed, which timelines and edit decision lists are written with; "
            "install it with: pip install 'cliplib[handover]'"
        ) from problem
    return opentimelineio


def _timeline(
    rows: Sequence[Row],
    plan: ReelPlan,
    media: Mapping[int, str] | None,
    label: float,
    *,
    remarks_only: bool = False,
    sound: bool = False,
) -> Any:
    otio = _otio()
    timeline = otio.schema.Timeline(plan.settings.title or "Reel")
    track = otio.schema.Track("Pictures", kind=otio.schema.TrackKind.Video)
    timeline.tracks.append(track)
    by_clip = {row.planned.clip: row for row in rows}
    for planned in plan.parts:
        if planned.clip is None:
            length = otio.opentime.RationalTime(planned.frames, label)
            track.append(otio.schema.Gap(planned.title, duration=length))
            continue
        for shot in planned.shots:
            row = by_clip[planned.clip]
            track.append(_clip(otio, row, shot, plan, media, label, remarks_only=remarks_only))
    if sound:
        silent = {row.planned.clip for row in rows if not row.part.source.info.audio}
        timeline.tracks.append(_sound_of(otio, track, plan, label, silent))
    return timeline


def _sound_of(otio: Any, pictures: Any, plan: ReelPlan, label: float, silent: Collection[int | None]) -> Any:
    """The sound beneath the pictures, item by item; silence under cards, stopped and muted film, and under
    clips of footage that is `silent`."""
    heard = otio.schema.Track("Sound", kind=otio.schema.TrackKind.Audio)
    shots = [
        (planned.clip, shot)
        for planned in plan.parts
        for shot in (planned.shots if planned.clip is not None else (None,))
    ]
    for (clip, shot), item in zip(shots, pictures, strict=True):
        if shot is None or not shot.sound or clip in silent:
            length = otio.opentime.RationalTime(item.duration().value, label)
            heard.append(otio.schema.Gap("silence", duration=length))
            continue
        copy = item.deepcopy()
        copy.markers.clear()
        heard.append(copy)
    return heard


def _clip(
    otio: Any,
    row: Row,
    shot: Shot,
    plan: ReelPlan,
    media: Mapping[int, str] | None,
    label: float,
    *,
    remarks_only: bool,
) -> Any:
    part, line, rate = row.part, row.part.source.timeline, plan.encoding.rate
    origin = line.time_of(part.first) if media else Fraction(0)
    whole = (line.time_of(part.last) if media else line.time_of(len(line))) - origin

    def frames(seconds: Fraction) -> int:
        return round((seconds - origin) * rate)

    def span(start: int, length: int) -> Any:
        time = otio.opentime.RationalTime
        return otio.opentime.TimeRange(time(start, label), time(length, label))

    url = media[row.number] if media else part.source.original.absolute().as_uri()
    reference = otio.schema.ExternalReference(url, available_range=span(0, max(1, round(whole * rate))))
    facts = {name: value for name, value in part.facts.items() if value}
    name = row.planned.title if shot.kind == "play" else f"{row.planned.title} ({shot.kind})"
    clip = otio.schema.Clip(name, reference, span(frames(line.time_of(shot.frames[0])), len(shot.frames)))
    clip.metadata["cliplib"] = {
        "number": row.number,
        "clip": part.clip_id or 0,
        "first_frame": part.first,
        "end_frame": part.last,
        "shot": shot.kind,
        **facts,
    }
    if part.beside is not None:
        clip.metadata["cliplib"]["beside"] = part.beside.part.clip_id or 0
    remarks = []
    if shot.kind == "slow" and shot.speed != 1:
        remarks = [f"SLOW REPLAY AT {shot.speed} OF THE SPEED"]
        effect = otio.schema.LinearTimeWarp(time_scalar=float(shot.speed))
    elif shot.kind == "freeze":
        remarks = ["FREEZE"]
        effect = otio.schema.FreezeFrame()
    if remarks and not remarks_only:
        clip.effects.append(effect)
    clip.metadata["cmx_3600"] = {"reel": f"C{row.number:03d}", "comments": remarks if remarks_only else []}
    if shot.kind == "play":
        for moment in sorted(set(part.moments_us)):
            at = frames(line.time_of(line.frame_at(moment)))
            clip.markers.append(otio.schema.Marker("action", span(at, 1)))
    return clip
