"""Looking a library over and mending it: footage, clips, working copies, reels, derived files, leftovers.

What can be made again from fight folders and footage is; what cannot is said. By default files are looked at
by name and size; `deep` reads every byte that the library made and compares it with what was noted then.
"""

from __future__ import annotations

import json
import shutil
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from cliplib.catalogue.care import KeptFile
from cliplib.catalogue.rows import FightRow
from cliplib.core.errors import BusyError, ClipLibError, FightFolderError
from cliplib.core.progress import Progress, silent
from cliplib.fightfolder.reading import read_fight_folder
from cliplib.ingest import cut as ingest_cut
from cliplib.ingest import live
from cliplib.ingest.cut import CLIPS, POSTERS, WORKING
from cliplib.ingest.footage import FootageFinder
from cliplib.ingest.ingest import LOCK, Ingest
from cliplib.ingest.lock import only_one
from cliplib.library.desk import Desk
from cliplib.library.making.outside import parts_elsewhere
from cliplib.library.making.reelmaker import ReelMaker
from cliplib.media import ffmpeg
from cliplib.media.probe import fingerprint
from cliplib.media.working import table_timeline

_ROOM = 1 << 30
_DERIVED = ("index", "columns", "looking", "cache")


@dataclass(slots=True)
class Fault:
    """Something wrong. `done`: what was done about it, or empty: it is left."""

    what: str
    done: str = ""

    def __str__(self) -> str:
        return f"{self.what}: {self.done}" if self.done else self.what


