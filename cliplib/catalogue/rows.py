"""What goes into the catalogue and comes out of it, and how it is written down there. No database in here."""

from __future__ import annotations

import datetime
import hashlib
import json
import zlib
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields, replace
from fractions import Fraction
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

from cliplib.catalogue.places import inside
from cliplib.core.models import (
    JSON,
    Action,
    AudioTrack,
    ClipRow,
    Corner,
    Exchange,
    FightInfo,
    FootageInfo,
    LogSource,
    Mark,
    Settings,
    action_of,
)
from cliplib.core.parts import Part, clock_of, replay_at, shown_again
from cliplib.core.periods import Period, parse_moment
from cliplib.core.timebase import Timeline
from cliplib.core.version import __version__

# --- into the catalogue -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class NewExchange:
    """An exchange to be stored. `log` is its log's place in `FightInfo.logs`; `in_us`, `out_us` are the
    clip's planned in and out before they are clamped to the footage."""

    exchange: Exchange
    log: int = 0
    in_us: int | None = None
    out_us: int | None = None
    second_opinion: bool = False

    @cached_property
    def digest(self) -> str:
        """See `exchange_digest`. Kept: whoever logs stores the same exchanges with each line."""
        return exchange_digest(self.exchange)

    @cached_property
    def span(self) -> tuple[int, int] | tuple[None, None]:
        """See `span_of`."""
        return span_of(self.exchange)


@dataclass(frozen=True, slots=True)
class NewMark:
    """A mark to be stored. `log` is its log's place in `FightInfo.logs`."""

    mark: Mark
    log: int = 0


@dataclass(frozen=True, slots=True)
class Held:
    """What a file held when it was made: its size in bytes and a digest of all of them."""

    size: int
    digest: str


@dataclass(frozen=True, slots=True)
class NewClip:
    """A finished clip. `file` and `poster` are relative to the library's folder, with forward slashes."""

    exchange_id: int
    start_us: int
    end_us: int
    start_frame: int
    end_frame: int
    file: str
    poster: str | None
    how: str  # slice | re-encode
    why: str
    digest: str
    file_held: Held | None = None
    poster_held: Held | None = None


@dataclass(frozen=True, slots=True)
class FightChange:
    """What storing a fight did: the ids of its exchanges in order, and which of them are new or gone."""

    fight_id: int
    exchange_ids: tuple[int, ...]
    added: int
    changed: int
    removed: int
    new_fight: bool = False

    @property
    def anything(self) -> bool:
        return self.new_fight or bool(self.added or self.changed or self.removed)


# --- out of the catalogue ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FighterRow:
    id: int
    name: str


@dataclass(frozen=True, slots=True)
class FightRow:
    """A fight as stored. `exchanges` and `clips` are counts; `footage` was last seen there."""

    id: int
    info: FightInfo
    folder: Path
    digest: str
    revision: int
    red_id: int
    blue_id: int
    exchanges: int
    clips: int
    footage: Path | None

    @property
    def title(self) -> str:
        return self.info.title


@dataclass(frozen=True, slots=True)
class FootageRow:
    """Footage as last probed. `sliced`: the file that clips are sliced from, if any.
    `probed_by`: the version of cliplib that looked at it."""

    fight_id: int
    path: Path
    size: int
    mtime_ns: int
    info: FootageInfo
    timeline: Timeline
    sliced: Path | None
    why: str
    probed_by: str
    sliced_held: Held | None = None


UNKNOWN_VIEW = 0
"""Instead of an exchange's number: a replay of something that was not logged, or nobody knows what."""


@dataclass(frozen=True, slots=True)
class StoredExchange:
    """An exchange with what the catalogue keeps beside it. `log_file`: its log's name."""

    id: int
    log_file: str
    exchange: Exchange
    in_us: int | None
    out_us: int | None
    second_opinion: bool
    view_of: int | None = None  # the exchange that it shows again in a replay, UNKNOWN_VIEW for one not known

    @property
    def counts(self) -> bool:
        """Whether it is what is counted of its moment."""
        return not self.second_opinion and self.view_of is None


@dataclass(frozen=True, slots=True)
class StoredMark:
    """`log_file`: its log's name."""

    id: int
    log_file: str
    mark: Mark


