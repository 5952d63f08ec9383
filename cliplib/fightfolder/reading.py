"""A fight folder: `fight.toml`, the footage, one or more logs.

Reading is strict: a key that is misspelt, of the wrong kind or impossible is an error that says where and
what was expected, because a `first_bel` that is silently passed over costs every clip of the fight.
"""

from __future__ import annotations

import hashlib
import itertools
import os
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from cliplib.core.errors import FightFolderError, Problem
from cliplib.core.models import Corner, FightInfo, LogSource
from cliplib.core.periods import Course, Period, TwoLinesError
from cliplib.core.timebase import format_time
from cliplib.fightfolder import values as kinds
from cliplib.logs import forms
from cliplib.logs.source import Refused, Source, decode, nearest

NAME = "fight.toml"

_LARGEST = 1024 * 1024  # bytes of fight.toml
_UNBEATEN = ("draw", "no contest")

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class FightFolder:
    """A fight folder as read.

    `folder` and `log_files` are absolute; `log_files[i]` is `info.logs[i]`. `footage`: where the footage
    ought to be (it may not be there yet), None if fight.toml names none or `footage_refused` says why the
    named file is not to be touched. `digest`: of fight.toml's bytes.
    """

    folder: Path
    info: FightInfo
    log_files: tuple[Path, ...]
    footage: Path | None
    digest: str
    footage_refused: str = ""


def find_fight_folders(path: Path) -> list[Path]:
    """Every folder at or under `path` that holds a fight.toml, sorted. `path` may be the fight.toml itself.

    Raises FightFolderError if there is nothing at `path` or a folder under it cannot be listed. Links to
    folders are not followed, so that a circle cannot trap it.
    """
    if path.name == NAME and path.is_file():
        return [path.parent]
    if not path.is_dir():
        raise FightFolderError(f"{path}: there is no such folder; give a fight folder, or a folder of them")

    def stop(error: OSError) -> None:
        raise FightFolderError(f"{error.filename}: cannot be listed: {error.strerror}") from error

    return sorted(Path(folder) for folder, _, files in os.walk(path, onerror=stop) if NAME in files)


def may_read(path: Path, folder: Path, roots: Iterable[Path] = ()) -> bool:
    """Whether a fight folder may have `path` read: the one place that decides.

    A fight folder may come from a stranger. It may name files inside itself and, for footage, inside the
    folders that the library's owner listed in `footage_roots`. Links are followed before looking.
    """
    try:
        real = path.resolve()
        return any(real.is_relative_to(root.resolve()) for root in (folder, *roots))
    except (OSError, RuntimeError):  # a circle of links
        return False


def read_fight_folder(folder: Path, footage_roots: Iterable[Path] = ()) -> FightFolder:
    """Read `folder`/fight.toml. Raises FightFolderError listing everything that is wrong with it."""
    folder = folder.resolve()
    path = folder / NAME
    if not may_read(path, folder):
        raise FightFolderError(
            f"{path}: is a link that leads out of the fight folder; put the file itself there"
        )
    source, digest = _source(path)
    form = _Form(source, _tables(source))
    info = _info(form)
    log_files = tuple(_log_file(form, folder, i, log.file) for i, log in enumerate(info.logs)) if info else ()
    form.finish()
    assert info is not None
    footage, refused = None, ""
    if info.footage_file is not None:
        footage = folder / info.footage_file
        if not may_read(footage, folder, footage_roots):
            refused = (
                f"{source.label}: the footage “{info.footage_file}” lies outside the fight folder and was "
                "not touched; add its folder to footage_roots in the library's settings.toml"
            )
            footage = None
    return FightFolder(folder, info, log_files, footage, digest, refused)


def _source(path: Path) -> tuple[Source, str]:
    """The text, and the digest of its bytes."""
    label = str(Path(path.parent.name) / path.name)
    try:
        if path.exists() and not path.is_file():  # reading a pipe would wait for ever
            raise FightFolderError(f"{path}: is not a file")
        if path.stat().st_size > _LARGEST:
            raise FightFolderError(f"{path}: is too large for a fight.toml")
        data = path.read_bytes()
        source = decode(data, label)
    except Refused as refused:
        raise FightFolderError(str(refused.problem)) from refused
    except OSError as error:
        raise FightFolderError(f"{path}: cannot be read: {error.strerror or error}") from error
    bad = re.search("[\udc80-\udcff]", source.text)
    if bad:
        raise FightFolderError(str(source.problem(bad.start(), "is not UTF-8; save the file as UTF-8")))
    return source, hashlib.sha256(data).hexdigest()


