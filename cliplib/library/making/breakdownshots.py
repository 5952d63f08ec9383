"""From the links of a breakdown to film, counts and charts of this library."""

from __future__ import annotations

import functools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, cast

from cliplib.breakdowns.counts import Counted
from cliplib.breakdowns.document import Link
from cliplib.breakdowns.links import CATEGORIES, Asked, Words, asked, clips_in, picture_kind, treatment
from cliplib.breakdowns.plan import HOLD_US, FilmShot
from cliplib.breakdowns.shots import ShotRecord
from cliplib.core.errors import ClipLibError, FootageError, InputError, NotFoundError
from cliplib.core.models import ClipRow, Where
from cliplib.core.progress import Progress
from cliplib.library.desk import Desk
from cliplib.library.evidence import evidence_tables
from cliplib.library.evidence.definitions import MINUTES, NO_MINUTES
from cliplib.library.evidence.evidence import ChartKind, Evidence
from cliplib.library.evidence.evidence_tables import named
from cliplib.library.finding.dates import period
from cliplib.library.finding.finding import Finding
from cliplib.library.finding.rounds import rounds_in
from cliplib.library.making.reelmaker import ReelMaker
from cliplib.media.working import Prepared
from cliplib.reels.captions import part_for, what_happens
from cliplib.reels.parts import Beside, ReelPart, ReelSettings, Treatment
from cliplib.reels.theme import ClipChange, Theme
from cliplib.reels.theme_reading import Look

USUAL_FOUND = 3
"""How many shots a find link shows that says no limit."""


@dataclass(frozen=True, slots=True, eq=False)
class Resolved:
    """What a link shows now. `records`: one for each clip; none for a chart. `problem`: why it shows nothing,
    or not what it showed."""

    link: Link
    shots: tuple[FilmShot, ...]
    records: tuple[ShotRecord, ...] = ()
    problem: str = ""


