"""Breakdowns kept in the library: a folder each, with the document, what is remembered of its shots and
counts, the takes, and the film with all that lies beside it."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from pathlib import Path

from cliplib.breakdowns import document as documents
from cliplib.breakdowns import editing
from cliplib.breakdowns.counts import Recounts, recounted
from cliplib.breakdowns.document import Breakdown, Link, Point
from cliplib.breakdowns.film import (
    FilmPlan,
    FilmReport,
    PointFilm,
    Style,
    build_film,
    read_looks,
    style_of,
    words_on,
)
from cliplib.breakdowns.folder import pack_folder, write_beside, write_folder
from cliplib.breakdowns.links import clips_in
from cliplib.breakdowns.plan import FilmShot
from cliplib.breakdowns.shots import Notes, ShotRecord, read_notes, write_notes
from cliplib.breakdowns.take import Take
from cliplib.core.errors import BusyError, ClipLibError, InputError, NotFoundError
from cliplib.core.models import JSON
from cliplib.core.progress import Progress, silent
from cliplib.library.desk import Desk
from cliplib.library.evidence.evidence import Evidence
from cliplib.library.filmlock import showing
from cliplib.library.finding.finding import Finding
from cliplib.library.making.breakdownfiles import (
    BESIDE,
    FILM,
    FOLDER,
    NOTES,
    PACKED,
    TAKES,
    TEXT,
    beside_of,
    shown,
    text_of,
)
from cliplib.library.making.breakdownputs import Put, Puts, SolvedElsewhere
from cliplib.library.making.breakdownshots import Resolved, ShotFinder
from cliplib.library.making.breakdownview import Outline, outline, phrases_of
from cliplib.library.making.reelmaker import ReelMaker
from cliplib.library.making.takes import PointTakes
from cliplib.library.making.talking import OF_CLIPS, TalkShot, shots_of_point, shots_of_take
from cliplib.media.files import replacing
from cliplib.reels.theme_reading import Look

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,79}")
_CHANGED = "“{}” was changed meanwhile; look at it again, then change that"


@dataclass(frozen=True, slots=True)
class BreakdownFile:
    """A breakdown of the library. `keys`: (key, heading) of its points. `film`: None until it is built;
    `beside`: files that came out with it; `older`: the text was changed since. `private`: it shows a private
    fight, or tells of one. `seen`: of the text, to say when it is changed what one has changed. `takes`:
    recordings of all points. `problem`: why it cannot be read, else empty."""

    name: str
    title: str
    keys: tuple[tuple[str, str], ...]
    film: Path | None
    beside: tuple[Path, ...]
    text: Path
    private: bool
    seen: str
    older: bool = False
    takes: int = 0
    problem: str = ""

    @property
    def points(self) -> tuple[str, ...]:
        """Their headings."""
        return tuple(heading for _, heading in self.keys)

    def as_json(self) -> JSON:
        return {
            "name": self.name,
            "title": self.title,
            "points": list(self.points),
            "film": str(self.film) if self.film else None,
            "beside": [str(path) for path in self.beside],
            "text": str(self.text),
            "private": self.private,
        }


@dataclass(frozen=True, slots=True)
class ShotFault:
    """A shot that is missing, or is not as it was noted."""

    point: str
    label: str
    target: str
    line: int
    said: str

    def as_json(self) -> JSON:
        return {
            "point": self.point, "label": self.label, "target": self.target, "line": self.line,
            "said": self.said,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found. `problems`: what is wrong in the document; `kept`: what it holds that means nothing
    here; `updated`: texts that were changed, and shots that were noted anew, as was asked."""

    name: str
    problems: tuple[str, ...]
    kept: tuple[str, ...]
    recounts: Recounts
    shots: tuple[ShotFault, ...]
    takes: tuple[str, ...]
    updated: tuple[str, ...] = ()

    @property
    def well(self) -> bool:
        """Nothing is wrong, missing or otherwise than it was written."""
        counts, held = self.recounts.counts, self.recounts.comparisons
        return not (
            self.problems
            or self.shots
            or self.takes
            or any(one.drift or one.problem for one in counts)
            or any(one.holds is not True for one in held)
        )

    def as_json(self) -> JSON:
        return {
            "name": self.name,
            "well": self.well,
            "problems": list(self.problems),
            "kept": list(self.kept),
            "counts": [one.as_json() for one in self.recounts.counts],
            "comparisons": [one.as_json() for one in self.recounts.comparisons],
            "shots": [one.as_json() for one in self.shots],
            "takes": list(self.takes),
            "updated": list(self.updated),
        }


