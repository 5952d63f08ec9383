"""A breakdown as one film: what it is made of, the plan of it, and the building.

Every point is one prepared part, filed under all that it depends on, like the parts of a reel and among them:
a new take draws one point anew, and whatever was prepared when a build was stopped is there for the next.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from cliplib.breakdowns import render
from cliplib.breakdowns.plan import FilmShot, PointPlan, plan_shots, plan_take
from cliplib.breakdowns.render import Mix
from cliplib.breakdowns.take import Take
from cliplib.breakdowns.voice import Voice, digest_of, voice_of
from cliplib.core.errors import InputError, ThemeError
from cliplib.core.models import JSON
from cliplib.core.progress import Progress, silent
from cliplib.core.timebase import SECOND
from cliplib.media.files import replacing
from cliplib.media.frames import Picture
from cliplib.media.joining import LIBRARIES, Encoding, JoinPart, join, samples_before
from cliplib.media.sound import silence
from cliplib.reels import lettering, typefaces
from cliplib.reels.build import CACHE_BYTES, Maker, check_room, prepare_all
from cliplib.reels.parts import ReelSettings
from cliplib.reels.plan import CARD_US, CAUTIONS, FADE_FRAMES, Card, choose_encoding
from cliplib.reels.prepare import Sounded, Tick, darkened, faded, make, prune
from cliplib.reels.theme_reading import Look, look_from

VERSION = 1
"""Raised whenever the same plan comes to be drawn or sounds differently."""
SIGN = "clip breakdown "
_STAGE = "preparing the breakdown"


@dataclass(frozen=True, slots=True)
class Style:
    """How a breakdown looks and sounds: `reel` as of a reel, `mix` of its sound."""

    reel: ReelSettings
    mix: Mix = field(default_factory=Mix)


@dataclass(frozen=True, slots=True, eq=False)
class PointFilm:
    """What a point's film is made of. `shots`: of the take, if there is one with pictures, else of the
    document. `sentences`: of its script."""

    key: str
    heading: str
    shots: tuple[FilmShot, ...]
    take: Take | None = None
    captions: bool = True
    joins: str = "cut"
    mix: Mix = field(default_factory=Mix)
    sentences: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class FilmPart:
    """A planned part of the film. `point`: its place among the points, None for a card; `chapter`: begins
    one of that name."""

    frames: int
    key: str
    chapter: str = ""
    point: int | None = None
    plan: PointPlan | None = None
    card: Card | None = None
    voice_digest: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class FilmPlan:
    title: str
    encoding: Encoding
    parts: tuple[FilmPart, ...]
    points: tuple[PointFilm, ...]
    digest: str

    @property
    def frames(self) -> int:
        return sum(part.frames for part in self.parts)

    def starts(self) -> tuple[int, ...]:
        starts, at = [], 0
        for part in self.parts:
            starts.append(at)
            at += part.frames
        return tuple(starts)

    def seconds(self, frame: int) -> Fraction:
        return Fraction(frame) / self.encoding.rate

    def chapters(self) -> list[tuple[Fraction, str]]:
        """(seconds, heading): one a point."""
        return [
            (self.seconds(start), part.chapter)
            for part, start in zip(self.parts, self.starts(), strict=True)
            if part.chapter
        ]

    def placed(self) -> list[tuple[int, FilmPart, PointFilm]]:
        """(first frame, part, point) of every point."""
        return [
            (start, part, self.points[part.point])
            for part, start in zip(self.parts, self.starts(), strict=True)
            if part.point is not None
        ]


@dataclass(frozen=True, slots=True)
class FilmReport:
    """A finished film. `made`, `reused`: points drawn now and taken from the cache. `notes`: what is not as
    one might expect, a sentence each."""

    out: Path
    width: int
    height: int
    rate: Fraction
    frames: int
    made: int
    reused: int
    points: tuple[str, ...]
    notes: tuple[str, ...] = ()

    def as_json(self) -> JSON:
        return {
            "file": str(self.out),
            "width": self.width,
            "height": self.height,
            "rate": str(self.rate),
            "frames": self.frames,
            "seconds": round(float(self.frames / self.rate), 3),
            "points": list(self.points),
            "made": self.made,
            "reused": self.reused,
            "notes": list(self.notes),
        }


# --- settings ---------------------------------------------------------------------------------------------


def style_of(title: str, looks: Sequence[Look]) -> Style:
    """The style that the looks under the title amount to."""
    picture: dict[str, Any] = {}
    sound: dict[str, Any] = {}
    for look in looks:
        picture |= look.picture
        sound |= look.sound
    loudness = float(sound.get("loudness", Mix().loudness))
    reel = ReelSettings(title=title, loudness=loudness, **picture)
    return Style(reel, Mix(loudness, sound.get("film", Mix().film)))


def words_on(style: Style, looks: Sequence[Look]) -> tuple[bool, str, Mix]:
    """(captions, joins, mix) of a point: as the whole film has them, but for what its own looks say."""
    captions, joins, mix = style.reel.captions, style.reel.joins, style.mix
    for look in looks:
        captions = look.picture.get("captions", captions)
        joins = look.picture.get("joins", joins)
        mix = Mix(look.sound.get("loudness", mix.loudness), look.sound.get("film", mix.film))
    return captions, joins, mix


def read_looks(texts: Sequence[tuple[str, int]], name: str, *, whole: bool) -> tuple[list[Look], list[str]]:
    """(looks, what is wrong with the others). `texts`: TOML, and the line each begins at."""
    looks, problems = [], []
    for text, line in texts:
        try:
            looks.append(look_from(text, f"{name}, the toml block at line {line}", whole=whole))
        except ThemeError as problem:
            problems.append(str(problem))
    return looks, problems


# --- the plan ---------------------------------------------------------------------------------------------


def plan_film(
    title: str, points: Sequence[PointFilm], style: Style, cache: Path, progress: Progress = silent
) -> tuple[FilmPlan, dict[int, Voice]]:
    """Everything that is decided before anything is drawn, and the voices that were read for it: a sound
    file says how long it is only when it is read. InputError if there is no point."""
    if not points:
        raise InputError("there is no point to show; write ## and a heading, and what is said under it")
    clips = [pane for point in points for shot in point.shots for pane in shot.panes]
    encoding = (
        choose_encoding(clips, style.reel)
        if clips
        else Encoding(*(style.reel.size or (1280, 720)), style.reel.rate or Fraction(25))
    )
    parts: list[FilmPart] = []
    voices: dict[int, Voice] = {}
    cards = style.reel.cards
    if cards:
        lines = [title, *([style.reel.subtitle] if style.reel.subtitle else []), _counted(points)]
        parts.append(_card(Card("title", tuple(lines)), encoding, points[0].heading))
    for place, point in enumerate(points):
        chapter = "" if place == 0 and cards else point.heading
        if cards:
            parts.append(_card(Card("chapter", (point.heading,)), encoding, chapter))
            chapter = ""
        part = _point(place, point, encoding, chapter, cache, voices, progress)
        parts.append(part)
    if cards:
        parts.append(_card(Card("end", CAUTIONS), encoding, ""))
    digest = _digest([[part.key, part.chapter] for part in parts] + [title])
    return FilmPlan(title, encoding, tuple(parts), tuple(points), digest), voices


def _counted(points: Sequence[PointFilm]) -> str:
    fights = {
        pane.facts.get("fight") or pane.source.info.fingerprint
        for point in points
        for shot in point.shots
        for pane in shot.panes
    }
    said = f"{len(points)} point{'s' * (len(points) != 1)}"
    return said + (f", film from {len(fights)} fight{'s' * (len(fights) != 1)}" if fights else "")


def _card(card: Card, encoding: Encoding, chapter: str) -> FilmPart:
    frames = max(1, round(CARD_US[card.kind] * encoding.rate / SECOND))
    key = _digest(["breakdown card", _basis(encoding, card.lines), dataclasses.asdict(card), frames])
    return FilmPart(frames, key, chapter, card=card)


def _point(
    place: int,
    point: PointFilm,
    encoding: Encoding,
    chapter: str,
    cache: Path,
    voices: dict[int, Voice],
    progress: Progress,
) -> FilmPart:
    take = point.take
    spoken = take.us if take else 0
    if take is not None and take.given:
        voices[place] = voice_of(take, cache, progress)
        spoken = voices[place].us
    plan = (
        plan_take(take, point.shots, encoding.rate)
        if take is not None and take.samples
        else plan_shots(point.shots, encoding.rate, spoken)
    )
    voice = digest_of(take) if take else ""
    return FilmPart(len(plan), _key(point, plan, encoding, voice), chapter, place, plan, voice_digest=voice)


def _key(point: PointFilm, plan: PointPlan, encoding: Encoding, voice: str) -> str:
    shots = [
        [
            [[pane.source.info.fingerprint, list(pane.caption)] for pane in shot.panes],
            hashlib.sha256(shot.still or b"").hexdigest(),
        ]
        for shot in point.shots
    ]
    rows = hashlib.sha256()
    for column in (plan.look, plan.frame, plan.other):  # pace follows from them
        rows.update(column.tobytes())
    texts = _texts(point, plan)
    return _digest(
        [
            "breakdown point",
            VERSION,
            _basis(encoding, texts),
            shots,
            rows.hexdigest(),
            [dataclasses.asdict(look) for look in plan.looks],
            [dataclasses.asdict(sound) for sound in plan.sounds],
            point.heading if any(look.shot < 0 for look in plan.looks) else "",
            point.captions,
            point.joins,
            dataclasses.asdict(point.mix),
            voice,
        ]
    )


def _texts(point: PointFilm, plan: PointPlan) -> list[str]:
    """What is written on the pictures."""
    drawn = [d.text for look in plan.looks for some in look.drawings for d in some]
    said = [line for shot in point.shots for pane in shot.panes for line in pane.caption]
    return [point.heading, *dict.fromkeys(drawn), *(said if point.captions else ())]


def _basis(encoding: Encoding, texts: Sequence[str]) -> list[Any]:
    plain = dataclasses.asdict(dataclasses.replace(encoding, audio_bit_rate=0))
    return [VERSION, LIBRARIES, plain, *typefaces.basis(texts)]


def _digest(value: Any) -> str:
    text = json.dumps(value, sort_keys=True, default=str, ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:32]


# --- building ---------------------------------------------------------------------------------------------


def build_film(
    title: str,
    points: Sequence[PointFilm],
    style: Style,
    out: Path,
    cache: Path,
    progress: Progress = silent,
) -> tuple[FilmReport, FilmPlan]:
    """One MP4 of all points, with a chapter each. `cache`: prepared parts are kept in its folder `parts`.

    `progress` counts frames, then parts. Raises InputError, FootageError, MediaError, StorageError or what
    `progress` raises; `out` is then as it was, and what was prepared stays for the next time.
    """
    kept = cache / "parts"
    kept.mkdir(parents=True, exist_ok=True)
    plan, voices = plan_film(title, points, style, kept, progress)
    notes = dict.fromkeys(note for point in points for note in point.notes)
    wanted = {part.key: (part.frames, _maker(part, plan, voices, kept)) for part in plan.parts}
    ready, made = prepare_all(wanted, kept, progress, _STAGE)
    ordered = [ready[part.key] for part in plan.parts]
    check_room(out, ordered)
    joined = [
        JoinPart(files.video, files.sound, part.frames, part.chapter)
        for part, files in zip(plan.parts, ordered, strict=True)
    ]
    tags = {"title": title or "Breakdown", "comment": SIGN + plan.digest}
    stage = "joining the breakdown"
    progress(stage, 0, len(joined))
    with replacing(out) as temporary:
        join(joined, temporary, plan.encoding, tags, lambda done: progress(stage, done, len(joined)))
    prune(kept, {part.key for part in plan.parts}, CACHE_BYTES)
    for part in plan.parts:
        if part.point is not None:
            heading = plan.points[part.point].heading
            said = [ready[part.key].note, *(part.plan.notes if part.plan else ())]
            notes |= dict.fromkeys(f"{heading}: {note}" for note in said if note)
    own = [part for part in plan.parts if part.point is not None]
    made_now = sum(part.key in made for part in own)
    encoding = plan.encoding
    report = FilmReport(
        out,
        encoding.width,
        encoding.height,
        encoding.rate,
        plan.frames,
        made_now,
        len(own) - made_now,
        tuple(point.heading for point in points),
        tuple(notes),
    )
    return report, plan


def _maker(part: FilmPart, plan: FilmPlan, voices: Mapping[int, Voice], cache: Path) -> Maker:
    encoding = plan.encoding
    if part.card is not None:
        card = part.card

        def make_card(tick: Tick) -> Any:
            quiet = Sounded(silence(samples_before(part.frames, encoding.rate) + 2))
            pictures = _card_pictures(card, part.frames, encoding)
            return make(cache, part.key, part.frames, encoding, pictures, lambda: quiet, card.lines, tick)

        return make_card
    assert part.point is not None
    assert part.plan is not None
    point, point_plan, place = plan.points[part.point], part.plan, part.point

    def make_point(tick: Tick) -> Any:
        def sound() -> Sounded:
            voice = voices.get(place)
            if voice is None and point.take is not None:
                voice = voice_of(point.take, cache, lambda *_: tick(0))
            made = render.sounded(point_plan, point.shots, voice, point.mix, encoding.rate, tick)
            said = "; ".join(filter(None, (made.note, *(voice.notes if voice else ()))))
            return dataclasses.replace(made, note=said)

        drawn = render.pictures(point_plan, point.shots, point.heading, encoding, point.captions, tick)
        pictures = faded(drawn, part.frames, point.joins)
        texts = _texts(point, point_plan)
        return make(cache, part.key, part.frames, encoding, pictures, sound, texts, tick)

    return make_point


def _card_pictures(card: Card, frames: int, encoding: Encoding) -> Generator[Picture]:
    still = lettering.card(card.kind, card.lines, (encoding.width, encoding.height))
    for k in range(frames):
        yield darkened(still, min(1.0, (k + 1) / FADE_FRAMES, (frames - k) / FADE_FRAMES))
