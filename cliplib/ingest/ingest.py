"""From fight folders to a library: read, compare with what is stored, store, cut.

Two passes. The first reads every fight folder and stores what its logs say, so that all of it can be found
within seconds; the second cuts clips, which can take long, and knows from the start how many there are.
Everything is safe to interrupt at any moment: run it again and it goes on where it stopped.
"""

from __future__ import annotations

import errno
import hashlib
import os
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from importlib import resources
from pathlib import Path

from cliplib.catalogue.catalogue import Catalogue
from cliplib.catalogue.rows import NewExchange, NewMark
from cliplib.core.errors import (
    Cancelled,
    ClipLibError,
    FightFolderError,
    LogError,
    Problem,
    StorageError,
)
from cliplib.core.models import Settings
from cliplib.core.progress import Progress, silent
from cliplib.core.version import __version__
from cliplib.fightfolder.reading import FightFolder, find_fight_folders, read_fight_folder
from cliplib.ingest import cut as ingest_cut
from cliplib.ingest.correct import with_corrections
from cliplib.ingest.cut import CutWork
from cliplib.ingest.footage import FootageFinder, Located, missing
from cliplib.ingest.live import deriver
from cliplib.ingest.lock import only_one
from cliplib.ingest.plan import ToCut, beyond, plan_cuts, plan_span
from cliplib.ingest.report import FightReport, IngestReport
from cliplib.logs import read_log
from cliplib.media.probe import Probe
from cliplib.media.versions import fault, told
from cliplib.media.working import prepare
from cliplib.relations import deriving
from cliplib.vocabulary import Vocabulary

LOCK = "ingest.lock"

_ALL_OVER = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.ENOMEM, errno.EMFILE, errno.ENFILE)

_SKIPPED = "+skipped"  # ends the digest of a fight that was stored without its bad rows


@dataclass(slots=True)
class _Fight:
    """A fight folder on its way through an ingest."""

    folder: FightFolder
    report: FightReport
    located: Located = field(default_factory=Located)
    work: CutWork | None = None


