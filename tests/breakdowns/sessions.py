"""A made-up session in front of a player: what somebody did, what was on the picture at each moment, and the
take that a recorder would write of it; and its sound, a row of clicks."""

from __future__ import annotations

import io
import itertools
import random
import wave
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from cliplib.breakdowns.plan import FilmShot
from cliplib.breakdowns.shots import ShotRecord
from cliplib.breakdowns.take import TakeFolder
from tests.media import footage
from tests.reels.reel_parts import part

RATE = 48_000
REFRESH_US = 16_667  # a screen of 60 pictures a second


@dataclass
class Session:
    """`moments`: (microseconds, shot, frame) whenever another frame came onto the picture."""

    shots: list[tuple[str, int, int]]  # kind of footage, frames
    moments: list[tuple[int, int, int]] = field(default_factory=list)
    lines: list[dict[str, Any]] = field(default_factory=list)
    us: int = 0

    def at(self, us: int) -> tuple[int, int]:
        return next((shot, frame) for t, shot, frame in reversed(self.moments) if t <= us)


class Player:
    """Plays, stops, steps, slows, scrubs and goes to the next shot; writes what a recorder writes."""

    def __init__(self, shots: Sequence[tuple[str, int, int]]):
        self.session = Session(list(shots))
        self.t, self.shot, self.frame, self.speed = 0, 0, shots[0][1], Fraction(0)
        self.drawings: list[str] = []
        self.mirror = "none"
        self._show()
        self._note()

    def play(self, us: int, speed: Fraction = Fraction(1)) -> None:
        """Film runs; frames come with the screen's refresh after they are due, as in a browser."""
        self.speed = speed
        self._note()
        line = footage.make(self.session.shots[self.shot][0]).times
        begun, from_frame, last_note = self.t, self.frame, self.t
        end = self.t + us
        while self.t < end:
            self.t = min(end, self.t + REFRESH_US)
            place = line[from_frame] + Fraction(self.t - begun, 1_000_000) * speed
            due = max(n for n, time in enumerate(line) if time <= place)
            due = min(due, self.session.shots[self.shot][2] - 1)
            if due != self.frame:
                self.frame = due
                self._show()
                if self.t - last_note >= 240_000:
                    self._note()
                    last_note = self.t
        self.stop()

    def stop(self) -> None:
        self.speed = Fraction(0)
        self._note()

    def wait(self, us: int) -> None:
        self.t += us

    def scrub(self, frame: int) -> None:
        _, first, last = self.session.shots[self.shot]
        self.frame = min(max(frame, first), last - 1)
        self._show()
        self._note()

    def to_shot(self, shot: int) -> None:
        self.shot, self.frame = shot, self.session.shots[shot][1]
        self._show()
        self._note()

    def draw(self, name: str, values: dict[str, Any]) -> None:
        self.session.lines.append({"t": self.t, "drawing": name, "values": values})
        self.drawings.append(name)
        self._note()

    def clear(self) -> None:
        self.drawings = []
        self._note()

    def end(self) -> Session:
        self.session.us = self.t
        return self.session

    def _show(self) -> None:
        self.session.moments.append((self.t, self.shot, self.frame))

    def _note(self) -> None:
        self.session.lines.append(
            {
                "t": self.t,
                "shot": self.shot,
                "frame": self.frame,
                "speed": float(self.speed),
                "drawings": list(self.drawings),
                "mirror": self.mirror,
            }
        )


def wander(player: Player, seed: int, until_us: int) -> Session:
    """Whatever comes to mind, until it is time."""
    rng = random.Random(seed)
    while player.t < until_us:
        what = rng.choice(("play", "play", "slow", "step", "scrub", "wait", "next"))
        left = max(60_000, until_us - player.t)
        if what == "play":
            player.play(min(left, rng.randrange(200_000, 2_500_000)))
        elif what == "slow":
            player.play(
                min(left, rng.randrange(200_000, 2_000_000)), rng.choice((Fraction(1, 2), Fraction(1, 4)))
            )
        elif what == "step":
            for _ in range(rng.randrange(1, 6)):
                player.scrub(player.frame + rng.choice((-1, 1)))
                player.wait(rng.randrange(50_000, 300_000))
        elif what == "scrub":
            for _ in range(rng.randrange(2, 12)):
                player.scrub(player.frame + rng.randrange(-15, 16))
                player.wait(rng.randrange(16_000, 60_000))
        elif what == "wait":
            player.wait(min(left, rng.randrange(100_000, 800_000)))
        else:
            player.to_shot(rng.randrange(len(player.session.shots)))
            player.wait(rng.randrange(40_000, 200_000))
    return player.end()