class Breakdowns:
    """`library.making.breakdowns`."""

    def __init__(self, desk: Desk, finding: Finding, evidence: Evidence, maker: ReelMaker):
        self._desk, self._finding, self._evidence, self._maker = desk, finding, evidence, maker
        self.folder = desk.folder / FOLDER
        self.puts = Puts(finding, evidence, lambda: self._finder(silent))

    # --- documents ----------------------------------------------------------------------------------------

    def all(self) -> list[BreakdownFile]:
        """Every breakdown that may be seen, by name; one that cannot be read says why."""
        names = sorted(path.parent.name for path in self.folder.glob(f"*/{TEXT}"))
        found = []
        for name in names:
            if _NAME.fullmatch(name) and self._may_see(name):
                try:
                    found.append(self._file(name))
                except (OSError, InputError) as problem:
                    text = self.folder / name / TEXT
                    found.append(
                        BreakdownFile(name, name, (), None, (), text, True, "", problem=self._told(problem))
                    )
        return found

    def one(self, name: str) -> BreakdownFile:
        """NotFoundError if there is none of that name."""
        self._place(name)
        return self._file(name)

    def text(self, name: str) -> str:
        """The document, byte for byte (what is no UTF-8 is kept as surrogates)."""
        return text_of(self._place(name))

    def read(self, name: str) -> Breakdown:
        """The document as it is understood."""
        return documents.read(self.text(name))

    def new(self, title: str, phrase: str = "") -> str:
        """A breakdown to begin with, of a title and perhaps a phrase; its name."""
        title = " ".join(title.split())
        if not title:
            raise InputError("a breakdown needs a title; say what it is about")
        text = self._beginning(title, phrase)
        return self.put(None, text)

    def put(self, name: str | None, text: str, *, seen: str | None = None, typed: bool = False) -> str:
        """Keep a document's text as it is and return its name. `name` None: a new one, named after its title.
        `seen`: of the text that was changed; BusyError if somebody else changed it meanwhile. `typed`: its
        lines end as a browser has them; they get the ends that the text had. A point whose heading alone
        changed keeps its takes. What is wrong in it is for `check` to say."""
        self._desk.catalogue.must_write()
        there = None if name is None else text_of(self._place(name))
        if there is not None and seen is not None and seen != _seen(there):
            raise BusyError(_CHANGED.format(name))
        if there is not None and typed:
            text = editing.with_ends_of(text, there)
        document, data = documents.read(text), _encoded(text)
        name = name or self._free_name(document.title)
        place = self.folder / name
        if there is not None:
            self._move_takes(place, documents.read(there), document)
        try:
            notes = read_notes(place / NOTES)
        except InputError:  # they stay as they are, and the outline says so
            notes = None
        with replacing(place / TEXT) as temporary:
            temporary.write_bytes(data)
        if notes is not None:
            write_notes(place / NOTES, self._remembered(document, notes))
        return name

    def remove(self, name: str) -> None:
        """Throw a breakdown away for good, with its takes and its film; clips stay."""
        place = self._place(name)
        self._desk.catalogue.must_write()
        shutil.rmtree(place)

    # --- honest -------------------------------------------------------------------------------------------

    def check(self, name: str, *, update: bool = False) -> Checked:
        """Recount every count and look for every shot. `update`: write the counts as they are now into the
        text, and take shots as they are cut now; else nothing is changed."""
        place, document = self._place(name), self.read(name)
        if update:
            self._desk.catalogue.must_write()
        notes, finder = read_notes(place / NOTES), self._finder(silent)
        recounts = recounted(document, finder.count, notes.counts)
        shots = tuple(self._shot_faults(document, notes, finder))
        _, problems = self._style(document)
        updated: list[str] = []
        if update:
            updated = self._update(name, document, recounts, shots, finder)
        elif not (
            self._desk.hiding.active or self._desk.catalogue.read_only
        ):  # what was written by another editor is remembered from now on
            remembered = self._remembered(document, notes, finder)
            if remembered != notes:
                write_notes(place / NOTES, remembered)
        return Checked(
            name,
            (*map(str, document.problems), *problems),
            tuple(map(str, document.notes)),
            recounts,
            shots,
            (*self._stray(place, document), *self._take_notes(place, document)),
            tuple(updated),
        )

    def _update(
        self,
        name: str,
        document: Breakdown,
        recounts: Recounts,
        shots: Sequence[ShotFault],
        finder: ShotFinder,
    ) -> list[str]:
        place = self._place(name)
        text = documents.with_texts(document, recounts.texts)
        notes = self._remembered(documents.read(text), Notes(), finder)
        before = read_notes(place / NOTES)
        # What is nowhere any more stays noted: it may come back, and it is named until then.
        kept = {target: some for target, some in before.shots.items() if target not in notes.shots}
        with replacing(place / TEXT) as temporary:
            temporary.write_bytes(text.encode("utf-8", "surrogateescape"))
        write_notes(place / NOTES, replace(notes, shots={**kept, **notes.shots}))
        said = [f"{link.line}: {link.text} is {now} now" for link, now in recounts.texts.items()]
        taken = [f"{s.line}: “{s.label}” is as it is cut now" for s in shots if s.target in notes.shots]
        return said + taken

    def _shot_faults(self, document: Breakdown, notes: Notes, finder: ShotFinder) -> Iterator[ShotFault]:
        for point in document.points:
            for link in point.shots:
                for said in _differences(link, notes.shots.get(link.target, ()), finder):
                    yield ShotFault(point.heading, link.text, link.target, link.line, said)

    def _stray(self, place: Path, document: Breakdown) -> Iterator[str]:
        """Takes of points that are not there any more, a sentence each."""
        keys = {point.key for point in document.points}
        for folder in sorted((place / TAKES).iterdir()) if (place / TAKES).is_dir() else ():
            if folder.name not in keys and folder.is_dir() and any(folder.iterdir()):
                yield (
                    f"takes are kept for “{folder.name}”, and no point has that heading; give a point that "
                    "heading, or remove them"
                )

    def _take_notes(self, place: Path, document: Breakdown) -> Iterator[str]:
        """What is to be said of the takes that are used."""
        for point in document.points:
            take = self.takes_of(place, point.key).chosen()
            for note in take.notes if take else ():
                yield f"{point.heading}: {note}"

    def _told(self, problem: Exception) -> str:
        """What went wrong with a file, without where the library lies."""
        return str(problem).replace(f"{self.folder}/", "")

    # --- as pages show it -----------------------------------------------------------------------------------

    def outline(self, name: str, text: str | None = None) -> Outline:
        """The points as they are shown, with everything counted anew; nothing is written. `text`: in place of
        the document's, before it is kept. What cannot be shown says why, and the rest is there."""
        place = self._place(name)
        text = shown(text_of(place) if text is None else text)
        document = documents.read(text)
        try:
            notes, problems = read_notes(place / NOTES), []
        except InputError as problem:
            notes, problems = Notes(), [self._told(problem)]
        finder = self._finder(silent)
        return outline(
            text,
            document,
            recounted(document, finder.count, notes.counts),
            notes,
            finder,
            {point.key: self.takes_of(place, point.key) for point in document.points},
            [*problems, *self._style(document)[1]],
            list(self._stray(place, document)),
            _differences,
        )

    def chart(self, target: str) -> bytes:
        """What a picture link shows, as SVG. InputError for one that cannot be drawn."""
        try:
            return self._finder(silent).chart(target, "svg")
        except ValueError as problem:
            raise InputError(str(problem)) from problem

    def insert(self, name: str, point: str, put: Put, *, seen: str | None = None) -> str:
        """Put shots or a sentence into a point, by its key, and keep the text; what it is seen as now."""
        before = text = self.text(name)
        if seen is not None and seen != _seen(before):
            raise BusyError(_CHANGED.format(name))
        for link in put.links:
            change = editing.with_shot if put.shot else editing.with_sentence
            text = change(documents.read(text), point, link)
        self.put(name, text, seen=_seen(before))
        return _seen(text)

    def elsewhere(self, name: str, point: str, phrase: str = "") -> SolvedElsewhere:
        """What beat a phrase of a point, the first if none is said, in other fights: the same stance match
        first, then the surest. InputError if there is no phrase."""
        found = self.read(name).point(point)
        if found is None:
            raise NotFoundError(f"“{name}” has no point “{point[:60]}”")
        phrases = dict(phrases_of(found))
        phrase = phrase or next(iter(phrases), "")
        if not phrase:
            raise InputError("this point counts and finds nothing yet; say what is to be beaten")
        return self.puts.elsewhere(phrase, phrases.get(phrase, ""), found)

    def in_order(self, text: str, order: Sequence[int]) -> str:
        """A text with its points in another order, by their numbers from 0; nothing is kept."""
        return editing.in_order(documents.read(text), order)

    # --- film ---------------------------------------------------------------------------------------------

    def build(self, name: str, progress: Progress = silent) -> FilmReport:
        """Make the film and all that lies beside it, in the breakdown's folder. What is missing is said in
        the report's notes, and the rest is built. Raises as `film.build_film` does."""
        with showing(self._desk.folder):
            return self._build(name, progress)[0]

    def bundle(self, name: str, folder: Path, progress: Progress = silent) -> tuple[str, ...]:
        """Build it, and write a folder that plays in a browser without the library; the names in it."""
        with showing(self._desk.folder):
            self._maker.check_out(folder / "index.html" if folder.is_dir() else folder)
            report, plan, beside = self._build(name, progress)
            return write_folder(self.read(name), plan, report.out, beside, folder, progress)

    def pack(self, name: str, progress: Progress = silent) -> Path:
        """Build it, and write the same folder into one ZIP file, which lies beside the film until the next is
        built."""
        with showing(self._desk.folder):
            report, plan, beside = self._build(name, progress)
            out = self._place(name) / PACKED
            pack_folder(self.read(name), plan, report.out, beside, out, name, progress)
            _note_beside(self._place(name), (*beside, out))
            return out

    def _build(self, name: str, progress: Progress) -> tuple[FilmReport, FilmPlan, tuple[Path, ...]]:
        place, document = self._place(name), self.read(name)
        self._desk.catalogue.must_write()
        finder = self._finder(progress)
        style, problems = self._style(document)
        notes = read_notes(place / NOTES)
        points, records = [], dict(notes.shots)
        for point in document.points:
            film, found = self._point(place, point, style, notes, finder, self._looks(document)[0])
            points.append(film)
            records |= found
        recounts = recounted(document, finder.count, notes.counts)
        # Before there is a film: whoever forgets a fight must know that it is shown.
        shown = {target: some for target, some in records.items() if some}
        write_notes(place / NOTES, replace(notes, shots=shown))
        cache = self._desk.cache
        report, plan = build_film(document.title, points, style, place / FILM, cache, progress)
        beside, said = write_beside(document, plan, recounts, place, cache / "parts", progress)
        (place / PACKED).unlink(missing_ok=True)  # of the film before
        _note_beside(place, beside)
        counts = [
            f"line {one.link.line}: {one.sentence}" for one in recounts.counts if one.drift or one.problem
        ]
        wrong = [str(problem) for problem in document.problems]
        report = replace(report, notes=(*wrong, *problems, *report.notes, *counts, *said))
        return report, plan, beside

    def _point(
        self,
        place: Path,
        point: Point,
        style: Style,
        notes: Notes,
        finder: ShotFinder,
        whole: Sequence[Look],
    ) -> tuple[PointFilm, dict[str, tuple[ShotRecord, ...]]]:
        own, problems = self._looks_of(point)
        captions, joins, mix = words_on(style, own)
        resolved = [
            finder.shots(link, notes.shots.get(link.target, ()), [*whole, *own]) for link in point.shots
        ]
        said = [f"{point.heading}: “{one.link.text}”: {one.problem}" for one in resolved if one.problem]
        take = self.takes_of(place, point.key).chosen()
        shots = tuple(shot for one in resolved for shot in one.shots if shot.panes or shot.still)
        if take is not None and take.samples:
            shots = tuple(self._shot_of_take(take, n, resolved, finder) for n in range(len(take.shots)))
        sentences = tuple(text for paragraph in point.script for text, _ in paragraph.sentences())
        film = PointFilm(
            point.key, point.heading, shots, take, captions, joins, mix, sentences, (*said, *problems)
        )
        return film, {one.link.target: one.records for one in resolved if one.records}

    def _shot_of_take(
        self, take: Take, number: int, resolved: Sequence[Resolved], finder: ShotFinder
    ) -> FilmShot:
        """By its frames, with the label that the document gives it, if it still does."""
        records, still = take.shots[number], take.stills.get(number, "")
        for one in resolved:
            if still and one.link.target == still:
                return one.shots[0]
            for shot, record in zip(one.shots, one.records, strict=False):
                if records and (record.fingerprint, record.first, record.last) == (
                    records[0].fingerprint, records[0].first, records[0].last,
                ) and len(shot.panes) == len(records):  # fmt: skip
                    return shot
        if still:
            return finder.shots(Link("picture", still, "a chart", "", 0), (), ()).shots[0]
        return finder.of_record(records) if records else FilmShot("a shot that was not there")

    # --- takes --------------------------------------------------------------------------------------------

    def takes(self, name: str, point: str) -> PointTakes:
        """The takes of a point, by its key; NotFoundError if there is no such point."""
        place = self._place(name)
        if self.read(name).point(point) is None:
            raise NotFoundError(f"“{name}” has no point “{point[:60]}”")
        return self.takes_of(place, point)

    def point_named(self, name: str, which: str) -> str:
        """The key of a point by its number from 1, its key or its heading; NotFoundError for none."""
        points = self.read(name).points
        if which.isdecimal() and 0 < int(which[:6]) <= len(points):
            return points[int(which[:6]) - 1].key
        wanted = which.casefold()
        found = [p.key for p in points if wanted in (p.key, p.heading.casefold())]
        found = found or [p.key for p in points if wanted in p.heading.casefold()]
        if len(found) == 1:
            return found[0]
        said = ", ".join(f"{n} “{p.heading}”" for n, p in enumerate(points, 1))
        raise NotFoundError(f"“{which[:60]}” is not one point of “{name}”; there are {said or 'none'}")

    def takes_of(self, place: Path, key: str) -> PointTakes:
        return PointTakes(place / TAKES / key, key, self._desk.catalogue.must_write)

    def begin_take(self, name: str, point: str) -> str:
        """A new take over the point's shots as they are now; its name."""
        shots = self.shots(name, point)
        if not any(shot.records or shot.still for shot in shots):
            raise InputError("this point has no shot to talk over; put a clip into it first")
        stills = {place: shot.still for place, shot in enumerate(shots) if shot.still}
        return self.takes(name, point).begin([shot.records for shot in shots], stills)

    def shots(self, name: str, point: str, take: str = "") -> list[TalkShot]:
        """What a page plays: the point's shots as the text has them now, or those of a take."""
        takes, place = self.takes(name, point), self._place(name)
        found, finder = self.read(name).point(point), self._finder(silent)
        assert found is not None
        if take:
            return shots_of_take(takes.take(take), found.shots, finder)
        return shots_of_point(found, read_notes(place / NOTES).shots, finder)

    # --- what it stands on --------------------------------------------------------------------------------

    def _finder(self, progress: Progress) -> ShotFinder:
        return ShotFinder(self._desk, self._finding, self._evidence, self._maker, progress)

    def _looks(self, document: Breakdown) -> tuple[list[Look], list[str]]:
        return read_looks([(s.text, s.line) for s in document.settings], TEXT, whole=True)

    def _looks_of(self, point: Point) -> tuple[list[Look], list[str]]:
        return read_looks([(s.text, s.line) for s in point.settings], TEXT, whole=False)

    def _style(self, document: Breakdown) -> tuple[Style, list[str]]:
        looks, problems = self._looks(document)
        for point in document.points:
            problems += self._looks_of(point)[1]
        return style_of(document.title or "Breakdown", looks), problems

    def _remembered(self, document: Breakdown, notes: Notes, finder: ShotFinder | None = None) -> Notes:
        """The notes with what is not noted yet, without what is no longer in the document."""
        finder = finder or self._finder(silent)
        shots: dict[str, tuple[ShotRecord, ...]] = {}
        counts: dict[str, tuple[int, ...]] = {}
        for link in document.links:
            if link.kind in OF_CLIPS and link.target in notes.shots:
                shots[link.target] = notes.shots[link.target]
            elif link.kind in OF_CLIPS:
                try:
                    if found := finder.records(link):
                        shots[link.target] = found
                except (ClipLibError, ValueError):
                    continue  # the check says it
        fresh = recounted(document, finder.count)
        for one in fresh.counts:
            known = notes.counts.get(one.link.target)
            if known is not None:
                counts[one.link.target] = tuple(known)
            elif not one.problem:
                counts[one.link.target] = one.clips
        return Notes(shots, counts)

    def _beginning(self, title: str, phrase: str) -> str:
        if not phrase:
            return (
                f"# {title}\n\nWhat this is about, in a sentence or two.\n\n## The pattern\n\n"
                "What was tried, and how often it worked.\n"
            )
        found = self._finding.find(phrase, limit=3, strict=True)
        shots = "".join(
            f'- [example {n}](clip:{clip.id} "slow 0.5, freeze 1.5")\n'
            for n, clip in enumerate(found.clips, 1)
            if clip.start_frame is not None
        )
        target = f"count:{phrase}"
        if re.search(r"[?<>\n]", phrase):
            raise InputError("write the phrase without ?, < and >; they mean something in a link")
        counted = recounted(documents.read(f"# T\n\n## P\n\n[0](<{target}>)\n"), self._finder(silent).count)
        times = counted.counts[0].now or "0"
        return (
            f"# {title}\n\nWhat this is about, in a sentence or two.\n\n## The pattern\n\n"
            f"This is {found.reading.said}: [{times}](<{target}>) exchanges.\n\n{shots}"
        )

    def _move_takes(self, place: Path, before: Breakdown, after: Breakdown) -> None:
        old, new = [p.key for p in before.points], [p.key for p in after.points]
        for kind, a, b, c, d in SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
            if kind != "replace" or b - a != d - c:
                continue
            for key, now in zip(old[a:b], new[c:d], strict=True):
                source, target = place / TAKES / key, place / TAKES / now
                if key not in new and source.is_dir() and not target.exists():
                    source.rename(target)
        # Points of one heading are filed by their order: where that changed, their takes go along.
        turned = _turned(before, after)
        aside = {now: place / TAKES / f".{key}" for key, now in turned.items()}
        for key, now in turned.items():
            if (place / TAKES / key).is_dir():
                (place / TAKES / key).rename(aside[now])
        for now, source in aside.items():
            if source.is_dir():
                source.rename(place / TAKES / now)

    def _file(self, name: str) -> BreakdownFile:
        place = self.folder / name
        text = text_of(place)
        document = documents.read(shown(text))
        film = place / FILM
        made, problem = film.is_file(), ""
        try:
            private = self._private(document, place)
        except InputError as wrong:  # nobody knows what it shows
            private, problem = True, self._told(wrong)
        return BreakdownFile(
            name,
            document.title or name,
            tuple((point.key, point.heading) for point in document.points),
            film if made else None,
            tuple(beside_of(place)) if made else (),
            place / TEXT,
            private,
            _seen(text),
            made and (place / TEXT).stat().st_mtime_ns > film.stat().st_mtime_ns,
            sum(1 for _ in place.glob(f"{TAKES}/*/*/take.json")),
            problem,
        )

    def _private(self, document: Breakdown, place: Path) -> bool:
        clips = self._clips(document, place)
        fights = self._desk.catalogue.care.clip_fights(clips)
        return any(self._desk.fight(fight_id).info.private for fight_id in set(fights.values()))

    def _clips(self, document: Breakdown, place: Path) -> set[int]:
        """Every clip that is shown or counted."""
        clips = set(read_notes(place / NOTES).clips)
        for link in document.links:
            if link.kind in ("clip", "beside"):
                try:
                    clips |= set(clips_in(link.target))
                except ValueError:
                    continue
        return clips

    def _may_see(self, name: str) -> bool:
        """Not a breakdown with clips or names that are hidden; nor one of whose clips any is gone."""
        hiding = self._desk.hiding
        if not hiding.active:
            return True
        try:
            text = text_of(self.folder / name)
            clips = self._clips(documents.read(text), self.folder / name)
        except (OSError, InputError):
            return False
        return (not clips or hiding.all_seen(clips)) and not hiding.told_in(f"{name} {text}")

    def _place(self, name: str) -> Path:
        place = self.folder / name
        if not _NAME.fullmatch(name) or not (place / TEXT).is_file() or not self._may_see(name):
            raise NotFoundError(f"there is no breakdown called “{name}” in this library")
        return place

    def _free_name(self, title: str) -> str:
        plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().casefold()
        stem = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-") or "breakdown"
        for number in range(1, 10_000):
            name = stem if number == 1 else f"{stem}-{number}"
            if not (self.folder / name).exists():
                return name
        raise InputError(f"there are too many breakdowns called “{title}”; give this one another title")