@dataclass(frozen=True, slots=True)
class StoredClip:
    """A clip's row; `file` and `poster` as in NewClip."""

    exchange_id: int
    fight_id: int
    start_frame: int
    end_frame: int
    file: str
    poster: str | None
    how: str
    why: str
    digest: str


# --- written down -----------------------------------------------------------------------------------------

ACTION_COLUMNS = (
    "technique", "time_us", "until_us", "hand", "side", "target", "outcome", "direction", "stance", "place",
    "range", "roles", "said_roles", "answers", "inferred", "note",
)  # fmt: skip


@lru_cache(maxsize=4096)
def names_to_json(names: tuple[str, ...]) -> str:
    return json.dumps(names, ensure_ascii=False)


@lru_cache(maxsize=4096)
def names_from_json(text: str) -> tuple[str, ...]:
    return tuple(json.loads(text))


def action_values(action: Action) -> tuple[Any, ...]:
    """The values of ACTION_COLUMNS."""
    return (
        action.technique, action.time_us, action.until_us, action.hand, action.side, action.target,
        action.outcome, action.direction, action.stance, action.place, action.range,
        names_to_json(action.roles), names_to_json(action.said_roles), action.answers,
        names_to_json(action.inferred), action.note,
    )  # fmt: skip


def action_from(fighter: str, values: Sequence[Any]) -> Action:
    """The inverse of action_values."""
    (technique, time_us, until_us, hand, side, target, outcome, direction, stance, place, range_,
     roles, said_roles, answers, inferred, note) = values  # fmt: skip
    return action_of(
        technique, fighter, time_us, until_us, hand, side, target, outcome, direction, stance, place, range_,
        names_from_json(said_roles), names_from_json(roles), answers, names_from_json(inferred), note,
    )  # fmt: skip


def exchange_digest(exchange: Exchange) -> str:
    """A fingerprint of what an exchange says; where it stands in the log is no part of it."""
    said: list[Any] = [
        exchange.round, exchange.start_us, exchange.end_us, exchange.exact_span, exchange.name, exchange.note,
    ]  # fmt: skip
    said += [[action.fighter, *action_values(action)] for action in exchange.actions]
    return hashlib.blake2b(
        json.dumps(said, ensure_ascii=False).encode("utf-8", "surrogatepass"), digest_size=16
    ).hexdigest()


def timeline_to_blob(timeline: Timeline) -> bytes:
    """Frame durations compress to almost nothing where presentation times themselves would not."""
    import numpy as np  # here and below: a command that needs no frames starts without it

    return zlib.compress(np.diff(timeline.pts).astype("<i8").tobytes(), 6)


@lru_cache(maxsize=16)  # whoever logs asks for the same one with each line
def timeline_from_blob(blob: bytes, end: int, time_base: Fraction) -> Timeline:
    import numpy as np

    steps = np.frombuffer(zlib.decompress(blob), dtype="<i8").astype(np.int64)
    pts = np.concatenate([np.zeros(1, np.int64), np.cumsum(steps)])
    pts.flags.writeable = False
    return Timeline(pts, end, time_base)


def footage_info_to_json(info: FootageInfo, timeline: Timeline) -> str:
    """Fractions as "n/d"; beside the info, the timeline's end and base, and who probed."""
    data = asdict(info)
    for name, value in data.items():
        if isinstance(value, Fraction):
            data[name] = str(value)
    data["timeline"] = {"end": timeline.end, "time_base": str(timeline.time_base)}
    data["probed_by"] = __version__
    return json.dumps(data, ensure_ascii=False)


def footage_info_from_json(text: str) -> tuple[FootageInfo, int, Fraction, str]:
    """(info, the timeline's end in ticks, its time base, the version that probed)."""
    data: JSON = json.loads(text)
    ends = data.pop("timeline")
    for name in ("sample_aspect", "rate", "time_base"):
        data[name] = Fraction(data[name])
    data["audio"] = tuple(AudioTrack(**track) for track in data["audio"])
    known = {f.name for f in fields(FootageInfo)}
    info = FootageInfo(**{k: v for k, v in data.items() if k in known})
    return info, int(ends["end"]), Fraction(ends["time_base"]), str(data.get("probed_by", ""))