def _tables(source: Source) -> dict[str, Any]:
    try:
        return tomllib.loads(source.text)
    except tomllib.TOMLDecodeError as error:
        text = str(error)
        place = re.search(r" \(at line (\d+), column (\d+)\)$", text)
        if place:
            offset = source.starts[int(place[1]) - 1] + int(place[2]) - 1
            text = text[: place.start()]
        else:  # "at end of document"
            offset = len(source.text)
            text = text.removesuffix(" (at end of document)")
        raise FightFolderError(str(source.problem(offset, f"this is not TOML: {text}"))) from error
    except RecursionError as error:
        raise FightFolderError(f"{source.label}: is nested too deeply") from error


@dataclass(slots=True)
class _Form:
    """fight.toml being checked: values go out, problems gather."""

    source: Source
    tables: dict[str, Any]
    problems: list[Problem] = field(default_factory=list)

    def wrong(self, table: str, key: str, message: str, meant: str = "", index: int = 0) -> None:
        offset = self._offset(table, key, index)
        name = f"{table}.{key}" if table and key else table or key
        message = f"{name} {message}"
        if offset is None:
            self.problems.append(Problem(self.source.label, 1, 0, message, "", meant))
        else:
            self.problems.append(self.source.problem(offset, message, meant))

    def _offset(self, table: str, key: str, index: int) -> int | None:
        """Where a key stands. tomllib does not tell, so it is looked for as people write it."""
        text = self.source.text
        start, end = 0, len(text)
        if table or _is_table(self.tables.get(key)):
            name = re.escape(table or key)
            headers = list(re.finditer(rf"(?m)^[ \t]*\[+[ \t]*({name})[ \t]*\]+", text))
            inline = re.search(rf"(?m)^[ \t]*({name})[ \t]*=", text)
            if headers:
                header = headers[min(index, len(headers) - 1)]
                after = re.compile(r"(?m)^[ \t]*\[").search(text, header.end())
                start, end = header.start(1), after.start() if after else end
            elif inline:
                line_end = text.find("\n", inline.start(1))
                start, end = inline.start(1), line_end if line_end >= 0 else end
            else:
                return None
            if not table or not key:
                return start
        found = re.compile(rf"(?m)(?:^|[{{,])[ \t]*([\"']?{re.escape(key)}[\"']?)[ \t]*=").search(
            text, start, end
        )
        if found:
            return found.start(1)
        return start if table else None

    def table(self, name: str, keys: Iterable[str]) -> Mapping[str, Any]:
        """A table by name, its keys checked to be known ones; empty if it is missing or wrong."""
        value = self.tables if not name else self.tables.get(name, {})
        if not isinstance(value, dict):
            self.wrong("", name, f"must be a table: write [{name}] on a line of its own")
            return {}
        self.known(name, value, keys)
        return value

    def known(self, table: str, value: Mapping[str, Any], keys: Iterable[str], index: int = 0) -> None:
        keys = tuple(keys)
        for key in value:
            if key not in keys:
                what = f"is not a key of [{table}]" if table else "is not a key of fight.toml"
                self.wrong(table, key, f"{what}; there are {', '.join(keys)}", nearest(key, keys), index)

    def get(
        self, table: str, values: Mapping[str, Any], key: str, read: Callable[[Any], T], index: int = 0
    ) -> T | None:
        """A value turned by `read`, which raises ValueError with what is wrong; None if missing or wrong."""
        if key not in values:
            return None
        try:
            return read(values[key])
        except ValueError as error:
            self.wrong(table, key, str(error), index=index)
            return None

    def finish(self) -> None:
        if self.problems:
            raise FightFolderError("\n".join(str(problem) for problem in self.problems))


def _info(form: _Form) -> FightInfo | None:
    top = form.table(
        "",
        (
            "title", "date", "event", "rounds", "round_seconds", "rest_seconds",
            "private", "result", "red", "blue", "footage", "log", "period",
        ),
    )  # fmt: skip
    date, event = form.get("", top, "date", kinds.date), form.get("", top, "event", kinds.line)
    title = form.get("", top, "title", kinds.line)
    if "title" not in top:
        form.wrong("", "title", 'is missing; write title = "… v …" on top')
    rounds = form.get("", top, "rounds", kinds.rounds)
    round_us = form.get("", top, "round_seconds", kinds.length)
    rest_us = form.get("", top, "rest_seconds", kinds.rest)
    private = form.get("", top, "private", kinds.yes_or_no)
    red, blue = _corner(form, "red"), _corner(form, "blue")
    if red and blue and red.name.casefold() == blue.name.casefold():
        form.wrong("blue", "name", f"is “{blue.name}”, and so is red.name; a fight has two fighters")
    winner, method = _result(form, red, blue)
    footage = form.table("footage", ("file", "first_bell", "round_starts"))
    footage_file = form.get("footage", footage, "file", kinds.line)
    starts = _round_starts(form, footage, rounds, round_us, rest_us)
    logs = _logs(form, top)
    periods = _periods(form, top, rounds, starts, round_us)
    if title is None or red is None or blue is None:
        form.finish()
        return None
    return FightInfo(
        title=title,
        red=red,
        blue=blue,
        date=date,
        event=event or "",
        rounds=rounds,
        round_us=round_us,
        rest_us=rest_us,
        winner=winner,
        method=method,
        footage_file=footage_file,
        round_starts_us=starts,
        logs=logs,
        private=bool(private),
        periods=periods,
    )


