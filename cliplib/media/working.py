"""A file that the slicer can use and browsers can seek in: the footage itself, a copy, or a working copy.

    H.264 in closed groups, AAC, indexed MP4     the footage itself
    the same in another container, or with       one copy into an indexed MP4, the picture untouched
      sound that browsers lack                     (sound turned into AAC)
    anything else                                one progressive, upright H.264 + AAC working copy

Frame i of the file shows frame i of the footage, at the same time to within a tick of the coarser time base;
that is verified before the copy gets its name. Deinterlacing makes one picture of a frame's two fields.
Pixels that aren't square stay so, and the copy says so, as browsers heed that. Sound of more than two
channels is mixed down to stereo where it has to be encoded; the footage keeps it. A copy has one sound track.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from cliplib.core.errors import FootageError, MediaError
from cliplib.core.models import FootageInfo
from cliplib.core.progress import Progress, silent
from cliplib.core.timebase import Timeline
from cliplib.media import ffmpeg
from cliplib.media.files import replacing
from cliplib.media.frames import says_when
from cliplib.media.mp4 import reading
from cliplib.media.probe import Probe, probe
from cliplib.media.slices import shown_frames

GROUP_SECONDS = 2
QUALITY = 20  # x264's constant rate factor: no visible loss at this preset (common practice)
PRESET = "veryfast"
AUDIO_BIT_RATE = 160_000
COPY, WORKING = "copy", "working"

_Seen = TypeVar("_Seen")

_FINEST = 1_000_000  # ticks a second that an MP4 is given at most; the fallback is 90 kHz, MPEG's clock
_AAC_RATES = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000, 64000, 88200, 96000)
_LONGEST_GROUP = 250
_SURE = 0.95  # share of decoded frames that must have the time of a packet


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """Footage ready to be cut. `sliced`: what the slicer reads, or None: encode each clip from `original`.

    `info`, `timeline`: of the original, in its own ticks; where decoding showed other frames than the packets
    promised (damage, a broken beginning) they are corrected to what is shown. `why`: what was done and why.
    """

    original: Path
    sliced: Path | None
    info: FootageInfo
    timeline: Timeline
    why: str


def prepare(found: Probe, folder: Path, progress: Progress = silent) -> Prepared:
    """Make or find the file to slice; a copy goes into `folder`, named after the footage's fingerprint.

    A copy that is there is used again; one that isn't finished has another name and is never used. Raises
    StorageError when the disk is full, FootageError when the footage's frames cannot be told apart, and
    whatever `progress` raises. If no copy can be made for another reason, `sliced` is None and `why` says it.
    """
    notes = _notes(found.info)
    if found.info.sliceable:
        return Prepared(found.path, found.path, found.info, found.timeline, "; ".join(notes))
    copied, working = (Path(folder) / f"{found.info.fingerprint}-{kind}.mp4" for kind in (COPY, WORKING))
    for copy in (copied, working):
        if copy.exists():
            try:
                return _with_copy(found, copy, _twice(table_timeline, copy), notes)
            except FootageError:
                copy.unlink()  # spoilt since it was verified
    try:
        copy, made = _make(found, copied, working, progress)
    except MediaError as problem:
        why = f"no working copy could be made, so each clip is encoded from the footage: {problem}"
        return Prepared(found.path, None, found.info, found.timeline, "; ".join([why, *notes]))
    return _with_copy(found, copy, made, notes)


def frames_from(prepared: Prepared) -> tuple[Path, FootageInfo, Timeline]:
    """The file whose frames are decoded: the original, as it is the best there is; the copy where the
    original has moved or its decoded frames do not say when they are shown. Frame i is frame i of either.
    """
    copy = prepared.sliced
    wanting = not says_when(prepared.info) or not prepared.original.exists()
    if copy is not None and copy != prepared.original and wanting:
        found = _probed(copy, copy.stat().st_mtime_ns)
        return found.path, found.info, found.timeline
    return prepared.original, prepared.info, prepared.timeline


@functools.lru_cache(maxsize=32)
def _probed(path: Path, _changed: int) -> Probe:
    return probe(path)


def _make(found: Probe, copy: Path, working: Path, progress: Progress) -> tuple[Path, Timeline]:
    """The file, which has its name only once it was verified, and its timeline."""
    if found.info.copyable:
        # Damaged sound, or times that don't survive the change of container: try the next thing.
        for with_sound in _sounds_to_copy(found.info):
            with contextlib.suppress(MediaError), replacing(copy) as temporary:
                made = _run(
                    found, _copying(found, temporary, with_sound), temporary, "copying footage", progress
                )
                if not _same(found.timeline, made):
                    raise MediaError("the copy's times differ from the footage's")
            if copy.exists():
                return copy, made
    missing = ffmpeg.capabilities().missing
    if missing:
        raise MediaError(f"{ffmpeg.binary()} lacks {', '.join(missing)}; use another ffmpeg")
    with replacing(working) as temporary:
        made = _run(found, _encoding(found, temporary), temporary, "making a working copy", progress)
    return working, made


def _run(found: Probe, command: Any, out: Path, stage: str, progress: Progress) -> Timeline:
    ffmpeg.run(
        command,
        progress=progress,
        stage=stage,
        total_frames=len(found.timeline),
        most_bytes=_most_bytes(found),
    )
    return _verified(out, progress)


def _most_bytes(found: Probe) -> int:
    """What a copy can need at most: a byte a pixel, or twice the footage; and twice the sound."""
    info = found.info
    pictures = max(len(found.timeline) * (info.width + 1) * (info.height + 1), 2 * info.size)
    return pictures + 2 * info.duration_us * AUDIO_BIT_RATE // 8_000_000 + (64 << 20)


def _verified(path: Path, progress: Progress) -> Timeline:
    def look(copy: Path) -> Timeline:
        made = probe(copy, progress)
        if not made.info.sliceable:
            raise FootageError(f"it cannot be sliced: {made.info.why_not}")
        return made.timeline

    try:
        return _twice(look, path)
    except FootageError as problem:
        raise MediaError(f"the copy that ffmpeg made cannot be used: {problem}") from problem


def _twice(look: Callable[[Path], _Seen], copy: Path) -> _Seen:
    """Look again before a file of our own is called spoilt: a disk that failed to read it once must not
    decide for ever what a fight's clips are made of."""
    try:
        return look(copy)
    except FootageError:
        return look(copy)


