"""Drawings on clips, kept in the library: lines, arrows, circles, boxes, angles, paths and texts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from cliplib.catalogue.drawings import StoredDrawing
from cliplib.core.errors import InputError, NotFoundError
from cliplib.core.models import JSON, ClipRow
from cliplib.core.timebase import from_seconds, to_seconds
from cliplib.library.desk import Desk
from cliplib.media.frames import upright_size
from cliplib.reels.drawings import horizontal_share
from cliplib.reels.parts import Drawing
from cliplib.reels.theme_reading import drawings_from
from cliplib.reels.theme_writing import drawing_values

MOST = 200
"""Drawings on one clip."""

CLIP_TIMES = ("clip_from", "clip_until")
"""Clip time in the place of `from` and `until`, which are footage time."""

_LINES = ("line", "arrow", "path")


@dataclass(frozen=True, slots=True)
class KeptDrawing:
    """A drawing with the number it is known by, on a clip that begins at `start_us` of footage time."""

    id: int
    drawing: Drawing
    start_us: int = field(default=0, compare=False)

    def as_json(self) -> JSON:
        """The keys of a theme file, and `id`; `from` and `until` in seconds of footage time, `clip_from` and
        `clip_until` the same in seconds of the clip."""
        times = zip(CLIP_TIMES, (self.drawing.from_us, self.drawing.until_us), strict=True)
        own = {key: to_seconds(us - self.start_us) for key, us in times if us is not None}
        return {"id": self.id, **drawing_values(self.drawing), **own}


class Drawings:
    """`library.making.drawings`: what is drawn on clips. Places are shares of the upright picture as it
    was filmed, (0, 0) top left; times are footage time."""

    def __init__(self, desk: Desk):
        self._desk = desk

    def of(self, clip_id: int) -> tuple[KeptDrawing, ...]:
        """A clip's drawings in the order they were drawn; NotFoundError for no such clip."""
        return self._of(self._desk.clip(clip_id))

    def shown_on(self, clip: ClipRow) -> tuple[Drawing, ...]:
        """The same without numbers, for a reel."""
        return tuple(kept.drawing for kept in self._of(clip))

    def one(self, clip_id: int, drawing_id: int) -> KeptDrawing:
        """One of them; NotFoundError if the clip has no such drawing."""
        return self._find(self._desk.clip(clip_id), drawing_id)

    def add(self, clip_id: int, values: Mapping[str, Any]) -> KeptDrawing:
        """Keep one drawing, given by the keys of a theme file: `kind`, `points`, `from`, `until` (seconds;
        the whole clip unless given), `colour`, `width`, `text`, `shots`; or `clip_from`, `clip_until`,
        seconds from the clip's first frame. ThemeError says what is wrong, InputError
        what the clip never shows."""
        clip = self._drawable(clip_id)
        if len(self._of(clip)) >= MOST:
            raise InputError(f"clip {clip_id} has {MOST} drawings already; remove some first")
        drawing, span = self._read(clip, values)
        stored = self._desk.catalogue.drawings.add(clip.fight_id, clip.id, *span, _shape(drawing))
        return _kept(stored, clip)

    def change(self, clip_id: int, drawing_id: int, values: Mapping[str, Any]) -> KeptDrawing:
        """Put other values in a drawing's place, all of them."""
        clip = self._drawable(clip_id)
        self._find(clip, drawing_id)
        drawing, span = self._read(clip, values)
        stored = StoredDrawing(drawing_id, *span, _shape(drawing))
        self._desk.catalogue.drawings.change(stored)
        return _kept(stored, clip)

    def remove(self, clip_id: int, drawing_id: int) -> KeptDrawing:
        """Take a drawing off a clip."""
        gone = self._find(self._desk.clip(clip_id), drawing_id)
        self._desk.catalogue.drawings.remove(drawing_id)
        return gone

    def bring_back(self, clip_id: int, drawing_id: int) -> KeptDrawing:
        """Undo a removal."""
        clip = self._desk.clip(clip_id)
        return _kept(self._desk.catalogue.drawings.bring_back(clip.fight_id, drawing_id), clip)

    def share(self, clip_id: int, first: int, second: int, measure: int) -> float:
        """How far two drawn lines lie apart from left to right, as a share of a third one's length: the
        stance's width or the fighter's height. A measure of the picture, not metres; it knows no depth."""
        clip = self._drawable(clip_id)
        drawings = [self._find(clip, one).drawing for one in (first, second, measure)]
        for one in drawings:
            if one.kind not in _LINES:
                raise InputError(f"a {one.kind} cannot be measured with; draw a line")
        footage = self._desk.catalogue.footage(clip.fight_id)
        if footage is None:
            raise InputError(f"“{clip.fight}” has no footage yet; ingest it again when it has")
        width, height = upright_size(footage.info)
        try:
            return horizontal_share(drawings[0], drawings[1], drawings[2], width / height)
        except ValueError as problem:
            raise InputError(str(problem)) from problem

    def _of(self, clip: ClipRow) -> tuple[KeptDrawing, ...]:
        if clip.start_us is None or clip.end_us is None:
            return ()
        stored = self._desk.catalogue.drawings.of(clip.fight_id, clip.id, clip.start_us, clip.end_us)
        return tuple(_kept(one, clip) for one in stored)

    def _find(self, clip: ClipRow, drawing_id: int) -> KeptDrawing:
        for kept in self._of(clip):
            if kept.id == drawing_id:
                return kept
        raise NotFoundError(f"clip {clip.id} has no drawing {drawing_id}")

    def _drawable(self, clip_id: int) -> ClipRow:
        clip = self._desk.clip(clip_id)
        if clip.start_us is None or clip.end_us is None or clip.start_frame is None:
            raise InputError(f"clip {clip_id} has no footage yet; ingest its fight again when it has")
        return clip

    def _read(self, clip: ClipRow, values: Mapping[str, Any]) -> tuple[Drawing, tuple[int, int]]:
        if not isinstance(values, Mapping):
            raise InputError(
                'a drawing is an object, like {"kind": "line", "points": [[0.4, 0.5], [0.6, 0.4]]}'
            )
        (drawing,) = drawings_from([_in_footage_time(clip, values)])
        if drawing.kind == "text" and not drawing.text.strip():
            raise InputError("a text says nothing; write what it is to say")
        start = clip.start_us if drawing.from_us is None else drawing.from_us
        end = clip.end_us if drawing.until_us is None else drawing.until_us
        assert start is not None
        assert end is not None
        if end <= start:
            raise InputError(
                "a drawing must be shown for a while; set the time it goes after the time it comes"
            )
        begins, ends = clip.start_us or 0, clip.end_us or 0
        if end <= begins or start >= ends:
            whole, long = f"{_seconds(begins)} to {_seconds(ends)} s", _seconds(ends - begins)
            raise InputError(
                f"clip {clip.id} shows {whole} of footage time, which are 0 to {long} s of the clip; a "
                f"drawing from {_seconds(start)} to {_seconds(end)} s of footage time would never be seen. "
                "Seconds of the clip are written as clip_from and clip_until"
            )
        return drawing, (start, end)


