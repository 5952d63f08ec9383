"""From a film to what it holds: one pass, then each detector over what that left."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from cliplib.core.progress import Progress, silent
from cliplib.media.frames import FrameReader, upright_size
from cliplib.watching import clock, clockplace, reading
from cliplib.watching.clock import ClockRound, Reading
from cliplib.watching.seen import Pass, Place, Seen, box_of

EVERY_S = 0.5
"""Between two readings of the clock."""


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