class ShotFinder:
    """Not for use by two threads at once; for one look at a breakdown: what was found once is not asked
    again. `progress`: of making footage ready."""

    def __init__(
        self, desk: Desk, finding: Finding, evidence: Evidence, maker: ReelMaker, progress: Progress
    ):
        self._desk, self._finding, self._evidence, self._maker = desk, finding, evidence, maker
        self._progress = progress
        self._prepared: dict[int, Prepared] = {}
        self._clips_found: dict[Asked, list[ClipRow]] = {}
        self._tables: dict[Asked, evidence_tables.Filled] = {}

    @functools.cached_property
    def _prints(self) -> dict[int, str]:
        """The fingerprint of each fight's footage."""
        return self._desk.catalogue.fingerprints()

    # --- what a link means now ----------------------------------------------------------------------------

    def records(self, link: Link) -> tuple[ShotRecord, ...]:
        """What the library has for a link now, a record for each clip. Raises ClipLibError or ValueError."""
        if link.kind == "find":
            return tuple(self._record(clip) for clip in self._found(asked(link.target)))
        if link.kind in ("clip", "beside"):
            return tuple(self._record(self._desk.clip(clip_id)) for clip_id in clips_in(link.target))
        return ()

    def shots(self, link: Link, noted: Sequence[ShotRecord], looks: Sequence[Look]) -> Resolved:
        """The link's shots, from the frames that were noted if there are any."""
        try:
            words = treatment(link.title)
        except ValueError as problem:
            words, said = Words(), str(problem)
        else:
            said = ""
        try:
            if link.kind == "picture":
                still = self.chart(link.target)
                return Resolved(
                    link, (FilmShot(link.text, still=still, hold_us=words.hold_us or HOLD_US),), (), said
                )
            records = tuple(noted) if noted and link.kind != "find" else self.records(link)
            parts = [self.part(record, link.text, words, looks) for record in records]
            if link.kind == "beside":
                first, second = parts
                both = replace(first, beside=Beside(_mirrored(second, words), words.offset))
                return Resolved(link, (FilmShot(link.text, both),), records, said)
        except (ClipLibError, ValueError) as problem:
            return Resolved(link, (FilmShot(link.text),), tuple(noted), str(problem))
        if not parts:
            return Resolved(link, (FilmShot(link.text),), (), "nothing is found that has footage")
        many = len(parts) > 1
        shots = [FilmShot(f"{link.text} {n}" if many else link.text, p) for n, p in enumerate(parts, 1)]
        return Resolved(link, tuple(shots), records, said)

    def seen(self, link: Link, noted: Sequence[ShotRecord]) -> tuple[ClipRow, ...]:
        """The clips that a link's shots show, those that are there: nothing is made ready for that."""
        try:
            if link.kind == "find":
                return tuple(self._found(asked(link.target)))
            records = tuple(noted) or self.records(link)
        except (ClipLibError, ValueError):
            return ()
        return tuple(row for record in records if (row := self.clip_of(record)) is not None)

    def of_record(self, records: Sequence[ShotRecord]) -> FilmShot:
        """A shot of a take, by what the take noted of it; one that says what is missing if it is."""
        label = records[0].tells or (f"clip {records[0].clip}" if records and records[0].clip else "a shot")
        try:
            parts = [self.part(record, label, Words(), ()) for record in records]
        except (ClipLibError, ValueError):
            return FilmShot(label)
        if len(parts) == 2:
            return FilmShot(label, replace(parts[0], beside=Beside(parts[1])))
        return FilmShot(label, parts[0])

    def part(self, record: ShotRecord, label: str, words: Words, looks: Sequence[Look]) -> ReelPart:
        """The noted stretch of film, as it is to be shown. Raises NotFoundError if it is nowhere."""
        if not record.fingerprint:
            raise NotFoundError(f"“{label}” (clip {record.clip}) was of a fight that was forgotten")
        source = self._source(record, label)
        theme = _theme(words, looks)
        row = self.clip_of(record)
        if row is not None:
            first = record.first if words.first is None else words.first
            last = record.last if words.last is None else words.last
            change = ClipChange(row.id, first, min(last, len(source.timeline)))
            drawn = self._maker.drawings.shown_on(row)
            part = part_for(row, source, replace(theme, changes=(change,)), drawn)
        else:
            facts = {"fight": record.fight, "date": record.date, "actions": record.tells}
            caption = (record.fight, *([record.tells] if record.tells else []))
            mirror = replace(theme.treatment, mirror=theme.mirror == "all")
            last = min(record.last, len(source.timeline))
            part = ReelPart(source, record.first, last, caption, label, treatment=mirror)
            part = replace(part, clip_id=record.clip, facts=facts)
        part = replace(part, title=label, moments_us=record.moments or part.moments_us)
        if words.mirror is not None:
            mirrored = words.mirror in ("both", "first")
            part = replace(part, treatment=replace(part.treatment, mirror=mirrored))
        return part

    # --- counts -------------------------------------------------------------------------------------------

    def count(self, question: Asked) -> Counted:
        """The counter of `counts.recounted`."""
        if question.table:
            return self._number(question)
        where = self.where(question.filters)
        found = self._evidence.tally(question.phrase, where=where, only=dict(question.only))
        table, total = found.table, found.table.total
        clips = {name: tuple(table.clips(None, name)) for name in CATEGORIES if getattr(total, name)}
        columns = table.tries.columns
        fights = [columns.fights[int(place)] for place in sorted(set(table.tries.fight.tolist()))]
        return Counted(
            total.tried,
            {name: getattr(total, name) for name in (*CATEGORIES, "other")},
            total.exchanges,
            {**clips, "tried": tuple(table.clips())},
            found.reading.said + narrowed(question),
            tuple(said for said in found.definitions if said not in (MINUTES, NO_MINUTES)),
            tuple((fight.title, fight.date.isoformat() if fight.date else "") for fight in fights),
        )

    def _number(self, question: Asked) -> Counted:
        """A number of any evidence table: `landed` is it, `missed` the rest of what it is out of; a number
        that is out of nothing is no proportion."""
        table = named(question.table)
        asked = {"phrase": question.phrase, **evidence_tables.values(table, question.ask)}
        if table.filters:
            asked["where"] = self.where(question.filters)
        elif question.filters:
            raise InputError(f"“{table.title}” takes no filters; it is of one fight")
        evidence_tables.check(table, asked)
        which = replace(question, key="")
        if which not in self._tables:
            self._tables[which] = self._evidence.table(table.name, **asked, only=dict(question.only))
        filled = self._tables[which]
        number = filled.number(question.key)
        of = number.count if number.of is None else number.of
        outcomes = {"other": of} if number.of is None else {
            "landed": number.count, "missed": of - number.count
        }  # fmt: skip
        said = filled.reading.said if filled.reading else ""
        words = ", ".join(filter(None, (said, *number.words))) + narrowed(question)
        return Counted(
            of, outcomes, number.count, {"tried": number.clips}, words, filled.definitions,
            self._fights_of(number.clips),
        )  # fmt: skip

    def _fights_of(self, clips: Iterable[int]) -> tuple[tuple[str, str], ...]:
        fights = sorted(set(self._desk.catalogue.care.clip_fights(set(clips)).values()))
        rows = [self._desk.catalogue.fight(fight_id) for fight_id in fights]
        return tuple((row.title, row.info.date.isoformat() if row.info.date else "") for row in rows)

    def where(self, filters: Iterable[tuple[str, str]]) -> Where:
        """The filters of a link. InputError for a value that makes no sense, NotFoundError for a name that
        nobody has."""
        given = dict(filters)
        first, last, rounds = given.pop("from", None), given.pop("to", None), given.pop("rounds", "")
        fight = given.pop("fight", None)
        found = Where(rounds=tuple(rounds_in(rounds)), dates=period(first, last), **given)
        return self._finding.checked(found if fight is None else self._finding.within(found, fight))

    # --- the library --------------------------------------------------------------------------------------

    def _found(self, question: Asked) -> list[ClipRow]:
        if question not in self._clips_found:
            # Not as a search of somebody's: what is written here is no phrase to be offered again.
            page = self._finding.find(
                question.phrase, where=self.where(question.filters), limit=1000, strict=True, noted=False
            )
            with_film = [clip for clip in page.clips if clip.start_frame is not None]
            self._clips_found[question] = with_film[: question.limit or USUAL_FOUND]
        return self._clips_found[question]

    def _record(self, clip: ClipRow) -> ShotRecord:
        if clip.start_frame is None or clip.end_frame is None:
            raise InputError(
                f"clip {clip.id} of {clip.fight} has no footage yet; ingest its fight again when it has"
            )
        places = [place for match in clip.matches[:1] for place in match] or range(len(clip.actions))
        moments = [clip.actions[i].time_us for i in places if i < len(clip.actions)]
        known = sorted(us for us in moments if us is not None)
        return ShotRecord(
            clip.id,
            clip.fight,
            clip.date.isoformat() if clip.date else "",
            self._prints.get(clip.fight_id, ""),
            clip.start_frame,
            clip.end_frame,
            (known[0], known[-1]) if known else (),
            what_happens(clip),
        )

    def clip_of(self, record: ShotRecord) -> ClipRow | None:
        """The clip of that number, if it is of that footage and shows some of those frames."""
        rows = self._desk.catalogue.clip_rows([record.clip]) if record.clip is not None else []
        if not rows or rows[0].start_frame is None or rows[0].end_frame is None:
            return None
        if self._fight_of(record) != rows[0].fight_id:
            return None
        return rows[0] if rows[0].start_frame < record.last and record.first < rows[0].end_frame else None

    def _fight_of(self, record: ShotRecord) -> int | None:
        if record.clip is not None:
            for row in self._desk.catalogue.clip_rows([record.clip]):
                if self._prints.get(row.fight_id) == record.fingerprint:
                    return row.fight_id
        return next((fight for fight, known in self._prints.items() if known == record.fingerprint), None)

    def _source(self, record: ShotRecord, label: str) -> Prepared:
        fight_id = self._fight_of(record)
        if fight_id is None:
            raise NotFoundError(
                f"the footage of “{label}” ({record.where}) is not in this library; ingest its fight, or "
                "write another clip into the link"
            )
        if fight_id not in self._prepared:
            self._prepared[fight_id] = self._desk.prepared(fight_id, record.fight, self._progress)
        source = self._prepared[fight_id]
        if record.first >= len(source.timeline):
            raise FootageError(
                f"the footage of “{label}” has {len(source.timeline)} frames, not {record.last}"
            )
        return source

    def chart(self, target: str, form: Literal["svg", "png"] = "png") -> bytes:
        """What a picture link shows. Raises ClipLibError or ValueError."""
        question, kind = asked(target), picture_kind(target)
        where = self.where(question.filters)
        chart = cast(ChartKind, kind)
        return self._evidence.chart(
            chart, question.phrase, question.by, where=where, only=dict(question.only), form=form
        )