def fight_values(info: FightInfo) -> JSON:
    """Columns of `fights` that come from fight.toml, but for the fighters' ids."""
    return {
        "title": info.title,
        "date": info.date.isoformat() if info.date else None,
        "event": info.event,
        "rounds": info.rounds,
        "round_us": info.round_us,
        "rest_us": info.rest_us,
        "winner": info.winner,
        "method": info.method,
        "red_stance": info.red.stance,
        "blue_stance": info.blue.stance,
        "round_starts": json.dumps(info.round_starts_us),
        "footage_file": info.footage_file,
        "private": int(info.private),
        "periods": _periods_to_json(info.periods),
        "parts": _parts_to_json(info.parts),
    }


def _parts_to_json(parts: Sequence[Part]) -> str:
    """[[kind, from, until, name, jump, of, speed], ...] in microseconds, the speed as a fraction."""
    told = [
        (p.kind, p.start_us, p.end_us, p.name, p.jump_us, p.of_us, None if p.speed is None else str(p.speed))
        for p in parts
    ]
    return json.dumps(told, ensure_ascii=False)


@lru_cache(maxsize=1024)
def parts_from_json(text: str) -> tuple[Part, ...]:
    """The inverse."""
    return tuple(
        Part(kind, start, end, name, jump, of, None if speed is None else Fraction(speed))
        for kind, start, end, name, jump, of, speed in json.loads(text)
    )


def _periods_to_json(periods: Sequence[Period]) -> str:
    """[[name, from, until], ...], the moments as fight.toml says them; null for none."""
    told = [(p.name, *(None if m is None else str(m) for m in (p.start, p.end))) for p in periods]
    return json.dumps(told, ensure_ascii=False)


def periods_from_json(text: str) -> tuple[Period, ...]:
    return tuple(
        Period(name, *(None if moment is None else parse_moment(moment) for moment in moments))
        for name, *moments in json.loads(text)
    )


def fight_info_from(row: JSON, red: str, blue: str, logs: tuple[LogSource, ...]) -> FightInfo:
    return FightInfo(
        title=row["title"],
        red=Corner(red, row["red_stance"]),
        blue=Corner(blue, row["blue_stance"]),
        date=datetime.date.fromisoformat(row["date"]) if row["date"] else None,
        event=row["event"],
        rounds=row["rounds"],
        round_us=row["round_us"],
        rest_us=row["rest_us"],
        winner=row["winner"],
        method=row["method"],
        footage_file=row["footage_file"],
        round_starts_us=tuple(json.loads(row["round_starts"])),
        logs=logs,
        private=bool(row["private"]),
        periods=periods_from_json(row["periods"]),
        parts=parts_from_json(row["parts"]),
    )


@lru_cache(maxsize=1024)
def _bells(text: str) -> tuple[int, ...]:
    """A fight's round starts; every clip of it has the same."""
    return tuple(json.loads(text))


def clip_row_from(
    row: Sequence[Any], actions: tuple[Action, ...], root: Path, matches: tuple[tuple[int, ...], ...]
) -> ClipRow:
    """A row of `Catalogue.clip_rows`, with its actions; `root`: where its files lie."""
    (exchange_id, title, fight_id, date, round_no, start_us, in_us, out_us, note, round_starts, round_us,
     clip_start, clip_end, first, last, file, poster, parts, view_of) = row  # fmt: skip
    bells = clock_of(_bells(round_starts), round_us, parts_from_json(parts))
    clock = bells.from_footage(start_us) if bells is not None and start_us is not None else None
    clock_us = clock[1] if clock else None
    if start_us is None and actions and actions[0].time_us is not None:
        clock_us = -actions[0].time_us  # see logs.timing: a clock whose bell nobody knows
    return ClipRow(
        id=exchange_id,
        fight=title,
        fight_id=fight_id,
        date=datetime.date.fromisoformat(date) if date else None,
        round=round_no,
        clock_us=clock_us,
        start_us=in_us if clip_start is None else clip_start,
        end_us=out_us if clip_end is None else clip_end,
        start_frame=first,
        end_frame=last,
        file=root / place if (place := inside(file)) else None,
        poster=root / place if (place := inside(poster)) else None,
        actions=actions,
        matches=matches,
        note=note,
        view=view_of is not None,
        view_of=view_of or None,
    )


