"""The words of the project as data: frozen, compared by value, without behaviour beyond small derivations.

Times are int microseconds of footage time unless a name says otherwise. Names of techniques, outcomes and so
on are the vocabulary's (`vocabulary/terms.toml`), lower case with spaces.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field, fields, make_dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, cast

from cliplib.core.parts import Part, clock_of
from cliplib.core.periods import Course, Period
from cliplib.core.timebase import RoundClock

# --- what a log says -------------------------------------------------------------------------------------


AS_INFERRED = " (inferred)"


@dataclass(frozen=True, slots=True)
class Action:
    """One thing one fighter did at one moment.

    `fighter` is the full name as in fight.toml; None only while a phrase has not been given its people.
    `roles`: counter, lead, naked, follow-up; what the logger said and what relations.derive found.
    `said_roles`: only what the logger said; a logger's own word wins.
    `answers`: index, in the exchange, of the opponent's action that this one answers.
    `inferred`: names of the fields whose value was derived and not said (`outcome`, `side`, `hand`, ...).
    """

    technique: str
    fighter: str | None = None
    time_us: int | None = None
    until_us: int | None = None
    hand: str | None = None  # lead | rear
    side: str | None = None  # left | right
    target: str | None = None  # head | body
    outcome: str | None = None  # landed | partial | blocked | missed | knockdown | hurt
    direction: str | None = None  # inside | outside | left | right | ...
    stance: str | None = None  # orthodox | southpaw, at that moment
    place: str | None = None  # centre | ropes | corner
    range: str | None = None  # outside | mid | inside
    said_roles: tuple[str, ...] = ()
    roles: tuple[str, ...] = ()
    answers: int | None = None
    inferred: tuple[str, ...] = ()
    note: str = ""

    @property
    def came_off(self) -> str:
        """The outcome as it is shown to people; "" for none. What nobody said is told as such."""
        return (self.outcome or "") + (AS_INFERRED if "outcome" in self.inferred else "")


_Draft = make_dataclass("_Draft", [(value.name, Any) for value in fields(Action)], slots=True)


def action_of(*values: Any) -> Action:
    """`Action(*values)`, of all its values by place, in a sixth of the time: a frozen dataclass sets its
    fields one by one through `object.__setattr__`, and archives have millions of actions."""
    draft = _Draft(*values)
    draft.__class__ = Action
    return cast(Action, draft)


@dataclass(frozen=True, slots=True)
class Exchange:
    """Actions that belong together; the unit that is cut.

    `start_us`, `end_us`: first action's time and the end of the last, or a WebVTT cue's in and out; None for
    a log without times, or with a round clock whose bells nobody knows (then the actions' times are what the
    clock showed, negated: see logs.timing). `exact_span`: True when these are the clip's in and out as they
    stand (a WebVTT cue), so that lead-in and follow-through are not added.
    """

    actions: tuple[Action, ...]
    round: int | None = None
    start_us: int | None = None
    end_us: int | None = None
    exact_span: bool = False
    name: str = ""  # the `exchange` column, if there was one
    note: str = ""
    line: int = 0  # where in the log it begins

    @property
    def clock_us(self) -> tuple[int, int] | None:
        """What the round clock showed first and last, negated, where that is all that is known; else None."""
        if self.start_us is not None:
            return None
        times = [t for a in self.actions for t in (a.time_us, a.until_us) if t is not None]
        return (min(times), max(times)) if times else None


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment with a note, and nothing that anybody did.

    `time_us`, `until_us`: footage time, or what the round clock showed, negated, if `on_clock` (see
    logs.timing). `round`: None also between rounds. `name`: the `exchange` column, if there was one.
    """

    note: str
    time_us: int
    round: int | None = None
    until_us: int | None = None
    on_clock: bool = False
    fighter: str | None = None
    name: str = ""
    line: int = 0  # where in the log it stands

    @property
    def key(self) -> tuple[int, int]:
        """What marks of one log sort by."""
        return (self.round or 0) if self.on_clock else 0, self.time_us


