"""What pages and commands show of one fight: its lanes, counts and gaps; and a clip's place in it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from cliplib.catalogue.catalogue import Catalogue
from cliplib.catalogue.rows import FightRow, StoredExchange, StoredMark
from cliplib.core.errors import InputError
from cliplib.core.models import ClipRow, Mark
from cliplib.core.timebase import SECOND, RoundClock

GAP_US = 15 * SECOND
"""A stretch of a round this long with nothing logged is worth a second look (our choice)."""

SUCCESS = ("landed", "knockdown", "hurt")


@dataclass(frozen=True, slots=True)
class Frames:
    """A clip's frames by the footage's own timestamps.

    `first`: the footage's number of its first frame. `times_us`: footage time of each frame and, last, of the
    end of the last one, so one more than there are frames. `clocks`: (round, microseconds left) while each
    frame is shown; None outside rounds.
    """

    first: int
    times_us: tuple[int, ...]
    clocks: tuple[tuple[int, int] | None, ...]
    footage_frames: int


@dataclass(frozen=True, slots=True)
class Lane:
    """A round. `start_us`, `end_us`: its bells, or the span of what was logged; None without times.
    `gaps`: stretches of footage time in which nothing is logged, [from, until)."""

    round: int | None
    start_us: int | None
    end_us: int | None
    clips: tuple[ClipRow, ...]
    gaps: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class MarkRow:
    """A mark, and what the round clock shows then; None between rounds, or where nobody knows the bells."""

    id: int
    mark: Mark
    left_us: int | None


@dataclass(frozen=True, slots=True)
class Tried:
    """How often one fighter did one thing: `rounds` maps a round to (tried, landed); `total` sums it."""

    fighter: str
    technique: str
    rounds: dict[int | None, tuple[int, int]] = field(default_factory=dict)
    total: tuple[int, int] = (0, 0)


@dataclass(frozen=True, slots=True)
class FightView:
    """A fight as its page shows it. Second opinions are left out of lanes and counts, and so is what lies in
    replays: `views`."""

    fight: FightRow
    lanes: tuple[Lane, ...]
    tried: tuple[Tried, ...]
    marks: tuple[MarkRow, ...] = ()
    views: tuple[ClipRow, ...] = ()


def frames_of(catalogue: Catalogue, clip: ClipRow) -> Frames:
    """InputError for a clip that has not been cut."""
    footage = catalogue.footage(clip.fight_id)
    if clip.start_frame is None or clip.end_frame is None or footage is None:
        raise InputError(f"clip {clip.id} has no footage yet; ingest its fight again when it has")
    info = catalogue.fight(clip.fight_id).info
    clock = info.bells
    line = footage.timeline
    times = tuple(line.us_of(n) for n in range(clip.start_frame, clip.end_frame + 1))
    clocks = tuple(clock.from_footage(us) if clock else None for us in times[:-1])
    return Frames(clip.start_frame, times, clocks, len(line))


def neighbours(catalogue: Catalogue, clip: ClipRow) -> tuple[int | None, int | None]:
    """The exchanges of the fight before and after one, in the order they happened."""
    told = [e for e in catalogue.exchanges(clip.fight_id) if e.counts or e.id == clip.id]
    ids = [e.id for e in sorted(told, key=_when)]
    place = ids.index(clip.id)
    return ids[place - 1] if place else None, ids[place + 1] if place + 1 < len(ids) else None


def _when(item: StoredExchange) -> tuple[int, int, int]:
    return item.exchange.round or 0, item.exchange.start_us or 0, item.id


def view(catalogue: Catalogue, fight: FightRow) -> FightView:
    """Lanes, counts and gaps of a fight."""
    everything = catalogue.exchanges(fight.id)
    told = [e for e in everything if e.counts]
    again = [e for e in everything if e.view_of is not None and not e.second_opinion]
    rows = {row.id: row for row in catalogue.clip_rows([e.id for e in told])}
    known = range(1, (fight.info.rounds or 0) + 1)
    rounds: dict[int | None, list[StoredExchange]] = {number: [] for number in known}
    for item in sorted(told, key=_when):
        rounds.setdefault(item.exchange.round, []).append(item)
    numbers = sorted(rounds, key=lambda n: (n is None, n or 0))
    lanes = tuple(_lane(fight, number, rounds[number], rows) for number in numbers)
    marks = sorted(catalogue.marks_of(fight.id), key=lambda item: item.mark.key)
    return FightView(
        fight,
        lanes,
        _tried(told),
        tuple(_marked(item, fight.info.bells) for item in marks),
        tuple(catalogue.clip_rows([e.id for e in sorted(again, key=_when)])),
    )


def angles(catalogue: Catalogue, clip: ClipRow) -> list[ClipRow]:
    """The exchange that a clip shows, then every replay of it that was logged, without the clip itself."""
    first = clip.view_of or clip.id
    told = [e for e in catalogue.exchanges(clip.fight_id) if e.id == first or e.view_of == first]
    ids = [e.id for e in sorted(told, key=lambda e: (e.id != first, _when(e))) if e.id != clip.id]
    return catalogue.clip_rows(ids)


def _marked(item: StoredMark, bells: RoundClock | None) -> MarkRow:
    if item.mark.on_clock:
        return MarkRow(item.id, item.mark, -item.mark.time_us)
    there = bells.from_footage(item.mark.time_us) if bells else None
    return MarkRow(item.id, item.mark, there[1] if there else None)


def _lane(
    fight: FightRow, number: int | None, items: Sequence[StoredExchange], rows: dict[int, ClipRow]
) -> Lane:
    clips = tuple(rows[item.id] for item in items if item.id in rows)
    spans = [
        (e.exchange.start_us, e.exchange.end_us)
        for e in items
        if e.exchange.start_us is not None and e.exchange.end_us is not None
    ]
    bells = fight.info.bells
    if number is not None and bells is not None and number <= len(bells.starts_us):
        start, end = bells.span(number)
    elif spans:
        start, end = spans[0][0], max(until for _, until in spans)
    else:
        return Lane(number, None, None, clips)
    gaps, reached = [], start
    for begin, until in [*spans, (end, end)]:
        if begin - reached >= GAP_US:
            gaps.append((reached, begin))
        reached = max(reached, until)
    return Lane(number, start, end, clips, tuple(gaps))


def _tried(told: Sequence[StoredExchange]) -> tuple[Tried, ...]:
    tried: Counter[tuple[str, str, int | None]] = Counter()
    landed: Counter[tuple[str, str, int | None]] = Counter()
    for item in told:
        for action in item.exchange.actions:
            key = action.fighter or "", action.technique, item.exchange.round
            tried[key] += 1
            landed[key] += action.outcome in SUCCESS
    pairs = dict.fromkeys((fighter, technique) for fighter, technique, _ in tried)
    found = []
    for fighter, technique in pairs:
        rounds = {
            r: (count, landed[who, what, r])
            for (who, what, r), count in tried.items()
            if (who, what) == (fighter, technique)
        }
        total = sum(n for n, _ in rounds.values()), sum(n for _, n in rounds.values())
        found.append(Tried(fighter, technique, rounds, total))
    return tuple(sorted(found, key=lambda t: (t.fighter, -t.total[0], t.technique)))