def table_timeline(path: Path) -> Timeline:
    """A copy's timeline from its sample tables alone."""
    movie = reading.read_movie(path)
    track = movie.of_kind(b"vide")[0]
    shown = shown_frames(track, movie)
    times = track.composition[shown.samples]
    return Timeline(times - times[0], int(shown.end - times[0]), Fraction(1, track.timescale))


# --- what to ask of ffmpeg --------------------------------------------------------------------------------


def _sounds_to_copy(info: FootageInfo) -> list[dict[str, Any]]:
    """Options for the sound beside a copied picture, the better ones first."""
    copied = [{"acodec": "copy"}] if info.audio and info.audio[0].codec == "aac" else []
    return [*copied, _sound(info)]


def _copying(found: Probe, out: Path, sound: dict[str, Any]) -> Any:
    source = ffmpeg.inputs(found.path)
    streams = [source["V:0"], *(source[str(track.index)] for track in found.info.audio[:1])]
    return ffmpeg.output(*streams, path=out, vcodec="copy", **sound, **_common(found))


def _encoding(found: Probe, out: Path) -> Any:
    info, base = found.info, found.timeline.time_base
    source = ffmpeg.inputs(found.path)
    picture = source["V:0"]
    steps = np.diff(found.timeline.pts)
    if info.container == "avi" and len(steps) and (steps == steps[0]).all():
        # AVI has no presentation times, and what a decoder makes of that is out of order now and then.
        picture = picture.filter("settb", f"{base.numerator}/{base.denominator}")
        picture = picture.filter("setpts", f"N*{int(steps[0])}")
    if info.interlaced:
        picture = picture.filter("bwdif", mode="send_frame", deint="all")
    if info.width % 2 or info.height % 2:
        picture = picture.filter("scale", "2*ceil(iw/2)", "2*ceil(ih/2)")
    picture = picture.filter("format", "yuv420p")
    options: dict[str, Any] = {
        "vcodec": "libx264",
        "preset": PRESET,
        "crf": QUALITY,
        "g": min(max(1, round(info.rate * GROUP_SECONDS)), _LONGEST_GROUP),
        "x264-params": "open-gop=0",
        "fps_mode:v": "passthrough",
        "enc_time_base:v": f"{base.numerator}/{base.denominator}",
        **_sound(info),
        **_common(found),
    }
    streams = [picture, *(source[str(track.index)] for track in info.audio[:1])]
    return ffmpeg.output(*streams, path=out, **options)


