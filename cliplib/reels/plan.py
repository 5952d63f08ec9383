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
from cliplib.reels.parts import ReelPart, ReelSettings, Treatment
from cliplib.reels.shots import Shot, shots_of

VERSION = 4
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


PRESETS: dict[str, Preset] = {
    "standard": Preset((1280, 720), False, Fraction(60), "veryfast", 21, 160_000, "to watch on a computer"),
    "tablet": Preset((1280, 720), True, Fraction(30), "veryfast", 22, 128_000, "16:9, plays on any tablet"),
    "phone": Preset((720, 1280), True, Fraction(30), "veryfast", 22, 128_000, "upright, caption beneath"),
    "archive": Preset((3840, 2160), False, Fraction(60), "medium", 16, 256_000, "largest and best, slowest"),
}


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
            _other(part, shots, settings),
            list(caption),
            number,
            settings.joins,
            settings.loudness,
            _plain(dataclasses.replace(part.treatment, slow=None, freeze=None)),
        ]
    )
    return PlannedPart(title, sum(len(shot.frames) for shot in shots), key, place, shots, caption, number)


def _other(part: ReelPart, shots: Sequence[Shot], settings: ReelSettings) -> list[Any]:
    """What the second clip of a side by side adds to a part's key."""
    if part.beside is None:
        return []
    second = part.beside.part
    return [
        second.source.info.fingerprint,
        [_runs(shot.others) for shot in shots],
        list(second.caption if settings.captions else ()),
        _plain(dataclasses.replace(second.treatment, slow=None, freeze=None)),
    ]


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