def _corner(form: _Form, name: str) -> Corner | None:
    if name not in form.tables:
        form.wrong("", name, f'is missing; write [{name}] and under it name = "…"')
        return None
    values = form.table(name, ("name", "stance"))
    full_name = form.get(name, values, "name", kinds.line)
    stance = form.get(name, values, "stance", kinds.one_of(kinds.STANCES))
    if "name" not in values and isinstance(form.tables[name], dict):
        form.wrong(name, "name", "is missing; write the fighter's full name")
    return Corner(full_name, stance) if full_name is not None else None


def _result(form: _Form, red: Corner | None, blue: Corner | None) -> tuple[str | None, str | None]:
    values = form.table("result", ("winner", "method"))
    winner = form.get("result", values, "winner", kinds.line)
    method = form.get("result", values, "method", kinds.one_of(kinds.METHODS))
    if winner is not None and red and blue:
        names = {corner.name.casefold(): corner.name for corner in (red, blue)}
        if winner.casefold() not in names:
            form.wrong(
                "result", "winner",
                f"is “{winner}”, who is not in this fight; write {red.name} or {blue.name}",
                nearest(winner, (red.name, blue.name)),
            )  # fmt: skip
        winner = names.get(winner.casefold())
    if winner is not None and method in _UNBEATEN:
        form.wrong("result", "winner", f"is given, but a {method} has no winner")
    return winner, method


def _round_starts(
    form: _Form, footage: Mapping[str, Any], rounds: int | None, round_us: int | None, rest_us: int | None
) -> tuple[int, ...]:
    """The opening bells in footage time, spelt out or laid out from the first."""
    first = form.get("footage", footage, "first_bell", kinds.bell)
    starts = form.get("footage", footage, "round_starts", kinds.bells)
    key = "round_starts" if "round_starts" in footage else "first_bell"
    if "first_bell" in footage and "round_starts" in footage:
        form.wrong("footage", key, "and first_bell are both given; keep one of them")
        return ()
    needs = ["rounds", "round_seconds", "rest_seconds"]
    if key == "round_starts" or rounds == 1:
        needs = ["round_seconds"]
    missing = [name for name in needs if name not in form.tables]
    if key in footage and missing:
        form.wrong(
            "footage", key,
            f"needs {_and(needs)} on top, to tell when each round begins and ends; "
            f"missing: {', '.join(missing)}"
            + ("; or write round_starts = [...] and round_seconds" if len(needs) > 1 else ""),
        )  # fmt: skip
        return ()
    if round_us is None:
        return ()
    if starts is not None:
        if rounds is not None and len(starts) > rounds:
            form.wrong("footage", key, f"lists {len(starts)} bells for {rounds} rounds")
        for number, (start, after) in enumerate(itertools.pairwise(starts), 1):
            if after < start + round_us:
                form.wrong(
                    "footage", key,
                    f"has round {number + 1} begin at {format_time(after)}, before round {number} "
                    f"({format_time(start)}, {format_time(round_us)} long) is over",
                )  # fmt: skip
        return starts
    if first is None:
        return ()
    if rounds == 1:
        return (first,)
    if rounds is None or rest_us is None:
        return ()
    return tuple(first + number * (round_us + rest_us) for number in range(rounds))


