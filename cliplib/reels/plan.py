"""From parts and settings to a plan: which source frame each frame of the reel shows. Pure, but for a look at
which fonts the system has where the texts need one.

What a prepared part depends on is gathered into its key, so that whatever can be reused is, and nothing else.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import PIL

from cliplib.core.errors import InputError
from cliplib.core.timebase import SECOND
from cliplib.media.frames import even, upright_size
from cliplib.media.joining import LIBRARIES, Encoding
from cliplib.reels import typefaces
from cliplib.reels.parts import ReelPart, ReelSettings, Treatment, Zoom

VERSION = 2
"""Raised whenever the same plan comes to be drawn or sounds differently; old prepared parts are then left."""

RATES = tuple(
    Fraction(text) for text in ("24000/1001", "24", "25", "30000/1001", "30", "50", "60000/1001", "60")
)
"""The frame rates of SMPTE ST 2036-1 and practice that a reel may have."""

CARD_US = {"title": 3 * SECOND, "chapter": 2 * SECOND, "end": 5 * SECOND}
FADE_FRAMES = 6


@dataclass(frozen=True, slots=True)
class Preset:
    """What a reel is for. `box`: the largest picture; `exact`: the picture is just that, bars and all."""

    box: tuple[int, int]
    exact: bool
    highest_rate: Fraction
    speed: str
    crf: int
    audio_bit_rate: int
    about: str


PRESETS = {
    "standard": Preset((1280, 720), False, Fraction(60), "veryfast", 21, 160_000, "to watch on a computer"),
    "tablet": Preset((1280, 720), True, Fraction(30), "veryfast", 22, 128_000, "16:9, plays on any tablet"),
    "phone": Preset((720, 1280), True, Fraction(30), "veryfast", 22, 128_000, "upright, caption beneath"),
    "archive": Preset((3840, 2160), False, Fraction(60), "medium", 16, 256_000, "largest and best, slowest"),
}


@dataclass(frozen=True, slots=True)
class Shot:
    """`frames[k]`: the source frame that frame k of the shot shows. `kind`: play | slow | freeze.

    `start`: footage time in seconds at which its sound begins; `sound`: "" for none, else as | stretched.
    """

    kind: str
    frames: tuple[int, ...]
    start: Fraction = Fraction(0)
    speed: Fraction = Fraction(1)
    sound: str = ""


@dataclass(frozen=True, slots=True)
class Card:
    """`kind`: title | chapter | end. `lines`: the first is the heading."""

    kind: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlannedPart:
    """`clip`: its place among the parts given, None for a card. `key`: what its prepared form is filed
    under."""

    title: str
    frames: int
    key: str
    clip: int | None = None
    shots: tuple[Shot, ...] = ()
    caption: tuple[str, ...] = ()
    number: int | None = None
    card: Card | None = None


@dataclass(frozen=True, slots=True)
class ReelPlan:
    encoding: Encoding
    parts: tuple[PlannedPart, ...]
    settings: ReelSettings
    digest: str

    @property
    def frames(self) -> int:
        return sum(part.frames for part in self.parts)

    def starts(self) -> tuple[int, ...]:
        """The reel's frame at which each part begins."""
        starts, at = [], 0
        for part in self.parts:
            starts.append(at)
            at += part.frames
        return tuple(starts)


def plan_reel(parts: Sequence[ReelPart], settings: ReelSettings) -> ReelPlan:
    """Everything that is decided before anything is drawn. Raises InputError when there is nothing to
    show."""
    if not parts:
        raise InputError("there is no clip to make a reel of; search for something that is found")
    if settings.preset not in PRESETS:
        raise InputError(f"there is no preset “{settings.preset}”; take one of {', '.join(PRESETS)}")
    encoding = choose_encoding(parts, settings)
    planned: list[PlannedPart] = []
    if settings.cards:
        planned.append(_card(title_card(parts, settings), settings.title or "Title", encoding))
    group = ""
    for place, part in enumerate(parts):
        if settings.chapter_cards and part.group and part.group != group:
            planned.append(_card(Card("chapter", tuple(part.group.split(" · "))), part.group, encoding))
        group = part.group
        planned.append(_clip(place, part, settings, encoding))
    if settings.cards:
        planned.append(_card(Card("end", CAUTIONS), "Please note", encoding))
    digest = _digest([[part.key, part.title] for part in planned] + [settings.title])
    return ReelPlan(encoding, tuple(planned), settings, digest)


