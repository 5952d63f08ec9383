"""Logging in the library itself, while the fight plays: `library.logging.live`.

Everybody has a log of their own for each fight, told apart by name. A line is on the disk, and its exchange
can be found, when the call returns; clips are cut later, by `cut` or by the next ingest.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from cliplib import logs, phrases
from cliplib.catalogue.live import LineEditor, LiveLog, name_of
from cliplib.core.errors import FootageError, InputError, LogError, NotFoundError, Problem
from cliplib.core.letters import all_show
from cliplib.core.models import Exchange, FightInfo, Unread
from cliplib.core.progress import Progress, silent
from cliplib.core.timebase import Timeline, format_time, parse_time
from cliplib.ingest import live as ingest_live
from cliplib.ingest.ingest import LOCK
from cliplib.ingest.lock import only_one
from cliplib.library.desk import Desk
from cliplib.library.finding.saying import say_action
from cliplib.logs import LogReading, shorthand
from cliplib.logs.forms import form_named
from cliplib.logs.telling import Teller

LONGEST_LINE = 500  # characters
LONGEST_NAME = 60
_OWN = ("time", "fighter", "action", "note")
_NUMBERED = re.compile(r"#\d+")


@dataclass(frozen=True, slots=True)
class LogLine:
    """A line of a live log. `frame`: the footage's, in presentation order; None if it has no footage time.
    `more`: further columns, of an imported row. `problem`: why it cannot be read any more, or empty."""

    id: int
    frame: int | None
    time_us: int | None
    fighter: str
    action: str
    note: str = ""
    more: Mapping[str, str] | None = None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class CheckedLine:
    """How a line would be read. `actions`: (fighter or None, what they did); `unread`: places in the text;
    `because`: why a log cannot hold it, where all its words are known; else empty. `instead`: what short
    letters stand for, if the red fighter begins, and if the blue one does; that is what is to be logged."""

    actions: tuple[tuple[str | None, str], ...]
    unread: tuple[Unread, ...]
    because: str = ""
    instead: tuple[str, ...] = ()

    @property
    def complete(self) -> bool:
        """Nothing is missing: it can be logged as it stands."""
        return bool(self.actions) and not self.unread and all(who for who, _ in self.actions)


class LiveLogging:
    """`library.logging.live`. NotFoundError for a fight or line that isn't there, InputError for a name that
    cannot be one, LogError for a line that cannot be read; nothing is changed then."""

    def __init__(self, desk: Desk):
        self._desk = desk
        self._known: OrderedDict[int, tuple[object, ingest_live.Known]] = OrderedDict()

    def log_name(self, by: str) -> str:
        """What somebody's log is called among a fight's logs."""
        return name_of(self.logger_name(by))

    @staticmethod
    def logger_name(by: str) -> str:
        """Somebody's name as logs have it; InputError for none, or one that nobody could read."""
        return logger_name(by)

    # --- lines --------------------------------------------------------------------------------------------

    def logs(self, fight_id: int) -> tuple[LiveLog, ...]:
        """Everybody's live logs of a fight."""
        self._desk.fight(fight_id)
        return self._desk.catalogue.live.logs(fight_id)

    def lines(self, fight_id: int, by: str) -> tuple[LogLine, ...]:
        """One person's lines in order of time, then of writing; empty if they have none."""
        return tuple(sorted(self._shown(fight_id, by), key=lambda one: (one.time_us or 0, one.id)))

    def line(self, fight_id: int, by: str, line_id: int) -> LogLine:
        """One line of somebody's log."""
        for line in self._shown(fight_id, by, line_id):
            return line
        raise NotFoundError(f"there is no line {line_id} in this log any more")

    def _shown(self, fight_id: int, by: str, line_id: int | None = None) -> Iterator[LogLine]:
        """As they were written; all, or the one of that number."""
        log = self._log(fight_id, by)
        if log is None:
            return
        info = self._desk.fight(fight_id).info
        words, settings = self._desk.vocabulary, self._desk.settings
        _, problems = ingest_live.read_live(log, info, words, settings, self._before(fight_id, info))
        timeline = self._timeline(fight_id)
        for one in log.lines:
            if line_id is None or one.id == line_id:
                yield _line(one.id, one.said, timeline, problems.get(one.id))

    def exchanges(self, fight_id: int, by: str) -> tuple[Exchange, ...]:
        """What one person's lines come to, in order of time; relations are not derived."""
        log = self._log(fight_id, by)
        if log is None:
            return ()
        info = self._desk.fight(fight_id).info
        words, settings = self._desk.vocabulary, self._desk.settings
        return ingest_live.read_live(log, info, words, settings, self._before(fight_id, info))[0]

    def check(self, fight_id: int, text: str, fighter: str = "") -> CheckedLine:
        """How a line would be read, as it is written."""
        info = self._desk.fight(fight_id).info
        words = self._desk.vocabulary
        who = _fighter(info, fighter) or None
        if instead := self._expanded(text[:LONGEST_LINE], info):
            first = self.check(fight_id, instead[info.fighters.index(who) if who else 0])
            return replace(first, instead=instead)
        read = phrases.read_log(text[:LONGEST_LINE], words, info, fighter=who)
        said = tuple(
            (a.fighter, ", ".join(filter(None, (say_action(a, words), a.outcome)))) for a in read.actions
        )
        return CheckedLine(said, read.unread, read.because)

    def _expanded(self, text: str, info: FightInfo) -> tuple[str, ...]:
        """What short letters stand for, whoever of the two begins; empty if they are none."""
        words, own = self._desk.vocabulary, dict(self._desk.settings.shorthand)
        last = tuple(name.split()[-1] for name in info.fighters)
        names = (last[0], last[1]) if last[0].casefold() != last[1].casefold() else info.fighters

        def kind(phrase: str) -> str:
            read = phrases.read_log(phrase, words, info, fighter=info.red.name)
            name = read.actions[0].technique if read.actions else ""
            return "punch" if words.is_punch(name) else "defence" if words.is_a(name, "defence") else "other"

        said = [shorthand.expand(text, names, opener, kind, own) for opener in (0, 1)]
        return tuple(one for one in said if one is not None)

    def add(
        self, fight_id: int, by: str, frame: int, action: str, *, fighter: str = "", note: str = ""
    ) -> LogLine:
        """Log what happens at a frame of the footage."""
        by = logger_name(by)
        said = self._said(fight_id, frame, action, fighter, note, {})
        return self._edit(fight_id, by, lambda edit: edit.add(said).id)

    def change(
        self,
        fight_id: int,
        by: str,
        line_id: int,
        *,
        frame: int | None = None,
        action: str | None = None,
        fighter: str | None = None,
        note: str | None = None,
    ) -> LogLine:
        """Change a line; what is None stays as it is, and so do columns that came with an import."""
        before = self.line(fight_id, by, line_id)
        said = self._said(
            fight_id,
            before.frame if frame is None else frame,
            before.action if action is None else action,
            before.fighter if fighter is None else fighter,
            before.note if note is None else note,
            before.more or {},
            None if frame is not None else before.time_us,
        )
        return self._edit(fight_id, by, lambda edit: edit.put(line_id, said).id)

    def remove(self, fight_id: int, by: str, line_id: int) -> None:
        """Take a line out of one's log."""
        self._change(fight_id, by, lambda edit: edit.remove(line_id).id)

    def _edit(self, fight_id: int, by: str, change: Callable[[LineEditor], int]) -> LogLine:
        return self.line(fight_id, by, self._change(fight_id, by, change))

    def _change(self, fight_id: int, by: str, change: Callable[[LineEditor], int]) -> int:
        desk = self._desk
        info = desk.fight(fight_id).info
        derive = ingest_live.deriver(
            desk.catalogue, fight_id, desk.settings, desk.vocabulary, self._before(fight_id, info)
        )
        return desk.catalogue.live.edit(fight_id, logger_name(by), derive, change)

    def _said(
        self,
        fight_id: int,
        frame: int | None,
        action: str,
        fighter: str,
        note: str,
        more: Mapping[str, str],
        time_us: int | None = None,
    ) -> dict[str, str]:
        """A line as a row, after it has been read as one."""
        info = self._desk.fight(fight_id).info
        action, note = " ".join(action.split()), " ".join(note.split())
        if len(action) > LONGEST_LINE or len(note) > LONGEST_LINE:
            raise InputError(f"a line has at most {LONGEST_LINE} characters; make two of it")
        said = dict(more)
        if frame is not None:
            timeline = self._timeline(fight_id)
            if not 0 <= frame < len(timeline):
                raise InputError(f"the footage has frames 0 to {len(timeline) - 1}; {frame} is none of them")
            # A time from elsewhere may lie between frames, and stays as it is until somebody moves the line.
            said["time"] = format_time(timeline.us_of(frame) if time_us is None else time_us)
        said |= {"fighter": _fighter(info, fighter), "action": action, "note": note}
        said = {column: text for column, text in said.items() if text}
        words, settings = self._desk.vocabulary, self._desk.settings
        teller = Teller(info, words, read=self._before(fight_id, info).phrases)
        read = logs.read_lines([said], info, words, settings, file_label="line", teller=teller)
        if read.problems:
            raise LogError(read.problems)
        if not read.exchanges and not read.marks:
            raise InputError("a line needs an action: who did what; or a note, to mark the moment")
        return said

    # --- whole logs ---------------------------------------------------------------------------------------

    def import_log(self, fight_id: int, by: str, text: str, form: str, *, instead: bool = False) -> int:
        """Take a log in one of the forms of `logs.forms` as somebody's own; the number of its lines.

        `instead`: in place of the lines they have; else InputError if there are any. LogError lists every row
        that cannot be read.
        """
        form_named(form)
        desk = self._desk
        info = desk.fight(fight_id).info
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"log.{form}"
            path.write_bytes(text.encode("utf-8", "surrogateescape"))
            read = logs.read_log(path, info, desk.vocabulary, desk.settings, file_label=path.name)
        if read.problems:
            raise LogError(read.problems)
        rows = self._rows(read, info)

        def put(edit: LineEditor) -> int:
            if edit.lines() and not instead:
                raise InputError(
                    f"{by} has {len(edit.lines())} lines in this fight's log already; replace them, or take "
                    "the file in under another name"
                )
            edit.clear()
            for row in rows:
                edit.add(row)
            return len(rows)

        return self._change(fight_id, by, put)

    def _rows(self, told: LogReading, info: FightInfo) -> list[dict[str, str]]:
        """Rows that read to the same exchanges and marks; without numbers for those that pauses alone tell
        apart, so that a line added later joins the exchange that it belongs to."""
        words, settings = self._desk.vocabulary, self._desk.settings
        text = logs.write_log(told.exchanges, info, "jsonl", vocabulary=words, marks=told.marks)
        rows: list[dict[str, str]] = [json.loads(line) for line in text.splitlines()]
        plain = [
            {k: v for k, v in row.items() if k != "exchange" or not _NUMBERED.fullmatch(v)} for row in rows
        ]

        def means(lines: Sequence[Mapping[str, str]]) -> list[Exchange]:
            read = logs.read_lines(lines, info, words, settings, file_label="")
            return [_placeless(exchange) for exchange in read.exchanges]

        return plain if means(plain) == means(rows) else rows

    # --- footage and clips --------------------------------------------------------------------------------

    def footage(self, fight_id: int) -> Path | None:
        """A file of the fight that browsers play frame for frame; None until `make_ready` has made one.

        FootageError if the fight has no footage, or it is not where it was.
        """
        row = self._desk.footage(fight_id, self._desk.fight(fight_id).title)
        if row.info.sliceable:
            return row.path
        return row.sliced if row.sliced is not None and row.sliced.is_file() else None

    def make_ready(self, fight_id: int, progress: Progress = silent) -> None:
        """Make the file that `footage` gives. MediaError if none can be made of this footage."""
        desk = self._desk
        fight = desk.fight(fight_id)
        with only_one(desk.folder / LOCK):
            prepared = desk.prepared(fight_id, fight.title, progress)
            row = desk.catalogue.footage(fight_id)
            assert row is not None
            desk.catalogue.set_footage(
                fight_id,
                row.path,
                prepared.info,
                prepared.timeline,
                mtime_ns=row.mtime_ns,
                sliced=prepared.sliced,
                why=prepared.why,
            )
        if prepared.sliced is None:
            raise FootageError(f"“{fight.title}” cannot be played in a browser: {prepared.why}")

    def timeline(self, fight_id: int) -> Timeline:
        """The presentation times of the footage's frames; FootageError without footage."""
        self._desk.fight(fight_id)
        return self._timeline(fight_id)

    def waiting(self, fight_id: int) -> int:
        """How many of the fight's exchanges wait for `cut`."""
        self._desk.fight(fight_id)
        return ingest_live.waiting(self._desk.catalogue, self._desk.folder, fight_id)

    def cut(self, fight_id: int, progress: Progress = silent) -> int:
        """Cut the fight's exchanges that have no clip yet; how many. BusyError while something else cuts."""
        desk = self._desk
        title = desk.fight(fight_id).title
        with only_one(desk.folder / LOCK):
            done = ingest_live.cut_fight(
                desk.catalogue,
                desk.folder,
                fight_id,
                lambda: desk.prepared(fight_id, title, progress),
                progress,
            )
        desk.search.refresh(progress)
        return done

    # --- helpers ------------------------------------------------------------------------------------------

    def _log(self, fight_id: int, by: str) -> LiveLog | None:
        wanted = name_of(logger_name(by))
        return next((log for log in self.logs(fight_id) if log.file == wanted), None)

    def _timeline(self, fight_id: int) -> Timeline:
        row = self._desk.catalogue.footage(fight_id)
        if row is None:
            title = self._desk.fight(fight_id).title
            raise FootageError(f"“{title}” has no footage yet; it can be logged here when it has")
        return row.timeline

    def _before(self, fight_id: int, info: FightInfo) -> ingest_live.Known:
        """What was read of this fight before."""
        people = (info.red, info.blue)
        known = self._known.get(fight_id)
        if known is None or known[0] != people:
            known = self._known[fight_id] = people, ingest_live.Known()
            while len(self._known) > 8:
                self._known.popitem(last=False)
        return known[1]


def logger_name(by: str) -> str:
    """Somebody's name as logs have it; InputError for none, or one that nobody could read."""
    plain = " ".join(by.split())
    if not plain or not all_show(plain) or len(plain) > LONGEST_NAME:
        raise InputError(f"say who logs: a name or initials, at most {LONGEST_NAME} characters")
    return plain


def _fighter(info: FightInfo, fighter: str) -> str:
    if fighter and fighter not in info.fighters:
        raise InputError(f"“{fighter[:60]}” is not in this fight between {' and '.join(info.fighters)}")
    return fighter


def _line(line_id: int, said: Mapping[str, str], timeline: Timeline, problem: Problem | None) -> LogLine:
    us = parse_time(said["time"]) if "time" in said else None
    frame = None if us is None else min(timeline.first_frame_from(us), len(timeline) - 1)
    return LogLine(
        line_id,
        frame,
        us,
        said.get("fighter", ""),
        said.get("action", ""),
        said.get("note", ""),
        {column: text for column, text in said.items() if column not in _OWN},
        problem.message if problem else "",
    )


def _placeless(exchange: Exchange) -> Exchange:
    return replace(exchange, line=0)
