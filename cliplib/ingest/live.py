"""Logs written in the library itself: from their lines to exchanges, and to clips, like any other log."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from cliplib.catalogue.catalogue import Catalogue
from cliplib.catalogue.live import Derive, LiveLog
from cliplib.catalogue.rows import FootageRow, NewExchange, NewMark
from cliplib.core.errors import Problem
from cliplib.core.models import FightInfo, Settings
from cliplib.core.progress import Progress
from cliplib.ingest import cut as ingest_cut
from cliplib.ingest.correct import with_corrections
from cliplib.ingest.plan import ToCut, beyond, plan_cuts, plan_span
from cliplib.logs import LogReading, read_lines
from cliplib.logs.telling import Phrases
from cliplib.media.working import Prepared
from cliplib.relations import deriving
from cliplib.vocabulary import Vocabulary


@dataclass(slots=True)
class Known:
    """What was read of one fight before: a log is read anew after each line, and others' logs with it."""

    phrases: Phrases = field(default_factory=dict)
    logs: dict[str, tuple[object, LogReading]] = field(default_factory=dict)


def read_live(
    log: LiveLog, info: FightInfo, vocabulary: Vocabulary, settings: Settings, known: Known | None = None
) -> tuple[LogReading, Mapping[int, Problem]]:
    """A log's exchanges, and what is wrong with lines, by the line's number."""
    known = known or Known()
    key = log.lines, replace(info, logs=())
    before = known.logs.get(log.file)
    if before is not None and before[0] == key:
        read = before[1]
    else:
        lines = [line.said for line in log.lines]
        read = read_lines(lines, info, vocabulary, settings, file_label=log.file, known=known.phrases)
        known.logs[log.file] = key, read
    return read, {log.lines[p.line - 1].id: p for p in reversed(read.problems) if p.line <= len(log.lines)}


def deriver(
    catalogue: Catalogue,
    fight_id: int,
    settings: Settings,
    vocabulary: Vocabulary,
    known: Known | None = None,
) -> Derive:
    """What a fight's live logs come to. A line that cannot be read (a word was taken out of terms.toml, say)
    or lies beyond the footage is passed over; it stays in its log.
    """

    def derive(info: FightInfo, live: Sequence[LiveLog]) -> tuple[Sequence[NewExchange], Sequence[NewMark]]:
        footage = catalogue.footage(fight_id)
        exchanges: Sequence[NewExchange] = []
        marks: list[NewMark] = []
        for log in live:
            read, _ = read_live(log, info, vocabulary, settings, known)
            filmed = [e for e in read.exchanges if footage is None or not beyond(e, footage.timeline)]
            derived = [deriving.derive(e, info, settings, vocabulary) for e in filmed]
            spans = [plan_span(exchange, info, settings) or (None, None) for exchange in derived]
            exchanges = [
                *exchanges,
                *(NewExchange(e, log.place, *span) for e, span in zip(derived, spans, strict=True)),
            ]
            marks += [NewMark(mark, log.place) for mark in read.marks]
        kept = catalogue.corrections(fight_id)
        if kept:
            exchanges = with_corrections(exchanges, kept, info, settings, vocabulary)
        return exchanges, marks

    return derive


def waiting(catalogue: Catalogue, root: Path, fight_id: int) -> int:
    """How many exchanges of a fight have no clip, or not the one they ought to have."""
    footage = catalogue.footage(fight_id)
    if footage is None:
        return 0
    return len(_work(catalogue, root, fight_id, footage).jobs)


def cut_fight(
    catalogue: Catalogue,
    root: Path,
    fight_id: int,
    prepare: Callable[[], Prepared],
    progress: Progress,
) -> int:
    """Cut what is waiting, remove what is not wanted any more; how many were cut. Under the ingest lock."""
    footage = catalogue.footage(fight_id)
    if footage is None:
        return 0
    work = _work(catalogue, root, fight_id, footage)
    if work.jobs:
        ingest_cut.carry_out(catalogue, root, work, prepare(), progress, 0, len(work.jobs))
    if work.gone:
        catalogue.remove_clips(work.gone)
    ingest_cut.sweep_fight(root, fight_id, catalogue.clips(fight_id))
    return len(work.jobs)


def _work(catalogue: Catalogue, root: Path, fight_id: int, footage: FootageRow) -> ingest_cut.CutWork:
    fight = catalogue.fight(fight_id)
    wanted = [
        ToCut(item.id, item.exchange, item.in_us, item.out_us)
        for item in catalogue.exchanges(fight_id)
        if item.in_us is not None and item.out_us is not None
    ]
    jobs = plan_cuts(wanted, fight.info, footage.timeline, footage.info.fingerprint)
    return ingest_cut.work_to_do(root, fight_id, fight.title, jobs, catalogue.clips(fight_id))