def _turned(before: Breakdown, after: Breakdown) -> dict[str, str]:
    """The keys of points that changed places among those of the same heading, and the keys that they have
    now. Empty where that cannot be told for sure."""

    def told(point: Point) -> tuple[object, ...]:
        return point.heading, point.said, tuple((shot.target, shot.title) for shot in point.shots)

    old, new = {told(p): p.key for p in before.points}, {told(p): p.key for p in after.points}
    turned = {key: new[what] for what, key in old.items() if new.get(what, key) != key}
    return turned if set(turned) == set(turned.values()) else {}


def _differences(link: Link, noted: Sequence[ShotRecord], finder: ShotFinder) -> Iterator[str]:
    """What is no longer as it was noted, a sentence each."""
    if link.kind == "picture":
        problem = finder.shots(link, (), ()).problem
        yield from [problem] if problem else []
        return
    if any(not record.fingerprint for record in noted):
        gone = [record for record in noted if not record.fingerprint]
        yield from (f"clip {record.clip} {record.differs(None)}" for record in gone)
        return
    try:
        now = finder.records(link)
    except (ClipLibError, ValueError) as problem:
        there = bool(noted) and not finder.shots(link, noted, ()).problem
        yield str(problem) + (f"; the breakdown goes on showing {noted[0].where}" if there else "")
        return
    if link.kind == "find":
        known, found = {record.clip for record in noted}, {record.clip for record in now}
        new, gone_now = sorted(found - known, key=str), sorted(known - found, key=str)
        if noted and (new or gone_now):
            parts = [f"shows clip {', '.join(map(str, new))} now"] if new else []
            parts += [f"no longer clip {', '.join(map(str, gone_now))}"] if gone_now else []
            yield "; ".join(parts)
        elif not now:
            yield "finds nothing that has footage"
        return
    for before, after in zip(noted, now, strict=False):
        if said := before.differs(after):
            yield f"clip {before.clip} {said}"


def _encoded(text: str) -> bytes:
    """As it is kept: what was no UTF-8 is so again."""
    try:
        return text.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError as problem:
        raise InputError(
            f"letter {problem.start + 1} of the text is half a character; remove it"
        ) from problem


def _note_beside(place: Path, files: Sequence[Path]) -> None:
    with replacing(place / BESIDE) as temporary:
        names = [path.relative_to(place).as_posix() for path in files]
        temporary.write_text(json.dumps(names), encoding="utf-8")


def _seen(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()[:16]