@dataclass(slots=True)
class Check:
    """One look over a library. With `repair`, only one at a time, and not beside an ingest (BusyError)."""

    desk: Desk
    reels: ReelMaker
    repair: bool = False
    deep: bool = False
    progress: Progress = silent
    findings: list[Fault] = field(default_factory=list)

    def run(self) -> list[Fault]:
        """Everything found, with what was done about it."""
        self.findings = [
            Fault(f"catalogue: {problem}; restore a backup, or ingest the fight folders into a new library")
            for problem in self._stored()
        ]
        if not self.findings:  # rows that cannot be trusted are no reason to remove a file
            self._strangers()
            self._footage()
            try:
                with only_one(self.desk.folder / LOCK):
                    self._files()
                    self._strays()
            except BusyError:
                if self.repair:
                    raise
                self._say("an ingest is at work: clips, posters and working copies were not looked at")
            self._reels()
            self._derived()
        self._elsewhere()
        self._machine()
        return self.findings

    def _stored(self) -> list[str]:
        """What is wrong with the catalogue; what SQLite finds is enough to look no further."""
        return self.desk.catalogue.care.problems() or self.desk.catalogue.altered(self.progress)

    def _say(self, what: str, done: str = "") -> None:
        self.findings.append(Fault(what, done))

    def _strangers(self) -> None:
        """Rows that name files of other places; nothing follows them, but somebody wrote them."""
        found = [Fault(f"catalogue: {said}") for said in self.desk.catalogue.care.strangers()]
        self.findings += found
        if found and self.repair:
            self.desk.catalogue.care.drop_strangers()
            for finding in found:
                finding.done = "taken out; the next ingest cuts it"

    # --- footage ------------------------------------------------------------------------------------------

    def _footage(self) -> None:
        fights = self.desk.catalogue.fights()
        finder = FootageFinder(self.desk.settings.footage_roots)
        for number, fight in enumerate(fights):
            self.progress("looking at footage", number, len(fights))
            if not fight.folder.is_dir():
                self._say(
                    f"“{fight.title}”: its folder {fight.folder} is gone; the library keeps what it says, "
                    "ingest it from where it is now"
                )
            stored = self.desk.catalogue.footage(fight.id)
            if stored is None:
                continue
            if not stored.path.is_file():
                self._moved(fight, finder)
                continue
            now = stored.path.stat()
            touched = (now.st_size, now.st_mtime_ns) != (stored.size, stored.mtime_ns)
            if touched or self.deep:
                try:
                    same = now.st_size == stored.size and fingerprint(stored.path) == stored.info.fingerprint
                except ClipLibError as error:
                    self._say(f"“{fight.title}”: {error}")
                    continue
                if not same:
                    self._changed(fight, stored.path)
                elif touched and self.repair:
                    self.desk.catalogue.set_footage_place(fight.id, stored.path, now.st_mtime_ns)

    def _moved(self, fight: FightRow, finder: FootageFinder) -> None:
        stored = self.desk.catalogue.footage(fight.id)
        assert stored is not None
        finding = Fault(f"“{fight.title}”: its footage is not at {stored.path}")
        self.findings.append(finding)
        try:
            folder = read_fight_folder(fight.folder, self.desk.settings.footage_roots)
        except FightFolderError:
            return
        located = finder.locate(folder, stored)
        if located.path is None or located.info is None:
            finding.what += "; put it back, or ingest it with the folder where it is now"
        elif located.info.fingerprint != stored.info.fingerprint:
            finding.what += f", and {located.path} is other footage"
            self._again(fight, finding)
        elif self.repair:
            self.desk.catalogue.set_footage_place(fight.id, located.path, located.mtime_ns)
            finding.done = f"found again at {located.path}"
        else:
            finding.what += f" but at {located.path}"

    def _changed(self, fight: FightRow, path: Path) -> None:
        finding = Fault(f"“{fight.title}”: {path} has changed since its clips were cut")
        self.findings.append(finding)
        self._again(fight, finding)

    def _again(self, fight: FightRow, finding: Fault) -> None:
        """Ingest a fight again, as its footage is another."""
        if not self.repair or not fight.folder.is_dir():
            return
        desk = self.desk
        run = Ingest(desk.folder, desk.catalogue, desk.settings, desk.vocabulary, self.progress)
        (report,) = run.run([fight.folder]).fights
        if report.errors:
            finding.what += f"; {report.errors[0]}"
        else:
            finding.done = "ingested again"

    # --- files that rows point to -------------------------------------------------------------------------

    def _files(self) -> None:
        files = self.desk.catalogue.care.files()
        bad: defaultdict[int, list[tuple[KeptFile, str]]] = defaultdict(list)
        seen: set[str] = set()
        for number, kept in enumerate(files):
            if number % 64 == 0:
                self.progress("looking at clips", number, len(files))
            if kept.kind == "working copy" and kept.place in seen:
                continue  # two fights of one footage
            seen.add(kept.place)
            wrong = self._wrong(kept)
            if wrong:
                bad[kept.fight_id].append((kept, wrong))
        for fight_id, some in bad.items():
            self._mend_files(self.desk.catalogue.fight(fight_id), some)

    def _wrong(self, kept: KeptFile) -> str:
        """What is wrong with a file, or empty."""
        path = self.desk.folder / kept.place
        try:
            size = path.stat().st_size
        except OSError:
            return "missing"
        if kept.held is None:
            if kept.kind == "working copy":
                try:
                    table_timeline(path)
                except ClipLibError:
                    return "altered"
            return "empty" if size == 0 else "of contents that nobody noted" if self.deep else ""
        if size != kept.held.size:
            return "altered"
        if self.deep and ingest_cut.contents(path) != kept.held:
            return "altered"
        return ""

    def _mend_files(self, fight: FightRow, bad: list[tuple[KeptFile, str]]) -> None:
        told: defaultdict[tuple[str, str], int] = defaultdict(int)
        for kept, wrong in bad:
            told[kept.kind, wrong] += 1
        found = [
            Fault(f"“{fight.title}”: {_count(count, kind)} {wrong}") for (kind, wrong), count in told.items()
        ]
        self.findings += found
        if not self.repair:
            return
        catalogue, root = self.desk.catalogue, self.desk.folder
        footage = catalogue.footage(fight.id)
        if footage is None or not footage.path.is_file():
            for finding in found:
                finding.what += "; they are cut again when its footage is back"
            return
        stays = _removed(root / kept.place for kept, _ in bad)
        if stays:
            for finding in found:
                finding.what += f"; {stays}"
            return
        try:
            prepared = self.desk.prepared(fight.id, fight.title, self.progress)
            if prepared.sliced != footage.sliced or any(k.kind == "working copy" for k, _ in bad):
                catalogue.set_footage(
                    fight.id,
                    footage.path,
                    prepared.info,
                    prepared.timeline,
                    mtime_ns=footage.mtime_ns,
                    sliced=prepared.sliced,
                    sliced_held=ingest_cut.working_contents(root, prepared.sliced, None),
                    why=prepared.why,
                )
            live.cut_fight(catalogue, root, fight.id, lambda: prepared, self.progress)
        except ClipLibError as error:
            for finding in found:
                finding.what += f"; {error}"
            return
        for finding in found:
            finding.done = "made again"

    # --- files that no row points to ----------------------------------------------------------------------

    def _strays(self) -> None:
        root = self.desk.folder
        rows = {kept.place for kept in self.desk.catalogue.care.files()}
        strays: defaultdict[str, list[Path]] = defaultdict(list)
        for kind in (CLIPS, POSTERS):
            for path in (root / kind).glob("*/*"):
                if path.relative_to(root).as_posix() not in rows and ingest_cut.is_ours(path):
                    name = "clip that nothing points to" if kind == CLIPS else "poster of no clip"
                    strays[name].append(path)
        for path in (root / WORKING).glob("[!.]*"):
            if path.is_file() and path.relative_to(root).as_posix() not in rows:
                strays["working copy that no fight uses"].append(path)
        strays["half-written file"] += ingest_cut.leftovers(root)
        for kind, paths in strays.items():
            if not paths:
                continue
            finding = Fault(_count(len(paths), kind))
            self.findings.append(finding)
            if self.repair:
                stays = _removed(paths, folders=kind == "half-written file")
                if stays:
                    finding.what += f"; {stays}"
                else:
                    finding.done = "removed"
        if self.repair:
            ingest_cut.remove_empty(root)
            self.desk.catalogue.care.scrub()

    # --- reels, and what is derived -----------------------------------------------------------------------

    def _reels(self) -> None:
        for facts in sorted((self.desk.folder / "reels").glob("[!.]*.json")):
            try:
                said = json.loads(facts.read_text(encoding="utf-8"))
                title, size = str(said["title"]), said.get("bytes")
            except (OSError, ValueError, KeyError, TypeError, AttributeError):
                finding = Fault(f"reel {facts.stem}: what it is cannot be read")
                self.findings.append(finding)
                if self.repair:
                    facts.unlink(missing_ok=True)
                    finding.done = "taken off the list; its video, if there is one, stays"
                continue
            film = facts.with_suffix(".mp4")
            now = film.stat().st_size if film.is_file() else -1
            if now == size or (size is None and now > 0):
                continue
            finding = Fault(f"the reel “{title}” is {'missing' if now < 0 else 'altered'}")
            self.findings.append(finding)
            if not self.repair:
                continue
            try:
                film.touch()  # a list entry needs its file
                self.reels.remake_reel(facts.stem, self.progress)
                finding.done = "made again"
            except ClipLibError as error:
                if now <= 0:
                    facts.unlink(missing_ok=True)
                    film.unlink(missing_ok=True)
                    finding.done = f"taken off the list, since it cannot be made again ({error})"
                else:
                    finding.what += f"; {error}"

    def _derived(self) -> None:
        for name in _DERIVED:
            path = self.desk.folder / name
            if path.is_file():
                finding = Fault(f"{path} is a file where a folder belongs")
                self.findings.append(finding)
                if self.repair and not (stays := _removed([path])):
                    finding.done = "removed; what belongs there is made anew"
                elif self.repair:
                    finding.what += f"; {stays}"
        for what in self.desk.search.astray():
            finding = Fault(what)
            self.findings.append(finding)
            if self.repair:
                self.desk.search.rebuild(self.progress)
                finding.done = "made again"

    def _elsewhere(self) -> None:
        """What somebody was killed at while it was written outside the library; it can hold any name."""
        for path in parts_elsewhere(self.desk.folder):
            finding = Fault(f"{path} is what a killed backup, restore or reel left half-written")
            self.findings.append(finding)
            if self.repair:
                stays = _removed([path], folders=True)
                finding.done = "" if stays else "removed"
                finding.what += f"; {stays}" if stays else ""
        if self.repair:
            parts_elsewhere(self.desk.folder)  # notes of what is gone now go too

    def _machine(self) -> None:
        missing = ffmpeg.capabilities().missing
        if missing:
            self._say(f"{ffmpeg.binary()} lacks {', '.join(missing)}; some footage cannot be prepared")
        free = shutil.disk_usage(self.desk.folder).free
        if free < _ROOM:
            self._say(f"only {free >> 20} MB are free where the library is")


_PLURAL = {
    "clip": "clips",
    "poster": "posters",
    "working copy": "working copies",
    "clip that nothing points to": "clips that nothing points to",
    "poster of no clip": "posters of no clip",
    "working copy that no fight uses": "working copies that no fight uses",
    "half-written file": "half-written files",
}


def _removed(paths: Iterable[Path], *, folders: bool = False) -> str:
    """Remove files; empty, or what is in the way of removing one: a folder of that name, or rights.
    `folders`: those too, with all that is in them."""
    stays = ""
    for path in paths:
        try:
            if folders:
                ingest_cut.take_away([path])
            else:
                path.unlink(missing_ok=True)
        except OSError as error:
            stays = f"{path} cannot be removed ({error.strerror or error}); move it away and check again"
    return stays


def _count(count: int, what: str) -> str:
    return f"1 {what}" if count == 1 else f"{count} {_PLURAL[what]}"
