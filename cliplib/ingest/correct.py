"""Corrections: another in and out for a clip, other actions for an exchange, made in the library itself.

The log stays as its writer left it. Ingest puts the corrections over what it reads, and `Library.export_log`
writes the corrected log, so that nothing is caught inside the library.
"""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from cliplib.catalogue.catalogue import Catalogue
from cliplib.catalogue.corrections import Correction, said_digest
from cliplib.catalogue.rows import NewExchange, StoredExchange
from cliplib.core.errors import InputError, LogError, NotFoundError
from cliplib.core.models import Action, Exchange, FightInfo, Settings
from cliplib.core.progress import Progress
from cliplib.core.timebase import format_time
from cliplib.ingest import cut
from cliplib.ingest.plan import ToCut, plan_cuts, plan_span
from cliplib.logs import read_log
from cliplib.logs.cells import harmless
from cliplib.logs.reading import extent
from cliplib.logs.saying import say_action
from cliplib.media.working import Prepared
from cliplib.relations import deriving
from cliplib.vocabulary import Vocabulary

Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Line:
    """One action as somebody corrects it. `time`: footage time as in a log; `action`: a phrase of a log."""

    time: str
    fighter: str
    action: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Corrector:
    """Corrects the exchanges of one library. Call it only under the ingest lock."""

    root: Path
    catalogue: Catalogue
    settings: Settings
    vocabulary: Vocabulary

    def stored(self, fight_id: int, clip_id: int) -> StoredExchange:
        for item in self.catalogue.exchanges(fight_id):
            if item.id == clip_id:
                return item
        raise NotFoundError(f"there is no clip {clip_id} in this library")

    def respan(self, fight_id: int, clip_id: int, span: Span | None) -> None:
        """Another in and out, in microseconds of footage time; None: as planned from the log."""
        stored = self.stored(fight_id, clip_id)
        self._store(fight_id, stored, replace(self._before(fight_id, stored), in_us=None, out_us=None), span)

    def reword(self, fight_id: int, clip_id: int, lines: Sequence[Line] | None) -> None:
        """Other actions, read as a log is; None: as logged. LogError for lines that cannot be read."""
        stored = self.stored(fight_id, clip_id)
        before = self._before(fight_id, stored)
        span = None if before.in_us is None or before.out_us is None else (before.in_us, before.out_us)
        actions = None if lines is None else self._read(fight_id, clip_id, stored.exchange, lines)
        if actions is not None and said_digest(actions) == said_digest(before.logged):
            actions = None
        self._store(fight_id, stored, replace(before, actions=actions), span)

    def _before(self, fight_id: int, stored: StoredExchange) -> Correction:
        for correction in self.catalogue.corrections(fight_id):
            if correction.exchange_id == stored.id:
                return correction
        exchange = stored.exchange
        if exchange.start_us is None:
            raise InputError(
                f"clip {stored.id} has no footage time; write first_bell or times into its log first"
            )
        return Correction(stored.id, (stored.log_file, exchange.round, exchange.start_us), exchange.actions)

    def _store(
        self, fight_id: int, stored: StoredExchange, correction: Correction, span: Span | None
    ) -> None:
        info = self.catalogue.fight(fight_id).info
        if span is not None:
            correction = replace(correction, in_us=span[0], out_us=span[1])
        said = correction.logged if correction.actions is None else correction.actions
        exchange = _with_actions(stored.exchange, said, info, self.settings, self.vocabulary)
        # What the log has begins where the log has it; see `extent` for everything else.
        if correction.actions is None and not exchange.exact_span:
            exchange = replace(exchange, start_us=correction.key[2])
        planned = span or plan_span(exchange, info, self.settings) or (None, None)
        stored = replace(stored, in_us=planned[0], out_us=planned[1])
        self.catalogue.correct(fight_id, stored, exchange, correction)

    def _read(
        self, fight_id: int, clip_id: int, exchange: Exchange, lines: Sequence[Line]
    ) -> tuple[Action, ...]:
        info = self.catalogue.fight(fight_id).info
        stances = {a.fighter: a.stance for a in exchange.actions if a.stance}
        table = io.StringIO()
        writer = csv.writer(table)
        writer.writerow(["time", "exchange", "round", "fighter", "action", "note", "stance"])
        for line in lines:
            stance = stances.get(line.fighter)
            stance = (
                "" if line.fighter in info.fighters and stance == info.stance_of(line.fighter) else stance
            )
            row = [line.time, "1", exchange.round or "", line.fighter, line.action, line.note, stance or ""]
            writer.writerow([harmless(str(cell).replace("\r", " ").replace("\n", " ")) for cell in row])
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "correction.csv"
            path.write_text(table.getvalue(), encoding="utf-8")
            read = read_log(path, info, self.vocabulary, self.settings, file_label=f"clip {clip_id}")
        if read.problems:
            raise LogError(read.problems)
        if len(read.exchanges) != 1 or read.marks:
            raise InputError(f"clip {clip_id}: an exchange needs at least one action with its time")
        return read.exchanges[0].actions

    def recut(self, fight_id: int, clip_id: int, prepared: Prepared, progress: Progress) -> None:
        """Cut one clip as it is planned now, and remove the file it had."""
        stored = self.stored(fight_id, clip_id)
        if stored.in_us is None or stored.out_us is None:
            return
        fight = self.catalogue.fight(fight_id)
        wanted = [ToCut(clip_id, stored.exchange, stored.in_us, stored.out_us)]
        jobs = plan_cuts(wanted, fight.info, prepared.timeline, prepared.info.fingerprint)
        old = self.catalogue.clip(clip_id)
        there = {clip_id: old} if old else {}
        work = cut.work_to_do(self.root, fight_id, fight.title, jobs, there)
        cut.carry_out(self.catalogue, self.root, work, prepared, progress, 0, len(work.jobs))
        cut.sweep_fight(self.root, fight_id, self.catalogue.clips(fight_id))


