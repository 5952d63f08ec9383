"""Two logs of one fight beside each other, and one log agreed on, decision by decision.

The logs stay as they are; the agreed log is a text of its own, to be saved beside them and named in
fight.toml.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from cliplib import logs
from cliplib.catalogue.catalogue import Catalogue
from cliplib.catalogue.rows import FightRow, StoredExchange, span_of
from cliplib.core.errors import InputError, NotFoundError
from cliplib.core.models import Exchange
from cliplib.core.timebase import format_time
from cliplib.logs.cells import harmless, meant
from cliplib.tally.pairing import WINDOW_US, Agreement, Logged, Pair, agreement
from cliplib.vocabulary import Vocabulary

Decision = Literal["first", "second", "both", "neither"]
DECISIONS: tuple[Decision, ...] = ("first", "second", "both", "neither")

DEFINITIONS = (
    "Actions are paired for each fighter apart, in the order both logs tell, where they lie within the "
    "window; an action without a time of its own lies somewhere in its exchange.",
    "Percent error: 100 x the sum of differences between the two counts / their mean total (Hughes, Cooper "
    "and Nevill 2002), over each fighter's techniques. It counts what only one log has.",
    "Positive agreement (F1): twice what both logs have, of all that either has; what only one log has "
    "counts against it. Interval: Wilson's for what both have of what at least one has, carried over.",
    "Kappa: Cohen's, with its large-sample 95 % interval, over pairs alone: of what only one log has, nobody "
    "can say what the other would have called it. Words: Landis and Koch 1977.",
    "AC1: Gwet's, steadier than kappa where nearly everything has one name.",
    "Inferred: an outcome that nobody said, and a defence right behind the punch tells. Among outcomes it "
    "has a name of its own, since no logger said it; it is no disagreement with a log that says the same.",
)


@dataclass(frozen=True, slots=True)
class Disagreement:
    """One of them. `key`: the same as long as the logs are. `what`: which log alone has it, or what differs.
    `time_us`, `frame`: where to look, of the footage; `clock_us`: what the round clock showed, where that is
    all that is known. `clip`: the number of an exchange that shows it."""

    key: str
    what: str
    one: str
    two: str
    round: int | None
    time_us: int
    clock_us: int | None
    frame: int | None
    clip: int
    pair: Pair


@dataclass(frozen=True, slots=True)
class TwoLogs:
    """`one`, `two`: the logs' names; `by`: who logged them. `beyond`: actions of the first log at moments the
    second log has nothing near; `left_out`: actions without any time."""

    fight: FightRow
    one: str
    two: str
    by: tuple[str, str]
    agreement: Agreement
    disagreements: tuple[Disagreement, ...]
    beyond: int
    left_out: int
    definitions: tuple[str, ...] = DEFINITIONS

    @property
    def choices(self) -> dict[str, Decision]:
        """What can be decided, by what people say for it: the names of the logs, both, neither."""
        return {self.one: "first", self.two: "second", "both": "both", "neither": "neither"}

    def decision(self, said: str) -> Decision:
        """What somebody wrote as a decision: a log's name, both or neither, or first and second. InputError
        for anything else."""
        known = self.choices | {one: one for one in DECISIONS}
        found = next((d for name, d in known.items() if name.casefold() == said.strip().casefold()), None)
        if found is None:
            raise InputError(f"“{said}” is no decision; there are {', '.join(self.choices)}")
        return found


def two_logs(
    catalogue: Catalogue,
    vocabulary: Vocabulary,
    fight: FightRow,
    one: str | None,
    two: str | None,
    *,
    window_us: int = WINDOW_US,
    where_both: bool = False,
) -> TwoLogs:
    """Compare two of a fight's logs (None: the first two in which something is logged).

    `where_both`: only exchanges of the first log that overlap one of the second, for a second log of a part
    of the fight."""
    first, second = _named(fight, logs_with_something(catalogue, fight), one, two)
    stored = catalogue.exchanges(fight.id)
    theirs = [s for s in stored if s.log_file == second]
    mine = [s for s in stored if s.log_file == first]
    near = [s for s in mine if any(_overlap(s, t) for t in theirs)]
    if where_both:
        mine = near
    logged1, out1 = _logged(mine)
    logged2, out2 = _logged(theirs)
    for name, logged in ((first, logged1), (second, logged2)):
        if not logged:
            where = " where the other log has something" if where_both else ""
            raise InputError(
                f"“{name}” has no action with a time{where}, so that there is nothing to compare"
            )
    found = agreement(logged1, logged2, vocabulary.is_punch, window_us)
    footage = catalogue.footage(fight.id)
    listed = []
    for pair in found.disagreements:
        at = pair.either
        time = at.first_us
        listed.append(
            Disagreement(
                key=_key(pair),
                what=f"only in {first}"
                if pair.two is None
                else f"only in {second}"
                if pair.one is None
                else ", ".join(pair.differs_in),
                one=_said(pair.one),
                two=_said(pair.two),
                round=at.round,
                time_us=time,
                clock_us=at.clock_us,
                frame=footage.timeline.frame_at(time) if footage is not None and time >= 0 else None,
                clip=at.exchange_id,
                pair=pair,
            )
        )
    by = {source.file: source.by for source in fight.info.logs}
    covered = {s.id for s in near}
    beyond = sum(len(s.exchange.actions) for s in mine if s.id not in covered)
    return TwoLogs(
        fight,
        first,
        second,
        (by.get(first, ""), by.get(second, "")),
        found,
        tuple(listed),
        beyond,
        out1 + out2,
    )


def agreed_log(
    compared: TwoLogs,
    catalogue: Catalogue,
    decisions: Mapping[str, Decision],
    form: str,
) -> str:
    """The agreed log as text. Raises InputError naming the disagreements that are not decided yet.

    Where both agree the first log's row stands, with an outcome that one of them said. `first`: as the first
    log has it (leave out what it does not have); `second`: as the second has it; `neither`: leave it out;
    `both`, of a pair: as the first has it, and the second's as a further action.
    """
    known = {d.key: d for d in compared.disagreements}
    strange = [key for key in decisions if key not in known]
    if strange:
        raise InputError(
            f"“{strange[0]}” is no disagreement of these logs; they have changed since the list was made, "
            "so make it anew"
        )
    wrong = [value for value in decisions.values() if value not in DECISIONS]
    if wrong:
        raise InputError(f"“{wrong[0]}” is no decision; there are {', '.join(DECISIONS)}")
    open_ = [d for d in compared.disagreements if d.key not in decisions]
    if open_:
        shown = "\n".join(
            f"  {d.key}: {_at(d)}: {d.one or 'nothing'} or {d.two or 'nothing'}" for d in open_[:20]
        )
        raise InputError(f"{len(open_)} of {len(known)} disagreements are not decided yet:\n{shown}")
    both = (compared.one, compared.two)
    stored = {s.id: s for s in catalogue.exchanges(compared.fight.id) if s.log_file == compared.one}
    mine: dict[tuple[int, int], Logged | None] = {}  # the first log's actions as agreed
    more: list[Logged] = []
    for pair in compared.agreement.pairs:
        key = _key(pair)
        choice = decisions.get(key, "first")
        if pair.one is not None:
            place = (pair.one.exchange_id, pair.one.position)
            mine[place] = _as_either_said(pair.one, pair.two) if choice in ("first", "both") else None
            if pair.two is not None and choice == "second":
                mine[place] = replace(
                    pair.one,
                    action=replace(
                        pair.two.action, time_us=_time(pair.two, pair.one), answers=None, said_roles=()
                    ),
                )
        if pair.two is not None and (
            (pair.one is None and choice in ("second", "both")) or (pair.one is not None and choice == "both")
        ):
            more.append(pair.two)
    exchanges = []
    for number, one in stored.items():
        kept = [
            action if place not in mine else (chosen.action if chosen is not None else None)
            for i, action in enumerate(one.exchange.actions)
            for place in ((number, i),)
            for chosen in (mine.get(place),)
        ]
        exchanges.append(replace(one.exchange, actions=tuple(a for a in kept if a is not None)))
    agreed = _with(exchanges, more)
    # Positions have moved; what answers what is derived again when the agreed log is read.
    plain = [
        replace(e, actions=tuple(replace(a, answers=None) for a in e.actions)) for e in agreed if e.actions
    ]
    told = (item for item in catalogue.marks_of(compared.fight.id) if item.log_file in both)
    marks = [replace(item.mark, line=0) for item in told]
    return logs.write_log(plain, compared.fight.info, form, marks=list(dict.fromkeys(marks)))


def worksheet(compared: TwoLogs) -> str:
    """The disagreements as CSV with an empty column `take`, to be filled in and given back; see
    `TwoLogs.decision` for what can stand there."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    head = ("key", "round", "time", "clock", "frame", "clip", "what", compared.one, compared.two, "take")
    writer.writerow([harmless(cell) for cell in head])
    for d in compared.disagreements:
        time = format_time(d.time_us, 2) if d.time_us >= 0 else ""
        cells = (
            d.key,
            d.round or "",
            time,
            "" if d.clock_us is None else format_time(d.clock_us, 2),
            "" if d.frame is None else d.frame,
            d.clip,
            d.what,
            d.one,
            d.two,
            "",
        )
        writer.writerow([harmless(str(cell)) for cell in cells])
    return out.getvalue()


