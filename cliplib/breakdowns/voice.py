"""The voice of a take: its pieces of sound as one, on the take's clock.

Sound can be lost where nobody hears it: a laptop asleep, a phone that pauses the microphone. A piece comes at
least as late as its sound was made, so what every later piece lacks against the clock was lost before it; it
is filled with silence of that length.
"""

from __future__ import annotations

import bisect
import hashlib
import itertools
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from cliplib.breakdowns.take import Recording, Take
from cliplib.core.errors import FootageError
from cliplib.core.progress import Progress, silent
from cliplib.core.timebase import SECOND, format_time
from cliplib.media.files import replacing
from cliplib.media.sound import RATE, Samples, lay, read_voice, silence
from cliplib.reels.prepare import edged

GAP_US = 250_000
"""Sound that lacks less than this is late, not lost."""
_DRIFT_US = 40_000  # EBU R 37: sound at most 40 ms early
_ENDINGS = {"webm": ".webm", "ogg": ".ogg", "mp4": ".mp4", "mpeg": ".mp3", "wav": ".wav", "flac": ".flac"}


@dataclass(frozen=True, slots=True, eq=False)
class Voice:
    """`samples`: from the take's beginning on. `us`: its length. `notes`: what was lost and filled."""

    samples: Samples
    us: int
    notes: tuple[str, ...] = ()


def digest_of(take: Take) -> str:
    """What the voice of a take depends on."""
    digest = hashlib.sha256()
    for begins, until, number in take.used():
        recording = take.recordings[number]
        digest.update(repr((begins, until, recording.sound_begins, recording.pieces)).encode())
        for path in recording.sound:
            try:
                with path.open("rb") as file:
                    digest.update(hashlib.file_digest(file, "sha256").digest())
            except OSError:
                digest.update(b"not there")
    return digest.hexdigest()


def voice_of(take: Take, work: Path, progress: Progress = silent) -> Voice:
    """The take's voice; `work`: a folder for what is put together. Sound that cannot be read is silent, and
    `notes` says so. Raises what `progress` does, StorageError when the disk is full."""
    notes, laid = list[str](), list[tuple[int, Samples]]()
    us = take.us
    for begins, until, number in take.used():
        recording = take.recordings[number]
        if not recording.pieces:
            notes.append(f"the recording from {format_time(begins, 1)} on has no sound")
            continue
        try:
            samples, reached = _read(recording, work, progress)
        except FootageError as problem:
            notes.append(f"the sound from {format_time(begins, 1)} on cannot be used: {problem}")
            continue
        if recording.given:
            us = max(us, begins + samples.shape[1] * SECOND // RATE)
            laid.append((begins, samples))
            continue
        samples = _on_the_clock(samples, reached, recording, begins, notes)
        lead = recording.sound_begins * RATE // SECOND
        whole = silence((until - begins) * RATE // SECOND)
        lay(whole, samples, lead)
        laid.append((begins, edged(whole)))
    heard = silence(-(-us * RATE // SECOND))
    for at, samples in laid:
        lay(heard, samples, at * RATE // SECOND)
    return Voice(heard, us, tuple(notes))


def _read(recording: Recording, work: Path, progress: Progress) -> tuple[Samples, list[tuple[int, int]]]:
    if recording.given and len(recording.sound) == 1:
        return read_voice(recording.sound[0], progress)
    ending = next((end for word, end in _ENDINGS.items() if word in recording.kind), ".webm")
    whole = work / f".voice-{hashlib.sha256(str(recording.sound[0]).encode()).hexdigest()[:16]}{ending}"
    try:
        with replacing(whole, durable=False) as temporary, temporary.open("wb") as out:
            for path in recording.sound:
                with path.open("rb") as piece:
                    shutil.copyfileobj(piece, out)
        return read_voice(whole, progress)
    except FileNotFoundError as problem:
        raise FootageError(f"a piece of it is not there ({problem.filename})") from problem
    finally:
        whole.unlink(missing_ok=True)


def _on_the_clock(
    samples: Samples,
    reached: Sequence[tuple[int, int]],
    recording: Recording,
    begins: int,
    notes: list[str],
) -> Samples:
    lags = lags_of(reached, recording)
    for at, length in reversed(gaps_in(lags)):
        place = at * RATE // SECOND
        filling = silence(length * RATE // SECOND)
        samples = np.concatenate((samples[:, :place], filling, samples[:, place:]), axis=1)
        when = format_time(begins + recording.sound_begins + at, 1)
        notes.append(f"{length / SECOND:.1f} s of sound were lost at {when} and are silent")
    drift = drift_of(lags)
    if abs(drift) > _DRIFT_US:
        notes.append(f"the sound's clock was {drift / 1000:+.0f} ms off in the end; it was evened out")
        count = samples.shape[1]
        wanted = np.arange(int(count + drift * RATE / SECOND)) * (count / (count + drift * RATE / SECOND))
        samples = np.stack([np.interp(wanted, np.arange(count), side) for side in samples]).astype(np.float32)
    return samples


def lags_of(reached: Sequence[tuple[int, int]], recording: Recording) -> list[tuple[int, int]]:
    """For each piece how far its sound had got, and by how much the clock was further; microseconds."""
    ends = [place for place, _ in reached]
    total, lags = 0, []
    for piece in recording.pieces:
        total += piece.bytes
        place = bisect.bisect_right(ends, total)
        sound = reached[place - 1][1] if place else 0
        lags.append((sound, piece.clock - recording.sound_begins - sound))
    return lags


def gaps_in(lags: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """(where in the sound, how long) for what was lost."""
    least = list(itertools.accumulate((lag for _, lag in reversed(lags)), min))[::-1]
    return [
        (lags[n][0], least[n + 1] - least[n])
        for n in range(len(least) - 1)
        if least[n + 1] - least[n] > GAP_US
    ]


def drift_of(lags: Sequence[tuple[int, int]]) -> int:
    """By how much the clock ran ahead of the sound from the first third to the last, without what was lost;
    microseconds over the whole. 0 where there are too few pieces to tell."""
    if len(lags) < 30:
        return 0
    lost, plain, gaps = 0, list[int](), dict(gaps_in(lags))
    for sound, lag in lags:
        plain.append(lag - lost)
        lost += gaps.get(sound, 0)
    third = len(plain) // 3
    return (min(plain[-third:]) - min(plain[:third])) * 3 // 2