def narrowed(question: Asked) -> str:
    """What narrows a question, to be said behind it: “, fighter Adeyemi, round 1”."""
    pairs = (*question.filters, *question.only)
    names = (
        "round" if key == "rounds" and value.isdecimal() else key.replace("_", " ") for key, value in pairs
    )
    return "".join(f", {name} {value}" for name, (_, value) in zip(names, pairs, strict=True))


def _theme(words: Words, looks: Sequence[Look]) -> Theme:
    """Treatments: what the link says, else the point, else the whole breakdown."""
    slow = next((x for x in (words.slow, *(look.slow for look in reversed(looks))) if x is not None), None)
    freeze = next(
        (x for x in (words.freeze, *(look.freeze for look in reversed(looks))) if x is not None), None
    )
    zoom = next((x for x in (words.zoom, *(look.zoom for look in reversed(looks))) if x is not None), None)
    mirror = next((look.mirror for look in reversed(looks) if look.mirror is not None), "none")
    said = Treatment(slow=slow or None, freeze=freeze or None, zoom=zoom or None)
    return Theme("", ReelSettings(), order="fit", overlap=True, mirror=mirror, treatment=said)


def _mirrored(second: ReelPart, words: Words) -> ReelPart:
    if words.mirror is None:
        return second
    return replace(second, treatment=replace(second.treatment, mirror=words.mirror in ("both", "second")))
