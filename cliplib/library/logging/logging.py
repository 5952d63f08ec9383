"""`library.logging`: how fights and what happens in them come in, are put right, and are written out again.

`live` is logging in the library itself, `corrections` put a logged exchange right, `next_lines` offers what
usually comes next, `new_fights` makes fights of footage that is sent,
`stretches` changes periods and parts, `watching` proposes what a machine finds on film. Ingest stands here
because it is how a log that was written elsewhere comes in.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from cliplib import logs
from cliplib.core.errors import NotFoundError
from cliplib.core.progress import Progress, silent
from cliplib.ingest.correct import with_exact_span
from cliplib.ingest.ingest import Ingest
from cliplib.ingest.report import IngestReport
from cliplib.library.desk import Desk
from cliplib.library.logging.corrections import Corrections
from cliplib.library.logging.fights import NewFights
from cliplib.library.logging.live import LiveLogging
from cliplib.library.logging.offers import NextLines
from cliplib.library.logging.stretches import FightStretches
from cliplib.library.logging.watching import FilmWatching


class Logging:
    """See the top of this file."""

    def __init__(self, desk: Desk):
        self._desk = desk
        self.live = LiveLogging(desk)
        self.corrections = Corrections(desk)
        self.next_lines = NextLines(desk, self.live)
        self.new_fights = NewFights(desk, lambda folder: self.ingest([folder]))
        self.stretches = FightStretches(desk, lambda folder: self.ingest([folder], cut=False))
        self.watching = FilmWatching(desk, self.stretches)

    def ingest(
        self,
        paths: Sequence[Path],
        *,
        progress: Progress = silent,
        cut: bool = True,
        skip_bad_rows: bool = False,
    ) -> IngestReport:
        """Bring fight folders, or folders of them, into the library; see `ingest.Ingest.run` for errors."""
        desk = self._desk
        run = Ingest(desk.folder, desk.catalogue, desk.settings, desk.vocabulary, progress)
        report = run.run(paths, cut=cut, skip_bad_rows=skip_bad_rows)
        desk.search.refresh(progress)
        return report

    def export_log(self, fight_id: int, form: str, *, log: str | None = None) -> str:
        """A fight's log in one of the forms of `logs.forms`. `log`: one of its logs; None: all of them,
        without second opinions."""
        catalogue = self._desk.catalogue
        info = catalogue.fight(fight_id).info
        names = [source.file for source in info.logs]
        if log is not None and log not in names:
            raise NotFoundError(f"“{info.title}” has no log “{log}”; there are {', '.join(names)}")
        recut = {c.exchange_id for c in catalogue.corrections(fight_id) if c.in_us is not None}
        items = [
            item
            for item in catalogue.exchanges(fight_id)
            if (item.log_file == log if log is not None else not item.second_opinion)
        ]
        chosen = [with_exact_span(item) if item.id in recut else item.exchange for item in items]
        spans = [
            None if item.in_us is None or item.out_us is None else (item.in_us, item.out_us) for item in items
        ]
        marks = [m.mark for m in catalogue.marks_of(fight_id) if log is None or m.log_file == log]
        return logs.write_log(chosen, info, form, vocabulary=self._desk.vocabulary, spans=spans, marks=marks)