def _common(found: Probe) -> dict[str, Any]:
    ticks = found.timeline.time_base.denominator
    return {
        "format": "mp4",
        "movflags": "+faststart",
        "video_track_timescale": ticks if ticks <= _FINEST else 90_000,
        "map_metadata": -1,
        "map_chapters": -1,
    }


def _sound(info: FootageInfo) -> dict[str, Any]:
    if not info.audio:
        return {}
    track = info.audio[0]
    options: dict[str, Any] = {"acodec": "aac", "audio_bitrate": AUDIO_BIT_RATE}
    # Gaps in the sound's timestamps are filled, else what follows one would come too early.
    options["af"] = "aresample=async=1"
    if track.channels > 2:
        options["ac"] = 2
    if track.sample_rate not in _AAC_RATES:
        options["ar"] = 48_000
    return options


# --- what came of it --------------------------------------------------------------------------------------


def _with_copy(found: Probe, copy: Path, made: Timeline, notes: Sequence[str]) -> Prepared:
    info, timeline = found.info, found.timeline
    if not _same(timeline, made):
        info, timeline = _as_shown(found, made)
        lost = found.info.frames - info.frames
        notes = [*notes, f"{lost} of its frames cannot be shown" if lost > 0 else "its times were corrected"]
    copied = copy.stem.endswith(COPY)
    what = "it was copied once into an indexed MP4" if copied else "a working copy was made"
    return Prepared(found.path, copy, info, timeline, "; ".join([f"{what}, because {info.why_not}", *notes]))


def _same(ours: Timeline, made: Timeline) -> bool:
    """As many frames, at the same times to within a tick of the coarser time base."""
    if len(ours) != len(made):
        return False
    tick = max(ours.time_base, made.time_base)
    # In units of both ticks' denominators; object arrays count without bounds, and are short of nothing here.
    scale = made.time_base / ours.time_base
    off = ours.pts * scale.denominator - made.pts * scale.numerator
    return bool(int(np.abs(off).max()) <= tick / ours.time_base * scale.denominator)


def _as_shown(found: Probe, made: Timeline) -> tuple[FootageInfo, Timeline]:
    """The footage's info and timeline as its decoder shows it, known by the copy's times.

    The copy starts at 0, wherever in the footage its first frame was; so it is laid against the footage's
    times where most of its frames meet one.
    """
    ours = found.timeline
    scale = made.time_base / ours.time_base
    shown = (made.pts * scale.numerator + scale.denominator // 2) // scale.denominator
    starts = ours.pts[: max(1, min(len(ours), 512))]
    slack = max(1, -(-scale.numerator // scale.denominator)) if scale > 1 else 0
    best = max(starts.tolist(), key=lambda start: _met(ours.pts, shown + start, slack))
    if _met(ours.pts, shown + best, slack) < _SURE * len(shown):
        if len(ours) == len(made):
            return found.info, ours  # every frame is there, in order; only a decoder's guess at times differs
        raise FootageError(
            f"{found.path} shows {len(made)} frames where its packets promise {len(ours)}, and their times "
            "do not fit together; convert it to MP4 first"
        )
    start = int(best)
    end = max(int(shown[-1]) + 1, ours.end - start) if len(shown) else 0
    timeline = Timeline(shown, end, ours.time_base)
    info = dataclasses.replace(
        found.info,
        frames=len(timeline),
        duration_us=timeline.duration_us,
        start_pts=found.info.start_pts + start,
    )
    return info, timeline


def _met(times: Any, wanted: Any, slack: int) -> int:
    at = np.searchsorted(times, wanted - slack)
    inside = at < len(times)
    return int((np.abs(times[np.minimum(at, len(times) - 1)] - wanted) <= slack)[inside].sum())


def _notes(info: FootageInfo) -> list[str]:
    if len(info.audio) < 2:
        return []
    language = f" ({info.audio[0].language})" if info.audio[0].language else ""
    return [f"of {len(info.audio)} sound tracks the default one{language} is used"]