CAUTIONS = (
    "Please note",
    "Practise technique under a qualified coach, with supervision and proper equipment.",
    "After a blow to the head, stop. Whether and when to box again is for a doctor and the local commission.",
    "The footage belongs to its owner. Ask before you copy it, show it or pass it on.",
)


def title_card(parts: Sequence[ReelPart], settings: ReelSettings) -> Card:
    fights = {part.facts.get("fight", part.source.info.fingerprint) for part in parts}
    count = (
        f"{len(parts)} example{'s' * (len(parts) != 1)} from {len(fights)} fight{'s' * (len(fights) != 1)}"
    )
    lines = [settings.title or "Reel", *([settings.subtitle] if settings.subtitle else []), count]
    return Card("title", tuple(lines))


def choose_encoding(parts: Sequence[ReelPart], settings: ReelSettings) -> Encoding:
    """The size and rate that most clips have (ties: the larger), within the preset's bounds, never
    enlarged."""
    preset = PRESETS[settings.preset]
    if settings.size:
        width, height = even(settings.size[0]), even(settings.size[1])
    elif preset.exact:
        width, height = preset.box
    else:
        sizes = Counter(upright_size(part.source.info) for part in parts)
        width, height = max(sizes, key=lambda size: (sizes[size], size[0] * size[1], size))
        shrink = min(
            Fraction(1),
            Fraction(max(preset.box), max(width, height)),
            Fraction(min(preset.box), min(width, height)),
        )
        width, height = even(width * shrink), even(height * shrink)
    rate = settings.rate
    if rate is None:
        rates = Counter(nearest_rate(part.source.info.rate) for part in parts)
        rate = max(rates, key=lambda r: (rates[r], r))
        while rate > preset.highest_rate:
            rate /= 2
    return Encoding(width, height, rate, preset.speed, preset.crf, preset.audio_bit_rate)


def nearest_rate(rate: Fraction) -> Fraction:
    """The rate of `RATES` that lies nearest, by ratio."""
    if rate <= 0:
        return Fraction(25)
    return min(RATES, key=lambda known: max(known / rate, rate / known))


# --- shots ------------------------------------------------------------------------------------------------


def shots_of(part: ReelPart, rate: Fraction) -> tuple[Shot, ...]:
    """The clip once at speed, then as often again slowly as is asked; with the freeze in its place.

    play    |--------x-----|          x: the last matched action
    slow              |---x x x x----|
    freeze                 |hold|
    """
    line, treatment = part.source.timeline, part.treatment
    if not 0 <= part.first < part.last <= len(line):
        raise InputError(f"frames {part.first} to {part.last} are not in footage of {len(line)} frames")
    shots = [
        Shot("play", line.frames_shown(part.first, part.last, rate), line.time_of(part.first), sound="as")
    ]
    first_moment, last_moment = _moments(part)
    slow = treatment.slow
    if slow is not None:
        if not 0 < slow.speed <= 1:
            raise InputError(f"a slow replay at {slow.speed} times the speed is not slow; take 1/2 or 1/4")
        first = max(part.first, line.frame_at(first_moment - slow.before_us))
        last = min(part.last, max(first + 1, line.first_frame_from(last_moment + slow.after_us)))
        again = Shot(
            "slow",
            line.frames_shown(first, last, rate, slow.speed),
            line.time_of(first),
            slow.speed,
            "stretched" if slow.sound == "stretched" else "",
        )
        shots += [again] * slow.times
    if treatment.freeze is not None:
        frame = min(max(line.frame_at(last_moment + treatment.freeze.offset_us), part.first), part.last - 1)
        hold = max(1, round(treatment.freeze.hold_us * rate / SECOND))
        where = next((i for i, shot in enumerate(shots) if shot.kind == "slow"), 0)
        shots[where : where + 1] = _frozen(shots[where], frame, hold, rate)
    return tuple(shots)