def read_worksheet(compared: TwoLogs, text: str) -> dict[str, Decision]:
    """The decisions of a filled-in worksheet; empty ones are left out. InputError with the line's number."""
    rows = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")))
    if not {"key", "take"} <= set(rows.fieldnames or ()):
        raise InputError("this is no list of disagreements: it needs the columns “key” and “take”")
    found: dict[str, Decision] = {}
    for row in rows:
        key, take = meant((row["key"] or "").strip()), meant((row["take"] or "").strip())
        if not take:
            continue
        try:
            found[key] = compared.decision(take)
        except InputError as wrong:
            raise InputError(f"line {rows.line_num}, column “take”: {wrong}") from wrong
    return found


def logs_with_something(catalogue: Catalogue, fight: FightRow) -> tuple[str, ...]:
    """The fight's logs that hold an exchange: only those can be compared."""
    files = [source.file for source in fight.info.logs]
    held = catalogue.logs_with_exchanges(fight.id) if len(files) > 1 else set(files)
    return tuple(file for file in files if file in held)


def _named(fight: FightRow, held: Sequence[str], one: str | None, two: str | None) -> tuple[str, str]:
    names = [source.file for source in fight.info.logs]
    if len(names) < 2:
        raise InputError(f"“{fight.title}” has one log only; a second [[log]] in its fight.toml adds another")
    for name in (one, two):
        if name is not None and name not in names:
            raise NotFoundError(f"“{fight.title}” has no log “{name}”; there are {', '.join(names)}")
    likely = [*held, *(name for name in names if name not in held)]
    first = one or next(n for n in likely if n != two)
    second = two or next(n for n in likely if n != first)
    if first == second:
        raise InputError("two different logs are needed")
    return first, second