@dataclass(frozen=True, slots=True)
class Corner:
    name: str
    stance: str | None = None


@dataclass(frozen=True, slots=True)
class LogSource:
    file: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class FightInfo:
    """What fight.toml says. `first_bell_us` and `round_starts_us` are footage time."""

    title: str
    red: Corner
    blue: Corner
    date: datetime.date | None = None
    event: str = ""
    rounds: int | None = None
    round_us: int | None = None
    rest_us: int | None = None
    winner: str | None = None
    method: str | None = None  # points | knockout | stoppage | disqualification | draw | no contest
    footage_file: str | None = None
    round_starts_us: tuple[int, ...] = ()  # spelt out, or laid out from first_bell
    logs: tuple[LogSource, ...] = ()
    private: bool = False  # shown only to those who log
    periods: tuple[Period, ...] = ()  # in order of time
    parts: tuple[Part, ...] = ()  # of the footage, in order of time

    @property
    def fighters(self) -> tuple[str, str]:
        return self.red.name, self.blue.name

    @property
    def course(self) -> Course:
        return Course.of(self.periods, self.bells)

    @property
    def bells(self) -> RoundClock | None:
        """The fight's clock; None where nobody knows when the bells rang."""
        return clock_of(self.round_starts_us, self.round_us, self.parts)

    def opponent_of(self, fighter: str) -> str:
        return self.blue.name if fighter == self.red.name else self.red.name

    def stance_of(self, fighter: str) -> str | None:
        return self.red.stance if fighter == self.red.name else self.blue.stance


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of a library (settings.toml), with the defaults of common practice. Times in microseconds."""

    lead_in_us: int = 1_000_000
    follow_through_us: int = 1_500_000
    clamp_to_round: bool = True
    action_length_us: int = 600_000  # how long an action without `until` is taken to last
    exchange_gap_us: int = 2_500_000
    counter_window_us: int = 1_000_000
    naked_window_us: int = 1_500_000
    step_window_us: int = 2_000_000
    number_profile: str = "standard"
    footage_roots: tuple[Path, ...] = ()
    shorthand: tuple[tuple[str, str], ...] = ()  # a gym's own codes of `logs.shorthand`
    watch: bool = False  # looking at a film takes minutes of all there is of a small machine


# --- what footage is --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class AudioTrack:
    index: int
    codec: str
    sample_rate: int
    channels: int
    language: str = ""


@dataclass(frozen=True, slots=True)
class FootageInfo:
    """What a probe found. Sizes are of the stored picture, before rotation and sample aspect ratio.

    `rate`: average frames a second, exact; display only. `frames` and `duration_us` come from timestamps.
    `sliceable`: Chromium can seek in it and our parser understands it (H.264 closed GOP, progressive,
    upright, AAC or no sound); `why_not` says what stands in the way. `copyable`: the picture at least is fit,
    so that one copy without decoding it makes the footage sliceable. `audio[0]` is the track that is used.
    """

    container: str
    video_codec: str
    width: int
    height: int
    sample_aspect: Fraction
    rotation: int  # degrees clockwise needed to stand upright: 0, 90, 180, 270
    interlaced: bool
    rate: Fraction
    variable_rate: bool
    time_base: Fraction
    frames: int
    duration_us: int
    start_pts: int  # ticks; the file's own timestamp of footage time zero
    audio: tuple[AudioTrack, ...]
    sliceable: bool
    why_not: str
    size: int
    fingerprint: str
    copyable: bool = False


# --- what is searched -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a pattern. None means "any". `by`: 1 or 2, the pattern's two people in order of appearance.

    `absent`: the step must *not* occur: `before` says whether between this step's place and the next one
    ("without a feint before it") or after the previous one ("not countered").
    `alternatives`: other readings of which any one will do ("hook or uppercut to the body"); each is a full
    Step whose `by`, `within` and `absent` are those of the step that carries it.
    `within_us`: the longest gap to the step before it; None is the library's setting.
    """

    technique: str
    by: int = 1
    fighter: str | None = None
    stance: str | None = None
    hand: str | None = None
    side: str | None = None
    target: str | None = None
    outcome: str | None = None
    role: str | None = None  # counter | lead | naked | follow-up
    direction: str | None = None
    within_us: int | None = None
    place: str | None = None
    range: str | None = None
    absent: bool = False
    alternatives: tuple[Step, ...] = ()