def _in_footage_time(clip: ClipRow, values: Mapping[str, Any]) -> dict[str, Any]:
    """The values as a theme file has them: without a number, times in footage time only."""
    found = {key: value for key, value in values.items() if key not in ("id", *CLIP_TIMES)}
    for own, key in zip(CLIP_TIMES, ("from", "until"), strict=True):
        if (seconds := values.get(own)) is None:
            continue
        if isinstance(seconds, bool) or not isinstance(seconds, int | float) or not math.isfinite(seconds):
            raise InputError(f"{own} must be a number of seconds of the clip")
        time = to_seconds((clip.start_us or 0) + from_seconds(seconds))
        if found.setdefault(key, time) != time:
            raise InputError(f"{own} and {key} say different times; give one of them")
    return found


def _seconds(us: int) -> str:
    return f"{to_seconds(us):.3f}".rstrip("0").rstrip(".")


def _shape(drawing: Drawing) -> dict[str, Any]:
    return {key: value for key, value in drawing_values(drawing).items() if key not in ("from", "until")}


def _kept(stored: StoredDrawing, clip: ClipRow) -> KeptDrawing:
    (shape,) = drawings_from([dict(stored.values)])
    times = {"from_us": stored.from_us, "until_us": stored.until_us}
    drawing = Drawing(
        shape.kind, shape.points, **times, colour=shape.colour, width=shape.width, text=shape.text,
        shots=shape.shots,
    )  # fmt: skip
    return KeptDrawing(stored.id, drawing, clip.start_us or 0)