def _moments(part: ReelPart) -> tuple[int, int]:
    line = part.source.timeline
    if not part.moments_us:
        middle = (line.us_of(part.first) + line.us_of(part.last)) // 2
        return middle, middle
    return min(part.moments_us), max(part.moments_us)


def _frozen(shot: Shot, frame: int, hold: int, rate: Fraction) -> list[Shot]:
    """`shot` up to and with its last picture of `frame` (or of the nearest one before), held, and the
    rest."""
    cut = max((k + 1 for k, shown in enumerate(shot.frames) if shown <= frame), default=1)
    held = Shot("freeze", (shot.frames[cut - 1],) * hold)
    before = dataclasses.replace(shot, frames=shot.frames[:cut])
    after = dataclasses.replace(
        shot, frames=shot.frames[cut:], start=shot.start + Fraction(cut) / rate * shot.speed
    )
    return [before, held, *([after] if after.frames else [])]


def zoom_amounts(shots: Sequence[Shot], zoom: Zoom | None, rate: Fraction) -> list[float]:
    """For each frame of a part how far it is zoomed in: 0 whole picture, 1 region; eased at both ends."""
    amounts: list[float] = []
    begun = None
    for shot in shots:
        zoomed = zoom is not None and (not zoom.shots or shot.kind in zoom.shots)
        if zoomed and begun is None:
            begun = len(amounts)
        for _ in shot.frames:
            amount = 0.0
            if zoomed and zoom is not None and begun is not None:
                passed = Fraction(len(amounts) - begun) / rate - Fraction(zoom.after_us, SECOND)
                whole = Fraction(max(1, zoom.move_us), SECOND)
                share = float(min(Fraction(1), max(Fraction(0), passed / whole)))
                amount = share * share * (3 - 2 * share)
            amounts.append(amount)
    return amounts


# --- keys -------------------------------------------------------------------------------------------------


def _clip(place: int, part: ReelPart, settings: ReelSettings, encoding: Encoding) -> PlannedPart:
    shots = shots_of(part, encoding.rate)
    caption = part.caption if settings.captions else ()
    number = place + 1 if settings.numbers else None
    title = part.title or f"Example {place + 1}"
    key = _digest(
        [
            _basis(encoding, texts_of(caption, part.treatment)),
            part.source.info.fingerprint,
            [[shot.kind, _runs(shot.frames), shot.start, shot.speed, shot.sound] for shot in shots],
            list(caption),
            number,
            settings.joins,
            settings.loudness,
            _plain(dataclasses.replace(part.treatment, slow=None, freeze=None)),
        ]
    )
    return PlannedPart(title, sum(len(shot.frames) for shot in shots), key, place, shots, caption, number)


def _card(card: Card, title: str, encoding: Encoding) -> PlannedPart:
    frames = max(1, round(CARD_US[card.kind] * encoding.rate / SECOND))
    return PlannedPart(
        title, frames, _digest([_basis(encoding, card.lines), _plain(card), frames]), card=card
    )


def texts_of(caption: Sequence[str], treatment: Treatment) -> tuple[str, ...]:
    """What is written on a clip."""
    return (*caption, *(drawing.text for drawing in treatment.drawings))


def _basis(encoding: Encoding, texts: Sequence[str]) -> list[Any]:
    plain = _plain(dataclasses.replace(encoding, audio_bit_rate=0))
    return [VERSION, LIBRARIES, PIL.__version__, plain, *typefaces.basis(texts)]


def _runs(frames: Sequence[int]) -> list[tuple[int, int]]:
    """(frame, how often), for a short key text."""
    runs: list[tuple[int, int]] = []
    for frame in frames:
        if runs and runs[-1][0] == frame:
            runs[-1] = (frame, runs[-1][1] + 1)
        else:
            runs.append((frame, 1))
    return runs


def _plain(value: Encoding | Treatment | Card) -> dict[str, Any]:
    return dataclasses.asdict(value)


def _digest(value: Any) -> str:
    text = json.dumps(value, sort_keys=True, default=str, ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:32]
