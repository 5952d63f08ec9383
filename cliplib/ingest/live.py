"""Logs written in the library itself: from their lines to exchanges, and to clips, like any other log."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import chain
from pathlib import Path

from cliplib.catalogue.catalogue import Catalogue
from cliplib.catalogue.live import Derive, LiveLog
from cliplib.catalogue.rows import FootageRow, NewExchange, NewMark
from cliplib.core.errors import Problem
from cliplib.core.models import Exchange, FightInfo, Settings
from cliplib.core.progress import Progress
from cliplib.ingest import cut as ingest_cut
from cliplib.ingest.correct import with_corrections
from cliplib.ingest.plan import ToCut, beyond, plan_cuts, plan_span
from cliplib.logs import LogReading
from cliplib.logs.pieces import Read
from cliplib.logs.telling import Phrases
from cliplib.media.working import Prepared
from cliplib.relations import deriving
from cliplib.vocabulary import Vocabulary


@dataclass(slots=True)
class Known:
    """What was read of one fight before, log by log, and what that came to: a log is read anew after each
    line, and others' logs with it, but what did not change is not."""

    phrases: Phrases = field(default_factory=dict)
    logs: dict[str, Read] = field(default_factory=dict)
    derived: dict[str, tuple[object, dict[int, tuple[LogReading, list[NewExchange]]]]] = field(
        default_factory=dict
    )

    def read(
        self, log: LiveLog, info: FightInfo, vocabulary: Vocabulary, settings: Settings
    ) -> tuple[LogReading, ...]:
        """The pieces of a log (see `logs.pieces`)."""
        if log.file not in self.logs:
            self.logs[log.file] = Read(self.phrases)
        lines = tuple([line.said for line in log.lines])
        return self.logs[log.file].read(lines, info, vocabulary, settings, file_label=log.file)

    def exchanges(
        self,
        log: LiveLog,
        pieces: Sequence[LogReading],
        made_of: object,
        make: Callable[[LogReading], list[NewExchange]],
    ) -> list[NewExchange]:
        """What the pieces come to, made where that is not known. `made_of`: of what else it is made."""
        before = self.derived.get(log.file)
        known = before[1] if before is not None and before[0] == made_of else {}
        found: dict[int, tuple[LogReading, list[NewExchange]]] = {}
        for piece in pieces:
            one = known.get(id(piece))
            found[id(piece)] = one if one is not None and one[0] is piece else (piece, make(piece))
        self.derived[log.file] = made_of, found
        return list(chain.from_iterable([some for _, some in found.values()]))


def read_live(
    log: LiveLog, info: FightInfo, vocabulary: Vocabulary, settings: Settings, known: Known | None = None
) -> tuple[tuple[Exchange, ...], Mapping[int, Problem]]:
    """A log's exchanges, and what is wrong with lines, by the line's number."""
    pieces = (known or Known()).read(log, info, vocabulary, settings)
    problems = [p for piece in pieces for p in piece.problems if p.line <= len(log.lines)]
    exchanges = tuple(chain.from_iterable(piece.exchanges for piece in pieces))
    return exchanges, {log.lines[p.line - 1].id: p for p in reversed(problems)}


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

    known = known or Known()

    def derive(info: FightInfo, live: Sequence[LiveLog]) -> tuple[Sequence[NewExchange], Sequence[NewMark]]:
        footage = catalogue.footage(fight_id)
        timeline = footage.timeline if footage is not None else None

        def make(read: LogReading, place: int) -> list[NewExchange]:
            filmed = [e for e in read.exchanges if timeline is None or not beyond(e, timeline)]
            derived = [deriving.derive(e, info, settings, vocabulary) for e in filmed]
            spans = [plan_span(exchange, info, settings) or (None, None) for exchange in derived]
            return [NewExchange(e, place, *span) for e, span in zip(derived, spans, strict=True)]

        exchanges: list[NewExchange] = []
        marks: list[NewMark] = []
        alone = replace(info, logs=())
        for log in live:
            pieces = known.read(log, info, vocabulary, settings)
            made_of = alone, log.place, id(timeline), timeline
            exchanges += known.exchanges(log, pieces, made_of, partial(make, place=log.place))
            told = sorted(chain.from_iterable(piece.marks for piece in pieces), key=lambda mark: mark.key)
            marks += [NewMark(mark, log.place) for mark in told]
        kept = catalogue.corrections(fight_id)
        if kept:
            return with_corrections(exchanges, kept, info, settings, vocabulary), marks
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