def lines_of(exchange_actions: Sequence[Action], vocabulary: Vocabulary) -> tuple[Line, ...]:
    """The actions as somebody may correct them: reading the lines gives the same actions again."""
    return tuple(
        Line(
            "" if a.time_us is None or a.time_us < 0 else format_time(a.time_us),
            a.fighter or "",
            say_action(a, vocabulary),
            a.note,
        )
        for a in exchange_actions
    )


def with_exact_span(item: StoredExchange) -> Exchange:
    """The exchange as a log tells it whose clip has an in and out of its own."""
    if item.in_us is None or item.out_us is None:
        return item.exchange
    return replace(item.exchange, start_us=item.in_us, end_us=item.out_us, exact_span=True)


def _with_actions(
    exchange: Exchange, actions: tuple[Action, ...], info: FightInfo, settings: Settings, words: Vocabulary
) -> Exchange:
    exchange = replace(exchange, actions=actions)
    if not exchange.exact_span:
        start, end = extent(actions, settings)
        exchange = replace(exchange, start_us=start, end_us=end)
    return deriving.derive(exchange, info, settings, words)


def with_corrections(
    exchanges: Sequence[NewExchange],
    corrections: Sequence[Correction],
    info: FightInfo,
    settings: Settings,
    vocabulary: Vocabulary,
) -> list[NewExchange]:
    """What a fight's logs say, with the corrections over it. Pure."""
    by_key = {correction.key: correction for correction in corrections}
    result = []
    for item in exchanges:
        exchange = item.exchange
        key = info.logs[item.log].file, exchange.round, exchange.start_us
        correction = by_key.get(key) if exchange.start_us is not None else None  # type: ignore[arg-type]
        if correction is None:
            result.append(item)
            continue
        if correction.actions is not None and said_digest(exchange.actions) == said_digest(correction.logged):
            exchange = _with_actions(exchange, correction.actions, info, settings, vocabulary)
            in_us, out_us = plan_span(exchange, info, settings) or (None, None)
            item = replace(item, exchange=exchange, in_us=in_us, out_us=out_us)
        if correction.in_us is not None:
            item = replace(item, in_us=correction.in_us, out_us=correction.out_us)
        result.append(item)
    return result