@dataclass(frozen=True, slots=True)
class Where:
    """Filters of a search. Empty means "any". Several values of one filter are alternatives.

    `rounds`: numbers, or "last" (a fight's last logged round), "last 2" (the last two, and so on), "late" or
    "early" (the last or first third of its logged rounds, rounded up), "middle" (the rest), "first half"
    (rounded up) or "second half".
    `opponent` and `opponent_stance` are those of person 1's opponent. `fighter`, `place`, `range`, `outcome`,
    `technique` and `stance` ask for a match in which at least one action has that very value, as facets
    count; "unknown" asks for none.
    `stance_match`: open | closed. `dates`: (first, last) inclusive, either may be None.
    `during`, `before`, `after`: names of periods, in whatever fights have one of that name.
    `views`: what lies in replays, which otherwise counts nowhere: “too” or “only”.
    """

    rounds: tuple[int | str, ...] = ()
    fight: str | None = None
    fighter: str | None = None
    opponent: str | None = None
    opponent_stance: str | None = None
    stance_match: str | None = None
    place: str | None = None
    range: str | None = None
    outcome: str | None = None
    technique: str | None = None
    stance: str | None = None
    dates: tuple[datetime.date | None, datetime.date | None] | None = None
    during: str | None = None
    before: str | None = None
    after: str | None = None
    views: str | None = None


@dataclass(frozen=True, slots=True)
class Unread:
    """A stretch of a phrase that was not understood. `start`, `end`: offsets into the phrase."""

    text: str
    start: int
    end: int
    meant: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Choice:
    """A stretch that reads in more than one way: which was taken, and the phrase that says the other one."""

    text: str
    start: int
    end: int
    taken: str
    others: tuple[tuple[str, str], ...] = ()  # (what it would mean, the phrase to say instead)


@dataclass(frozen=True, slots=True)
class Reading:
    """A phrase as it was understood; `said` is plain English that reads to the same steps.

    `parts` are the said-back pieces, (id, English, the phrase without that piece), for removal one by one.
    """

    phrase: str
    said: str
    steps: tuple[Step, ...]
    where: Where = field(default_factory=Where)
    unread: tuple[Unread, ...] = ()
    choices: tuple[Choice, ...] = ()
    notes: tuple[str, ...] = ()  # "late rounds was taken to mean the last third"
    parts: tuple[tuple[str, str, str], ...] = ()
    doubtful: bool = (
        False  # it may well be misread: another reading is about as likely, or it tells the unlikely
    )


@dataclass(frozen=True, slots=True)
class ClipRow:
    """An exchange as a search result. Frames, file and poster are None until it has been cut."""

    id: int
    fight: str
    fight_id: int
    date: datetime.date | None
    round: int | None
    clock_us: int | None  # left on the round clock at the exchange's first action
    start_us: int | None  # the clip's in and out, footage time
    end_us: int | None
    start_frame: int | None
    end_frame: int | None
    file: Path | None
    poster: Path | None
    actions: tuple[Action, ...]
    matches: tuple[tuple[int, ...], ...] = ()
    note: str = ""
    view: bool = False  # it lies in a replay, and is counted nowhere
    view_of: int | None = None  # the exchange that it shows again


@dataclass(frozen=True, slots=True)
class Found:
    """A page of results. `facets[name][value]` counts the exchanges of the whole result in which a matched
    action has that value; for `round`, the exchange; for `outcome`, the match's result: its last punch.
    `left_out`: exchanges not counted because they are a second logger's telling of a moment; `views`: those
    not counted because they lie in a replay."""

    reading: Reading
    total: int
    clips: tuple[ClipRow, ...]
    facets: dict[str, dict[str, int]]
    offset: int = 0
    left_out: int = 0
    views: int = 0


JSON = dict[str, Any]