def records(session: Session) -> list[list[ShotRecord]]:
    return [
        [ShotRecord(n + 1, kind, "", f"print of {kind}", a, b)]
        for n, (kind, a, b) in enumerate(session.shots)
    ]


def film_shots(session: Session) -> tuple[FilmShot, ...]:
    return tuple(FilmShot(kind, part(kind, a, b)) for kind, a, b in session.shots)


def store(
    session: Session, takes: Path, pieces: Sequence[tuple[int, bytes]] = (), kind: str = "audio/webm"
) -> TakeFolder:
    """The take as a recorder would have it stored, in batches."""
    made = TakeFolder.begin(takes, "point", records(session))
    number = made.record(0, kind)
    for first in range(0, len(session.lines), 40):
        made.put_picture(number, first, session.lines[first : first + 40])
    for n, (clock, data) in enumerate(pieces):
        made.put_sound(number, n, clock, data)
    made.end(number, session.us)
    return made


def clicks(
    seconds: float, at: Sequence[float], *, rate: int = RATE, channels: int = 1, hum: float = 0.003
) -> np.ndarray:
    """Clicks of a 2 kHz tone, 5 ms long, in a room that is not quite silent; [channels, n] of -1 to 1."""
    sound = np.random.default_rng(5).standard_normal(int(seconds * rate)) * hum
    burst = np.sin(np.arange(rate // 200) * (2 * np.pi * 2000 / rate)) * 0.6
    for moment in at:
        place = int(moment * rate)
        room = min(len(burst), len(sound) - place)
        sound[place : place + room] += burst[:room]
    return np.repeat(sound[np.newaxis], channels, axis=0)


def wav(sound: np.ndarray, rate: int = RATE) -> bytes:
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(sound.shape[0])
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes((np.clip(sound.T, -1, 1) * 32767).astype("<i2").tobytes())
    return out.getvalue()


def webm(sound: np.ndarray, rate: int = RATE) -> bytes:
    """Opus in WebM, as browsers record it."""
    out = io.BytesIO()
    with av.open(out, "w", format="webm", options={"live": "1", "cluster_time_limit": "500"}) as made:
        stream = made.add_stream("libopus", rate=48000, layout="mono" if sound.shape[0] == 1 else "stereo")
        resampler = av.AudioResampler(format="s16", layout=stream.layout, rate=48000)
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(sound.astype(np.float32)), format="fltp",
                                           layout="mono" if sound.shape[0] == 1 else "stereo")  # fmt: skip
        frame.sample_rate, frame.pts = rate, 0
        for some in [*resampler.resample(frame), *resampler.resample(None)]:
            for packet in stream.encode(some):
                made.mux(packet)
        for packet in stream.encode(None):
            made.mux(packet)
    return out.getvalue()


def onsets(path: Path, above: float = 0.1) -> list[float]:
    """Seconds at which clicks begin in a film, by PyAV's decoder, on the clock of its pictures."""
    with av.open(str(path)) as container:
        pieces = []
        for frame in container.decode(audio=0):
            loud = np.abs(frame.to_ndarray()[0].astype(np.float64))
            pieces.append(
                (float(frame.pts * frame.time_base) + np.arange(len(loud)) / frame.sample_rate, loud)
            )
    when, loud = (np.concatenate(some) for some in zip(*pieces, strict=True))
    heard = when[loud > above * loud.max()]
    return [float(t) for t in heard[np.concatenate(([True], np.diff(heard) > 0.1))]]


def pieces_of(data: bytes, rng: random.Random, *, delay_us: int = 60_000) -> list[tuple[int, bytes]]:
    """The file in pieces of about a second, each with the clock at which a browser would have sent it."""
    with av.open(io.BytesIO(data)) as container:
        packets = [(p.pos, float((p.pts + (p.duration or 0)) * p.time_base)) for p in container.demux(audio=0) if p.pts is not None]  # fmt: skip
    pieces, begin, next_at = [], 0, 1.0
    for (_, until), (place, _) in itertools.pairwise(packets):
        if until >= next_at:
            clock = int(until * 1e6) + rng.randrange(5_000, delay_us)
            pieces.append((clock, data[begin:place]))
            begin, next_at = place, until + rng.uniform(0.8, 1.4)
    return [*pieces, (int(packets[-1][1] * 1e6) + rng.randrange(5_000, delay_us), data[begin:])]