@dataclass(slots=True)
class Ingest:
    """One run over the library in the folder `root`."""

    root: Path
    catalogue: Catalogue
    settings: Settings
    vocabulary: Vocabulary
    progress: Progress = silent

    def run(self, paths: Sequence[Path], *, cut: bool = True, skip_bad_rows: bool = False) -> IngestReport:
        """Bring the fights at `paths` into the library.

        What is wrong with a fight is in its report, and the others go on. Raises FightFolderError if a path
        holds no fight, BusyError if another ingest runs, StorageError if the disk is full or read-only, and
        Cancelled; what was done until then stays.
        """
        began = time.monotonic()
        folders, extra = self._sort_paths(paths)
        with only_one(self.root / LOCK):
            try:
                ingest_cut.sweep_leftovers(self.root)
                finder = FootageFinder((*self.settings.footage_roots, *extra))
                reports, fights = self._tell_apart(folders)
                for number, fight in enumerate(fights):
                    self.progress("reading logs", number, len(fights))
                    self._guarded(fight, partial(self._try_read, fight, finder, skip_bad_rows))
                self.progress("reading logs", len(fights), len(fights))
                self._cut_all(fights, cut)
                if not any(report.errors for report in reports):
                    ingest_cut.sweep_working(self.root, self.catalogue.sliced_files())
            except OSError as error:
                raise _storage_error(error, self.root) from error
            self.catalogue.care.settle()  # reported done means safe from a power cut
            vanished = tuple(
                (title, folder)
                for _, title, _, folder, _ in self.catalogue.fight_keys()
                if not folder.is_dir()
            )
        return IngestReport(tuple(reports), vanished, time.monotonic() - began)

    # --- which fights -------------------------------------------------------------------------------------

    def _sort_paths(self, paths: Sequence[Path]) -> tuple[list[Path], list[Path]]:
        """(fight folders, further places to look for footage).

        A path without a fight is a place for footage, if there is any fight it could belong to: then those
        whose footage is not where it was are taken along.
        """
        folders: dict[Path, None] = {}
        extra: list[Path] = []
        for path in paths:
            found = [] if path.is_file() and path.name != "fight.toml" else find_fight_folders(path)
            folders.update((folder.resolve(), None) for folder in found)
            if path.is_dir() or not found:
                extra.append(path.resolve())
            if not found:
                lacking = [f for f in self.catalogue.fights() if f.footage is None or not f.footage.exists()]
                known = [f.folder for f in lacking if f.folder.is_dir()]
                if not known:
                    raise FightFolderError(
                        f"{path}: there is no fight.toml in there; give a fight folder, or a folder of them"
                    )
                folders.update((folder, None) for folder in known)
        return list(folders), extra

    def _tell_apart(self, folders: Iterable[Path]) -> tuple[list[FightReport], list[_Fight]]:
        """Read every fight.toml. Title and date tell fights apart; where they do not, nothing is touched."""
        reports: list[FightReport] = []
        fights: list[_Fight] = []
        same: defaultdict[tuple[str, str], list[_Fight]] = defaultdict(list)
        for folder in folders:
            report = FightReport(folder, title=folder.name)
            reports.append(report)
            try:
                fight = _Fight(read_fight_folder(folder, self.settings.footage_roots), report)
            except FightFolderError as error:
                report.fail(error)
                continue
            except Exception as mistake:  # noqa: BLE001 - as in `_guarded`
                report.fail(fault(told(mistake), folder))
                continue
            report.title = fight.folder.info.title
            fights.append(fight)
            same[_identity(fight.folder)].append(fight)
        stored = {(title, date or ""): (i, place) for i, title, date, place, _ in self.catalogue.fight_keys()}
        for identity, alike in same.items():
            places = [fight.folder.folder for fight in alike]
            known = stored.get(identity)
            if known and known[1] not in places and _still_holds(known[1], identity):
                places.append(known[1])
            if len(places) > 1:
                for fight in alike:
                    others = ", ".join(str(p) for p in places if p != fight.folder.folder)
                    when = f" of {identity[1]}" if identity[1] else ""
                    fight.report.fail(
                        FightFolderError(
                            f"{fight.folder.folder / 'fight.toml'}: “{identity[0]}”{when} is also in "
                            f"{others}; give one of them another title or date, or remove one"
                        )
                    )
        return reports, [fight for fight in fights if not fight.report.errors]

    # --- pass one: what the logs say ----------------------------------------------------------------------

    def _try_read(self, fight: _Fight, finder: FootageFinder, skip_bad_rows: bool) -> None:
        try:
            self._read(fight, finder, skip_bad_rows)
        except OSError as error:  # the library's own files raise StorageError
            place = error.filename or fight.folder.folder
            raise FightFolderError(f"{place}: cannot be read: {error.strerror or error}") from error

    def _read(self, fight: _Fight, finder: FootageFinder, skip_bad_rows: bool) -> None:
        folder, report = fight.folder, fight.report
        title, date = _identity(folder)
        fight_id = self.catalogue.fight_of(title, date, folder.folder)
        row = self.catalogue.fight(fight_id) if fight_id is not None else None
        stored = self.catalogue.footage(row.id) if row else None
        located = fight.located = finder.locate(folder, stored)
        report.footage = located.path
        digest = self._digest(folder, located)
        accepted = {digest, digest + _SKIPPED} if skip_bad_rows else {digest}
        stale = False  # what the library's own logs of the fight come to
        if row is not None and row.digest in accepted:
            report.fight_id = row.id
            report.exchanges = row.exchanges
            if row.folder != folder.folder:
                self.catalogue.set_folder(row.id, folder.folder, row.digest)
        else:
            exchanges, marks, problems = self._read_logs(folder, located, report)
            if problems and not skip_bad_rows:
                raise LogError(tuple(problems))
            report.skipped = tuple(problems)
            if row is not None:
                kept = self.catalogue.corrections(row.id)
                exchanges = with_corrections(exchanges, kept, folder.info, self.settings, self.vocabulary)
            change = self.catalogue.replace_fight(
                folder.info,
                exchanges,
                marks,
                folder=folder.folder,
                digest=digest + (_SKIPPED if problems else ""),
                fight_id=row.id if row else None,
            )
            stale = True
            report.fight_id = change.fight_id
            report.exchanges = len(change.exchange_ids)
            report.exchanges_added = change.added
            report.exchanges_changed = change.changed
            report.exchanges_removed = change.removed
            if change.new_fight or change.anything:
                report.did("added" if change.new_fight else "changed")
        if not located.same and located.path and located.info and located.timeline:
            if stored and stored.info == located.info:
                self.catalogue.set_footage_place(report.fight_id, located.path, located.mtime_ns)
            else:
                self.catalogue.set_footage(
                    report.fight_id, located.path, located.info, located.timeline, mtime_ns=located.mtime_ns
                )
                report.did("changed")
                stale = True
        if again := self.catalogue.unknown_views(report.fight_id):
            count = f"{again} exchanges lie" if again > 1 else "1 exchange lies"
            report.why.append(
                f"{count} in a replay of something that is not logged, and counts nowhere: log the moment "
                "itself, or say with “of” in the [[part]] when it was"
            )
        if stale:
            derive = deriver(self.catalogue, report.fight_id, self.settings, self.vocabulary)
            self.catalogue.live.rederive(report.fight_id, derive)
        if located.error is not None:
            report.fail(located.error)

    def _read_logs(
        self, folder: FightFolder, located: Located, report: FightReport
    ) -> tuple[list[NewExchange], list[NewMark], list[Problem]]:
        exchanges: list[NewExchange] = []
        marks: list[NewMark] = []
        problems: list[Problem] = []
        film_us = located.timeline.duration_us if located.timeline is not None else None
        for number, (source, path) in enumerate(zip(folder.info.logs, folder.log_files, strict=True)):
            label = f"{folder.folder.name}/{source.file}"
            reading = read_log(
                path, folder.info, self.vocabulary, self.settings, file_label=label, film_us=film_us
            )
            problems += reading.problems
            report.why += reading.remarks
            marks += [NewMark(mark, number) for mark in reading.marks]
            for exchange in reading.exchanges:
                derived = deriving.derive(exchange, folder.info, self.settings, self.vocabulary)
                span = plan_span(derived, folder.info, self.settings) or (None, None)
                exchanges.append(NewExchange(derived, number, *span))
        return exchanges, marks, problems

    def _digest(self, folder: FightFolder, located: Located) -> str:
        """Of all that decides what is stored: if it is the same, there is nothing to read."""
        said = hashlib.blake2b(digest_size=16)
        s = self.settings
        parts: list[object] = [__version__, folder.digest, located.info.fingerprint if located.info else ""]
        parts += [s.lead_in_us, s.follow_through_us, s.clamp_to_round, s.action_length_us, s.exchange_gap_us]
        parts += [s.counter_window_us, s.naked_window_us, s.number_profile]
        said.update(repr(parts).encode())
        said.update(self._terms())
        for path in folder.log_files:
            # What is not a file (a pipe, say) is not waited for; reading the log will say so.
            if path.is_file():
                with path.open("rb") as log:
                    said.update(hashlib.file_digest(log, "sha256").digest())
        return said.hexdigest()

    def _terms(self) -> bytes:
        """The vocabulary as it stands in its files: logs are read again when words change their meaning."""
        own = self.root / "terms.toml"
        shipped = resources.files("cliplib.vocabulary").joinpath("terms.toml").read_bytes()
        return shipped + (own.read_bytes() if own.is_file() else b"")

    # --- pass two: cutting --------------------------------------------------------------------------------

    def _cut_all(self, fights: Sequence[_Fight], cut: bool) -> None:
        ready = [fight for fight in fights if fight.report.fight_id is not None]
        for fight in ready:
            self._guarded(fight, partial(self._plan, fight))
        total = sum(len(f.work.jobs) for f in ready if f.work and cut and f.located.path)
        done = 0
        for fight in ready:
            if fight.work is None:
                self._guarded(fight, partial(self._say_missing, fight))
                continue
            jobs = len(fight.work.jobs)
            if cut and jobs and fight.located.path is not None:
                self._guarded(fight, partial(self._cut, fight, done, total))
                done += jobs
            else:
                fight.report.waiting = jobs
                self._guarded(fight, partial(self._say_missing, fight))
            self._guarded(fight, partial(self._say_outside, fight))
            self._guarded(fight, partial(self._sweep, fight.work, fight.report))

    def _sweep(self, work: CutWork, report: FightReport) -> None:
        """Take away what no exchange of the fight is any more."""
        if work.gone:
            self.catalogue.remove_clips(work.gone)
        clips = self.catalogue.clips(work.fight_id)
        report.clips_removed = ingest_cut.sweep_fight(self.root, work.fight_id, clips)

    def _plan(self, fight: _Fight) -> None:
        fight_id, located = fight.report.fight_id, fight.located
        assert fight_id is not None
        wanted = [
            ToCut(item.id, item.exchange, item.in_us, item.out_us)
            for item in self.catalogue.exchanges(fight_id)
            if item.in_us is not None and item.out_us is not None
        ]
        if located.timeline is None or located.info is None:
            fight.report.waiting = len(wanted)
            return
        jobs = plan_cuts(wanted, fight.folder.info, located.timeline, located.info.fingerprint)
        fight.work = ingest_cut.work_to_do(
            self.root, fight_id, fight.folder.info.title, jobs, self.catalogue.clips(fight_id)
        )

    def _say_missing(self, fight: _Fight) -> None:
        if fight.report.waiting and fight.located.path is None and fight.located.error is None:
            fight.report.why.append(missing(fight.folder))

    def _say_outside(self, fight: _Fight) -> None:
        """What is described, but not on the film."""
        timeline = fight.located.timeline
        if timeline is None or fight.work is None:
            return
        told = [item.exchange for item in self.catalogue.exchanges(fight.work.fight_id)]
        outside = [e for e in told if (e.end_us is not None and e.end_us < 0) or beyond(e, timeline)]
        if outside:
            count = f"{len(outside)} exchanges lie" if len(outside) > 1 else "1 exchange lies"
            fight.report.why.append(f"{count} before or after what the film shows, and cannot be cut")

    def _cut(self, fight: _Fight, before: int, total: int) -> None:
        located, report = fight.located, fight.report
        assert fight.work is not None
        assert located.path is not None
        assert located.info is not None
        assert located.timeline is not None
        probe = Probe(located.path, located.info, located.timeline)
        prepared = prepare(probe, self.root / ingest_cut.WORKING, self.progress)
        self.catalogue.set_footage(
            fight.work.fight_id,
            located.path,
            prepared.info,
            prepared.timeline,
            mtime_ns=located.mtime_ns,
            sliced=prepared.sliced,
            sliced_held=ingest_cut.working_contents(
                self.root, prepared.sliced, self.catalogue.footage(fight.work.fight_id)
            ),
            why=prepared.why,
        )
        if (
            prepared.timeline is not located.timeline
        ):  # decoding showed other frames than the packets promised
            fight.located = replace(located, info=prepared.info, timeline=prepared.timeline)
            self._plan(fight)
        done = ingest_cut.carry_out(
            self.catalogue, self.root, fight.work, prepared, self.progress, before, total
        )
        report.cut.update(done.how)
        report.why += [why for why in (prepared.why, *done.why) if why]
        report.did("changed")

    def _guarded(self, fight: _Fight, step: Callable[[], None]) -> None:
        """Run one fight's step; what is wrong with that fight, or with us, stops that fight only."""
        try:
            step()
        except (Cancelled, StorageError):
            raise
        except ClipLibError as error:
            fight.report.fail(error)
        except OSError as error:
            if self._concerns_all(error):
                raise
            place = error.filename or fight.folder.folder
            fight.report.fail(
                FightFolderError(f"{place}: {error.strerror or error}; see to it, then ingest again")
            )
        except Exception as mistake:  # noqa: BLE001 - a stranger's film can bring out any mistake of ours
            fight.report.fail(fault(told(mistake), fight.folder.folder))

    def _concerns_all(self, error: OSError) -> bool:
        """Whether it is the library's disk, and no other fight would fare better."""
        if error.errno in _ALL_OVER:
            return True
        return error.filename is not None and Path(os.fsdecode(error.filename)).is_relative_to(self.root)


def _identity(folder: FightFolder) -> tuple[str, str]:
    date = folder.info.date
    return folder.info.title, date.isoformat() if date else ""


def _still_holds(folder: Path, identity: tuple[str, str]) -> bool:
    """Whether the fight is still in the folder it was read from, and has not merely moved."""
    try:
        return _identity(read_fight_folder(folder)) == identity
    except FightFolderError:
        return False


def _storage_error(error: OSError, root: Path) -> StorageError:
    name = error.filename or root
    hint = (
        "free some space" if error.errno in (errno.ENOSPC, errno.EDQUOT) else "check the disk and your rights"
    )
    return StorageError(f"{name}: {error.strerror or error}; {hint}, then run this again to go on")