def _logged(stored: Sequence[StoredExchange]) -> tuple[list[Logged], int]:
    found, left_out = [], 0
    for one in stored:
        start, end = one.exchange.clock_us or (one.exchange.start_us, one.exchange.end_us)
        on_clock = one.exchange.clock_us is not None
        for position, action in enumerate(one.exchange.actions):
            first = last = action.time_us
            if first is None and start is not None and end is not None:
                first, last = start, end
            if first is None or last is None:
                left_out += 1
                continue
            found.append(Logged(action, first, last, one.exchange.round, one.id, position, on_clock))
    return found, left_out


def _overlap(a: StoredExchange, b: StoredExchange) -> bool:
    (begin, end), (start, over) = span_of(a.exchange), span_of(b.exchange)
    if begin is None or end is None or start is None or over is None:
        return False
    return begin <= over and start <= end


def _key(pair: Pair) -> str:
    """Exchange and position in each log, such as 12.1-57.0."""
    return "-".join("" if x is None else f"{x.exchange_id}.{x.position}" for x in (pair.one, pair.two))


def _said(x: Logged | None) -> str:
    if x is None:
        return ""
    a = x.action
    words = [str(a.fighter), a.side or a.hand, a.technique]
    words += [f"to the {a.target}" if a.target else None, a.came_off]
    return " ".join(w for w in words if w)


def _as_either_said(one: Logged, two: Logged | None) -> Logged:
    a, b = one.action, two.action if two is not None else None
    if b is None or a.outcome != b.outcome or "outcome" not in a.inferred or "outcome" in b.inferred:
        return one
    return replace(one, action=replace(a, inferred=tuple(n for n in a.inferred if n != "outcome")))


def _at(d: Disagreement) -> str:
    where = f"round {d.round}" if d.round else "round not known"
    if d.clock_us is not None:
        return f"{where}, {format_time(d.clock_us, 1)} left"
    return f"{where}, {format_time(d.time_us, 1)}" if d.time_us >= 0 else where


def _time(chosen: Logged, other: Logged) -> int | None:
    """A time of its own, or else the other log's: it is the same thing that happened."""
    return chosen.action.time_us if chosen.action.time_us is not None else other.action.time_us


def _with(exchanges: Sequence[Exchange], more: Sequence[Logged]) -> list[Exchange]:
    """Further actions into the exchange they fall into, or as exchanges of their own."""
    agreed = list(exchanges)
    for x in more:
        action = replace(x.action, time_us=x.first_us, answers=None)
        place = next((i for i, e in enumerate(agreed) if _falls_into(x, e)), None)
        if place is None:
            span = (None, None) if x.on_clock else (x.first_us, max(x.last_us, x.first_us))
            agreed.append(Exchange((action,), x.round, *span))
            continue
        e = agreed[place]
        first, last = e.clock_us or (e.start_us or 0, e.end_us or x.first_us)
        if all(a.time_us is not None for a in e.actions):
            action = replace(action, time_us=min(max(x.first_us, first), last))
            actions = sorted((*e.actions, action), key=lambda a: a.time_us or 0)
        else:
            actions = [*e.actions, action]
        agreed[place] = replace(e, actions=tuple(actions))
    return sorted(agreed, key=lambda e: ((start := span_of(e)[0]) is None, start or 0))


def _falls_into(x: Logged, e: Exchange) -> bool:
    if x.on_clock:
        span = e.clock_us if e.round == x.round else None
    else:
        span = None if e.start_us is None or e.end_us is None else (e.start_us, e.end_us)
    return span is not None and span[0] <= x.last_us and x.first_us <= span[1]
