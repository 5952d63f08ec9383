"""What a reel is made of, as data. Nothing here reads a file.

A reel is a row of parts; a part is one clip (or a card), shown as one or more shots: at speed, slowly again,
frozen. Places in the picture are shares of its width and height, (0, 0) top left, of the upright picture as
it was filmed: before mirroring, zooming and bars. Times are footage time in microseconds unless named
otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cliplib.media.working import Prepared

Point = tuple[float, float]

DRAWING_KINDS = ("line", "arrow", "circle", "box", "angle", "path", "text")
SHOTS = ("play", "slow", "freeze")


@dataclass(frozen=True, slots=True)
class Drawing:
    """Something drawn on the picture, visible on frames with from_us <= time < until_us.

    `points`: line and arrow two (an arrow's head is at the second); circle the centre and a point on it; box
    two opposite corners; angle three, the middle one is the corner; path two or more; text one, its lower
    left. `width`: of the stroke, a share of the picture's height. `shots`: on which shots; empty is all.
    """

    kind: str
    points: tuple[Point, ...]
    from_us: int | None = None
    until_us: int | None = None
    colour: str = "#ffd400"
    width: float = 0.006
    text: str = ""
    shots: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Zoom:
    """Move smoothly into `region` (x, y, width, height), widened to the picture's shape and kept inside it.

    The move begins `after_us` into the part, or into the first shot of a kind in `shots`, and takes
    `move_us`; it then stays there. Shots of kinds that aren't in `shots` (if there are any) show the whole
    picture.
    """

    region: tuple[float, float, float, float]
    after_us: int = 0
    move_us: int = 600_000
    shots: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Slow:
    """Show it again slowly, from `before_us` before the first matched action to `after_us` after the last.

    `speed` is a fraction of real time, done by repeating real frames. `sound`: muted | stretched (same
    pitch).
    """

    speed: Fraction = Fraction(1, 2)
    before_us: int = 500_000
    after_us: int = 900_000
    sound: str = "muted"
    times: int = 1


@dataclass(frozen=True, slots=True)
class Freeze:
    """Stop on the last matched action, `offset_us` after it starts, for `hold_us`."""

    hold_us: int = 1_500_000
    offset_us: int = 0


@dataclass(frozen=True, slots=True)
class Treatment:
    """How one clip is shown. The freeze falls into the slow replay where there is one."""

    slow: Slow | None = None
    freeze: Freeze | None = None
    mirror: bool = False
    zoom: Zoom | None = None
    drawings: tuple[Drawing, ...] = ()


@dataclass(frozen=True, slots=True)
class ReelPart:
    """One clip of a reel: frames [first, last) of `source`, and what to say about them.

    `caption`: up to two lines, the first set bold. `title`: the chapter's. `group`: a chapter card is shown
    where it changes. `moments_us`: when the matched actions start, in order; empty is the middle of the clip.
    """

    source: Prepared
    first: int
    last: int
    caption: tuple[str, ...] = ()
    title: str = ""
    group: str = ""
    moments_us: tuple[int, ...] = ()
    treatment: Treatment = field(default_factory=Treatment)
    clip_id: int | None = None
    facts: Mapping[str, str] = field(default_factory=dict)  # fight, date, round, clock, ...: for shot lists
    beside: Beside | None = None


@dataclass(frozen=True, slots=True)
class Beside:
    """A second clip shown at the same time, in step with the first at their last matched actions; `offset`:
    by how many frames of the reel it is later. Of its treatment mirror, zoom and drawings count; the first
    one's slow replay and freeze hold for both."""

    part: ReelPart
    offset: int = 0


@dataclass(frozen=True, slots=True)
class ReelSettings:
    """How a reel looks. `size` and `rate` None: the commonest of the sources, within the preset's bounds.

    `preset`: standard | tablet | phone | archive (see plan.PRESETS). `joins`: cut | fade (through black).
    `notes`: what somebody noted stands in the caption. `cards`: title and end card. `chapter_cards`: a card
    where the parts' group changes.
    """

    title: str = ""
    subtitle: str = ""
    preset: str = "standard"
    size: tuple[int, int] | None = None
    rate: Fraction | None = None
    captions: bool = True
    numbers: bool = False
    cards: bool = True
    chapter_cards: bool = False
    joins: str = "cut"
    loudness: float = -23.0  # LUFS, EBU R 128
    notes: bool = False


@dataclass(frozen=True, slots=True)
class PartReport:
    """One part of a built reel: frames [start, start + frames) of it. `clip`: its place among the parts
    given, None for a card. `made`: whether it was encoded now or taken from the cache. `loudness`: LUFS as
    it was filmed and `gain` in dB; both None when silent."""

    title: str
    start: int
    frames: int
    clip: int | None
    made: bool
    loudness: float | None = None
    gain: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class ReelReport:
    """A finished reel. `made`, `reused`: clips (not cards) encoded now and taken from the cache. `changed`:
    False when the file already was exactly this reel, and was left alone."""

    out: Path
    width: int
    height: int
    rate: Fraction
    frames: int
    parts: tuple[PartReport, ...]
    made: int
    reused: int
    changed: bool
    digest: str
    notes: tuple[str, ...] = ()
    changes: tuple[str, ...] = ()  # against the reel that was there before, in English

    @property
    def seconds(self) -> float:
        return float(self.frames / self.rate)

    def as_json(self) -> dict[str, object]:
        return {
            "file": str(self.out),
            "width": self.width,
            "height": self.height,
            "rate": str(self.rate),
            "frames": self.frames,
            "seconds": round(self.seconds, 3),
            "clips": sum(part.clip is not None for part in self.parts),
            "made": self.made,
            "reused": self.reused,
            "changed": self.changed,
            "parts": [
                {
                    "title": part.title,
                    "start": part.start,
                    "frames": part.frames,
                    "clip": part.clip,
                    "made": part.made,
                    "loudness": part.loudness,
                    "gain": part.gain,
                    "note": part.note,
                }
                for part in self.parts
            ],
            "notes": list(self.notes),
            "changes": list(self.changes),
        }
