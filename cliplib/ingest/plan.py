"""What to cut, decided before anything is touched: pure functions from exchanges and footage to jobs.

exchange        start |=========| end
clip     in |---------|=========|---------------| out
             lead-in             follow-through
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from cliplib.core.models import Action, Exchange, FightInfo, Settings
from cliplib.core.parts import replay_at
from cliplib.core.timebase import SECOND, Timeline

CUT_VERSION = 1
"""Part of every clip's digest: raise it when the same frames ought to be cut anew."""


@dataclass(frozen=True, slots=True)
class ToCut:
    """A stored exchange that has times. `in_us`, `out_us`: the planned clip before the footage is known."""

    exchange_id: int
    exchange: Exchange
    in_us: int
    out_us: int


@dataclass(frozen=True, slots=True)
class CutJob:
    """Frames [first, last) of the footage, the poster's frame, and the name the files get (no suffix)."""

    exchange_id: int
    in_us: int
    out_us: int
    first: int
    last: int
    poster: int
    name: str
    digest: str


def plan_span(exchange: Exchange, info: FightInfo, settings: Settings) -> tuple[int, int] | None:
    """The clip's in and out in footage time, or None for an exchange without times, or before the film.

    Lead-in and follow-through are added and end with the replay that it lies in, or, if settings say so, at
    the bells of the round; never inside
    the exchange itself, so that a punch after the bell is on film. A span that the log spelt out stands.
    """
    if exchange.start_us is None or exchange.end_us is None:
        return None
    if exchange.exact_span:
        return exchange.start_us, exchange.end_us
    in_us = exchange.start_us - settings.lead_in_us
    out_us = exchange.end_us + settings.follow_through_us
    again = replay_at(info.parts, exchange.start_us)
    if again is not None or settings.clamp_to_round:
        bells = _bells(exchange, info) if again is None else (again.start_us, again.end_us)
        if bells is not None:
            opening, closing = bells
            in_us = min(max(in_us, opening), exchange.start_us)
            if closing is not None:
                out_us = max(min(out_us, closing), exchange.end_us)
    return (max(0, in_us), out_us) if out_us > 0 else None  # else all before the film begins


def _bells(exchange: Exchange, info: FightInfo) -> tuple[int, int | None] | None:
    """The bells around an exchange; the closing one is None where nobody said how long a round is."""
    starts = info.round_starts_us
    assert exchange.start_us is not None
    if exchange.round is not None:
        if not 1 <= exchange.round <= len(starts):
            return None
        start = starts[exchange.round - 1]
    else:
        begun = [s for s in starts if s <= exchange.start_us]
        if not begun:
            return None
        start = begun[-1]
    closing = info.bells.span(starts.index(start) + 1)[1] if info.bells is not None else None
    return start, closing


def beyond(exchange: Exchange, timeline: Timeline) -> bool:
    """Whether it happened when the film was over."""
    return exchange.start_us is not None and exchange.start_us >= timeline.duration_us


def plan_cuts(wanted: Sequence[ToCut], info: FightInfo, timeline: Timeline, fingerprint: str) -> list[CutJob]:
    """Jobs in the order of their first frames. An exchange wholly outside the footage gives none.

    A span shorter than a frame's time, and so without a frame of its own, gets the frame on screen.
    """
    jobs = []
    for item in wanted:
        in_us, out_us = max(0, item.in_us), min(item.out_us, timeline.duration_us)
        if in_us >= timeline.duration_us:
            continue
        first, last = timeline.frames_in(in_us, out_us)
        if last <= first:
            first = timeline.frame_at(in_us)
            last = first + 1
            in_us, out_us = timeline.us_of(first), timeline.us_of(last)
        poster = poster_frame(item.exchange, timeline, first, last)
        said = f"{CUT_VERSION} {fingerprint} {first} {last} {poster}"
        digest = hashlib.blake2b(said.encode(), digest_size=16).hexdigest()
        name = f"{_moment(item.exchange, info)}-{item.exchange_id}-{digest[:8]}"
        jobs.append(CutJob(item.exchange_id, in_us, out_us, first, last, poster, name, digest))
    return sorted(jobs, key=lambda job: (job.first, job.exchange_id))


_TELLING = {"knockdown": 4, "hurt": 3, "landed": 2, "partial": 1}


def poster_frame(exchange: Exchange, timeline: Timeline, first: int, last: int) -> int:
    """The frame that tells most: of a knockdown, a hurt, a landed punch, else of the last action."""

    def weight(action: Action) -> tuple[int, int]:
        return _TELLING.get(action.outcome or "", 0), action.time_us or 0

    timed = [action for action in exchange.actions if action.time_us is not None]
    if timed:
        chosen = max(timed, key=weight)
        us = chosen.time_us or 0
        if chosen.until_us is not None:
            us = (us + chosen.until_us) // 2
    else:
        us = ((exchange.start_us or 0) + (exchange.end_us or 0)) // 2
    return min(max(timeline.frame_at(us), first), last - 1)


def _moment(exchange: Exchange, info: FightInfo) -> str:
    """`r03-0m41.2` by the ringside clock, or `12m04.5` of the footage."""
    us = exchange.start_us or 0
    clock = info.bells.from_footage(us) if info.bells else None
    prefix = f"r{exchange.round:02d}-" if exchange.round is not None else ""
    if clock and clock[0] == exchange.round:
        us = clock[1]
    minutes, rest = divmod(us, 60 * SECOND)
    return f"{prefix}{minutes}m{rest // SECOND:02d}.{rest % SECOND * 10 // SECOND}"


def folder_name(title: str, fight_id: int) -> str:
    """A name for a fight's folder of clips that every file system takes: `adeyemi-v-brandt-3`."""
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().casefold()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-")
    return f"{slug or 'fight'}-{fight_id}"