def views(
    rows: Sequence[tuple[int, int | None, int | None, bool]], parts: Sequence[Part]
) -> dict[int, int | None]:
    """For each exchange, as (id, start, end, whether it is a second opinion), what it is a view of: None for
    what happens as it is seen, UNKNOWN_VIEW in a replay of nobody knows what."""
    found: dict[int, int | None] = {}
    seen = [(replay_at(parts, start), row) for row in rows for start in (row[1],)]
    told = [row for part, row in seen if part is None and not row[3] and None not in row[1:3]]
    spans = [(start or 0, end or 0) for _, start, end, _ in told]
    for part, (number, start, end, _) in seen:
        found[number] = None
        if part is not None and start is not None:
            place = shown_again(part, start, start if end is None else end, spans)
            found[number] = UNKNOWN_VIEW if place is None else told[place][0]
    return found


# --- which exchange is which when a log changed -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OldExchange:
    id: int
    log_file: str
    digest: str
    round: int | None
    start_us: int | None


def keep_ids(old: Sequence[OldExchange], new: Sequence[OldExchange]) -> list[int | None]:
    """For each of `new` (their ids are ignored) the id it keeps, or None for a new one.

    An exchange that says the same in the same log keeps its id wherever its rows have moved. Of the rest, one
    that begins at the same moment of the same round was edited, and keeps its id too, so that links to a clip
    survive a corrected outcome.
    """
    kept: list[int | None] = [None] * len(new)
    free: defaultdict[tuple[str, str], list[int]] = defaultdict(list)
    for item in reversed(old):
        free[item.log_file, item.digest].append(item.id)
    for place, item in enumerate(new):
        if free[item.log_file, item.digest]:
            kept[place] = free[item.log_file, item.digest].pop()
    taken = set(kept)
    by_start: dict[tuple[str, int | None, int], int] = {}
    for item in old:
        if item.id not in taken and item.start_us is not None:
            by_start.setdefault((item.log_file, item.round, item.start_us), item.id)
    for place, item in enumerate(new):
        if kept[place] is None and item.start_us is not None:
            kept[place] = by_start.pop((item.log_file, item.round, item.start_us), None)
    return kept


def with_second_opinions(exchanges: Sequence[NewExchange], logs: Sequence[LogSource]) -> list[NewExchange]:
    """Mark the exchanges of a later log by somebody else that overlap in time one of an earlier log.

    Two people who logged one fight saw the same punches; counted twice, every claim would be wrong.
    """
    marks = second_opinions([(item.log, *item.span) for item in exchanges], logs)
    return marked(exchanges, marks)


def marked(exchanges: Sequence[NewExchange], second: Sequence[bool]) -> list[NewExchange]:
    """The exchanges, each with whether it is a second opinion."""
    return [
        item if item.second_opinion == wanted else replace(item, second_opinion=wanted)
        for item, wanted in zip(exchanges, second, strict=True)
    ]


def span_of(exchange: Exchange) -> tuple[int, int] | tuple[None, None]:
    """When an exchange was, such that those of one fight can be compared: by footage time, or else by round
    and clock. Neither overlaps the other."""
    if exchange.start_us is not None and exchange.end_us is not None:
        return exchange.start_us, exchange.end_us
    if exchange.clock_us is None:
        return None, None
    begin, end = exchange.clock_us
    bell = ((exchange.round or 0) + 1) * _APART_US
    return bell + begin, bell + max(end, begin + _LASTS_US)


_APART_US = 10**15  # longer than any film
_LASTS_US = Settings().action_length_us


def second_opinions(
    spans: Sequence[tuple[int, int | None, int | None]], logs: Sequence[LogSource]
) -> list[bool]:
    """The same for bare spans: (place of the log in `logs`, start, end), half-open."""
    found = [False] * len(spans)
    if len({source.by for source in logs}) < 2:
        return found
    timed = [(i, log, start, max(end, start + 1)) for i, (log, start, end) in enumerate(spans)
             if start is not None and end is not None]  # fmt: skip
    for later in {log for _, log, _, _ in timed}:
        others = [row for row in timed if row[1] < later and logs[row[1]].by != logs[later].by]
        starts, ends = sorted(row[2] for row in others), sorted(row[3] for row in others)
        for i, log, start, end in timed:
            if log == later:
                # Those begun before this ends, less those over when it begins.
                found[i] = bisect_left(starts, end) > bisect_right(ends, start)
    return found
