"""A theme: a saved phrase with how its reel is put together, in a TOML file.

Everything but the phrase is optional:

    phrase = "counter to the body after a missed jab"
    title = "Counters to the body"
    subtitle = "for the Tuesday class"
    order = "date"            # date | round | fight | alternate (fighters in turn) | fit (best match first)
    chapters = "none"         # none | fight | round | fighter: a card before each
    strict = false            # refuse the phrase when a word of it isn't understood

    [limits]
    clips = 40
    seconds = 300             # of film at speed, replays not counted
    per_fight = 10
    overlap = false           # may two clips show mostly the same film?

    [picture]
    preset = "standard"       # standard | tablet | phone | archive
    size = "1280x720"
    rate = "25"               # or "30000/1001"
    captions = true
    notes = false             # what somebody noted, beneath the caption
    numbers = false
    cards = true              # title and end card
    joins = "cut"             # cut | fade
    mirror = "none"           # none | all | southpaw | orthodox: whose examples are shown the other way round

    [clip]
    lead_in = 1.0             # seconds before the first action, instead of the library's
    follow_through = 1.5

    [slow]                    # show it again slowly
    speed = 0.5
    before = 0.5              # seconds before the first matched action
    after = 0.9               # and after the last
    sound = "muted"           # muted | stretched
    times = 1

    [freeze]                  # stop on the last matched action
    seconds = 1.5
    offset = 0.0              # seconds after it starts

    [zoom]
    region = [0.2, 0.1, 0.5, 0.5]   # x, y, width, height: shares of the picture
    after = 0.0
    move = 0.6
    shots = ["slow", "freeze"]

    [[clips]]                 # another treatment for one clip
    id = 12
    first = 4210              # frames of the footage, half-open
    last = 4300
    caption = ["Watch the rear hand", "it never comes back"]
    mirror = true
    beside = 31               # another clip at the same time, in step at their last matched actions
    offset = 0                # by how many frames of the reel that one is later
    slow = false              # or { speed = 0.25 }; likewise freeze and zoom
    drawings = [{ kind = "arrow", points = [[0.4, 0.5], [0.6, 0.4]], from = 70.2, until = 71.0 }]
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from cliplib.reels.parts import Drawing, Freeze, ReelSettings, Slow, Treatment, Zoom

ORDERS = ("date", "round", "fight", "alternate", "fit")
CHAPTERS = ("none", "fight", "round", "fighter")
MIRRORS = ("none", "all", "southpaw", "orthodox")


@dataclass(frozen=True, slots=True)
class ClipChange:
    """What a theme changes for one clip. None is as the theme has it; False is none of it."""

    id: int
    first: int | None = None
    last: int | None = None
    caption: tuple[str, ...] | None = None
    mirror: bool | None = None
    slow: Slow | Literal[False] | None = None
    freeze: Freeze | Literal[False] | None = None
    zoom: Zoom | Literal[False] | None = None
    drawings: tuple[Drawing, ...] = ()
    beside: int | None = None  # a second clip, shown at the same time, in step
    offset: int = 0  # by how many frames of the reel the second one is later


@dataclass(frozen=True, slots=True)
class Theme:
    """See the module. `most_us`: microseconds of film; None is no limit."""

    phrase: str
    settings: ReelSettings = field(default_factory=ReelSettings)
    order: str = "date"
    chapters: str = "none"
    strict: bool = False
    most_clips: int | None = None
    most_us: int | None = None
    per_fight: int | None = None
    overlap: bool = False
    lead_in_us: int | None = None
    follow_through_us: int | None = None
    mirror: str = "none"
    treatment: Treatment = field(default_factory=Treatment)
    changes: tuple[ClipChange, ...] = ()

    def change_of(self, clip_id: int) -> ClipChange:
        return next((change for change in self.changes if change.id == clip_id), ClipChange(clip_id))
