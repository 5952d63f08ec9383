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
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cliplib.core.errors import FightFolderError
from cliplib.core.models import Corner, FightInfo, LogSource
from cliplib.core.parts import Part, clock_of, jumps
from cliplib.core.timebase import RoundClock, after, format_time
from cliplib.fightfolder import values as kinds
from cliplib.fightfolder.form import Form
from cliplib.fightfolder.stretches import read_parts, read_periods
from cliplib.logs import forms
from cliplib.logs.source import Refused, Source, decode, nearest

NAME = "fight.toml"

_LARGEST = 1024 * 1024  # bytes of fight.toml
_UNBEATEN = ("draw", "no contest")


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
    form = Form(source, _tables(source))
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


def _info(form: Form) -> FightInfo | None:
    top = form.table(
        "",
        (
            "title", "date", "event", "rounds", "round_seconds", "rest_seconds",
            "private", "result", "red", "blue", "footage", "log", "period", "part",
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
    parts = read_parts(form, top, rounds)
    starts = _round_starts(form, footage, rounds, round_us, rest_us, parts)
    logs = _logs(form, top)
    periods = read_periods(form, top, rounds, clock_of(starts, round_us, parts), round_us)
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
        parts=parts,
    )


def _corner(form: Form, name: str) -> Corner | None:
    if name not in form.tables:
        form.wrong("", name, f'is missing; write [{name}] and under it name = "…"')
        return None
    values = form.table(name, ("name", "stance"))
    full_name = form.get(name, values, "name", kinds.line)
    stance = form.get(name, values, "stance", kinds.one_of(kinds.STANCES))
    if "name" not in values and isinstance(form.tables[name], dict):
        form.wrong(name, "name", "is missing; write the fighter's full name")
    return Corner(full_name, stance) if full_name is not None else None


def _result(form: Form, red: Corner | None, blue: Corner | None) -> tuple[str | None, str | None]:
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


def _check_starts(
    form: Form, key: str, starts: tuple[int, ...], rounds: int | None, clock: RoundClock
) -> None:
    if rounds is not None and len(starts) > rounds:
        form.wrong("footage", key, f"lists {len(starts)} bells for {rounds} rounds")
    for number, (start, following) in enumerate(itertools.pairwise(starts), 1):
        if following < clock.span(number)[1]:
            form.wrong(
                "footage", key,
                f"has round {number + 1} begin at {format_time(following)}, before round {number} "
                f"({format_time(start)}, {format_time(clock.round_us)} long) is over",
            )  # fmt: skip


def _round_starts(
    form: Form,
    footage: Mapping[str, Any],
    rounds: int | None,
    round_us: int | None,
    rest_us: int | None,
    parts: Sequence[Part],
) -> tuple[int, ...]:
    """The opening bells in footage time: spelt out, laid out from the first, or those of the film's parts."""
    told = tuple(part.start_us for part in parts if part.kind == "round")
    if told:
        for key in footage.keys() & {"first_bell", "round_starts"}:
            form.wrong("footage", key, "is given, and rounds are among the parts; keep one of them")
        if round_us is None:
            form.wrong("", "part", "says when rounds begin; write round_seconds on top, too")
        return told if round_us is not None else ()
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
        _check_starts(form, key, starts, rounds, RoundClock(starts, round_us, jumps(parts)))
        return starts
    if first is None:
        return ()
    if rounds == 1:
        return (first,)
    if rounds is None or rest_us is None:
        return ()
    return tuple(after(first, number * (round_us + rest_us), jumps(parts)) for number in range(rounds))


def _logs(form: Form, top: Mapping[str, Any]) -> tuple[LogSource, ...]:
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


def _log_file(form: Form, folder: Path, index: int, file: str) -> Path:
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