def _periods(
    form: _Form, top: Mapping[str, Any], rounds: int | None, starts: tuple[int, ...], round_us: int | None
) -> tuple[Period, ...]:
    """The named stretches, in order of time."""
    tables = top.get("period", [])
    if not isinstance(tables, list) or not all(isinstance(one, dict) for one in tables):
        form.wrong("period", "", "must be a list of tables: write [[period]] with two brackets")
        return ()
    told = [(_period(form, values, index), index) for index, values in enumerate(tables)]
    placed: list[tuple[tuple[int, int], Period, int]] = []
    for period, index in told:
        if period is None or not _has_rounds(form, period, index, rounds, round_us):
            continue
        others = [other for _, other, _ in placed]
        try:
            course = Course.of([*others, period], starts, round_us)
        except TwoLinesError as error:
            form.wrong("period", "from" if period.start else "until", str(error), index=index)
            continue
        except ValueError as error:
            form.wrong("period", "", str(error), index=index)
            continue
        span = course.span(period)
        if span[1] <= span[0]:
            form.wrong(
                "period", "until", f"is {period.end}, not after the beginning ({period.start})", index=index
            )
            continue
        spans = [(course.span(other), other) for other in others]
        over = next((other for (a, b), other in spans if a < span[1] and span[0] < b), None)
        if over is not None:
            form.wrong(
                "period",
                "from" if period.start else "until",
                f"makes “{period.name}” overlap “{over.name}”; no moment lies in two periods",
                index=index,
            )
            continue
        placed.append((span, period, index))
    placed.sort(key=lambda one: one[0])
    return tuple(period for _, period, _ in placed)


def _period(form: _Form, values: Mapping[str, Any], index: int) -> Period | None:
    form.known("period", values, ("name", "from", "until"), index)
    name = form.get("period", values, "name", kinds.line, index)
    first = form.get("period", values, "from", kinds.moment, index)
    last = form.get("period", values, "until", kinds.moment, index)
    if "name" not in values:
        form.wrong("period", "name", "is missing; write what the stretch is called", index=index)
    if "from" not in values and "until" not in values:
        form.wrong(
            "period", "from", 'is missing; write from = "round 4 1:20", until = …, or both', index=index
        )
    read = (
        name is not None,
        (first is not None) == ("from" in values),
        (last is not None) == ("until" in values),
    )
    return Period(name, first, last) if name is not None and all(read) and (first or last) else None


def _has_rounds(form: _Form, period: Period, index: int, rounds: int | None, round_us: int | None) -> bool:
    """Whether the rounds and clocks that a period names can be."""
    fine = True
    for key, moment in (("from", period.start), ("until", period.end)):
        if moment is None or moment.round is None:
            continue
        if moment.round < 1 or (rounds is not None and moment.round > rounds):
            form.wrong(
                "period",
                key,
                f"names round {moment.round} of a fight over {rounds} rounds"
                if rounds is not None
                else f"names round {moment.round}; rounds count from 1",
                index=index,
            )
            fine = False
        elif round_us is not None and moment.left_us is not None and moment.left_us > round_us:
            form.wrong(
                "period",
                key,
                f"has {format_time(moment.left_us)} on the clock of a round of {format_time(round_us)}",
                index=index,
            )
            fine = False
    return fine


def _logs(form: _Form, top: Mapping[str, Any]) -> tuple[LogSource, ...]:
    tables = top.get("log")
    if tables is None or tables == []:
        form.wrong("", "log", 'is missing; write [[log]] and under it file = "log.csv"')
        return ()
    if not isinstance(tables, list) or not all(isinstance(one, dict) for one in tables):
        form.wrong("log", "", "must be a list of tables: write [[log]] with two brackets")
        return ()
    logs: list[LogSource] = []
    for index, values in enumerate(tables):
        form.known("log", values, ("file", "by"), index)
        file = form.get("log", values, "file", kinds.line, index)
        by = form.get("log", values, "by", kinds.line, index)
        if "file" not in values:
            form.wrong("log", "file", "is missing; write the log's file name", index=index)
        if file is not None and any(file == other.file for other in logs):
            form.wrong("log", "file", f"names “{file}” a second time", index=index)
        logs.append(LogSource(file or "", by or ""))
    return tuple(logs)


def _log_file(form: _Form, folder: Path, index: int, file: str) -> Path:
    path = folder / file
    if not file:
        return path
    known = ", ".join(forms.suffixes())
    if Path(file).is_absolute() or not may_read(path, folder):
        form.wrong("log", "file", f"“{file}” leaves the fight folder; put the log into it", index=index)
    elif forms.form_of(path) is None:
        form.wrong("log", "file", f"“{file}” is no kind of log that is known; there are {known}", index=index)
    elif not os.path.isfile(path):  # false, too, for a name that no system takes
        near = nearest(file, [entry.name for entry in folder.iterdir() if forms.form_of(entry)])
        form.wrong("log", "file", f"“{file}” is not in the fight folder", near, index)
    return path


def _and(names: Sequence[str]) -> str:
    return " and ".join([part for part in (", ".join(names[:-1]), names[-1]) if part])


def _is_table(value: object) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and any(isinstance(one, dict) for one in value)
    )
