"""JSON Lines: one object a line, the CSV's columns as its keys."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any, NoReturn

from cliplib.core.errors import Problem
from cliplib.logs.rows import COLUMNS, LONGEST_ROW, Rows, row_of, stripped
from cliplib.logs.source import Cell, Refused, Source, nearest
from cliplib.logs.written import Written

_SPACE = re.compile(r"[ \t\r]*")
# One character of a JSON string as it is written; a pair of surrogates is one character.
_WRITTEN = re.compile(
    r"\\u[dD][89abAB][0-9a-fA-F]{2}\\u[dD][c-fC-F][0-9a-fA-F]{2}|\\u[0-9a-fA-F]{4}|\\.|[^\\]"
)
_NUMBERS = ("time", "until", "round", "clock", "in", "out", "exchange")


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not JSON")


_DECODER = json.JSONDecoder(parse_constant=_no_constant, parse_float=str, parse_int=str)


def read_jsonl(source: Source) -> Rows:
    found = Rows()
    for index, start in enumerate(source.starts):
        end = source.starts[index + 1] if index + 1 < len(source.starts) else len(source.text)
        line = source.text[start : min(end, start + LONGEST_ROW + 1)]
        if not line.strip():
            continue
        try:
            if len(line) > LONGEST_ROW:
                raise Refused(source.problem(start, f"this line has more than {LONGEST_ROW:,} characters"))
            cells = _cells(source, line.rstrip("\r\n"), start)
        except Refused as refused:
            found.problems.append(refused.problem)
            continue
        if cells:
            found.rows.append(row_of(source, start, cells))
    return found


def write_jsonl(log: Written) -> str:
    return "".join(json.dumps(row, ensure_ascii=False) + "\n" for row in log.rows())


def _cells(source: Source, line: str, start: int) -> dict[str, Cell]:  # noqa: C901 - a parser of one line: a branch for each mark
    """The object on a line. Raises Refused with its first problem."""

    def refuse(at: int, message: str, meant: str = "") -> NoReturn:
        raise Refused(source.problem(start + at, message, meant))

    def skip(at: int) -> int:
        match = _SPACE.match(line, at)
        return match.end() if match else at

    def expect(at: int, what: str, message: str) -> int:
        at = skip(at)
        if line[at : at + 1] not in (*what,):
            refuse(at, message)
        return at

    def value(at: int) -> tuple[Any, int]:
        try:
            return _DECODER.raw_decode(line, at)
        except json.JSONDecodeError as error:
            refuse(min(error.pos, len(line)), f"this is not JSON: {error.msg}")
        except (ValueError, RecursionError) as error:
            refuse(at, f"this is not JSON that can be read: {error}")

    cells: dict[str, Cell] = {}
    seen: set[str] = set()
    at = expect(0, "{", 'each line must be an object: {"time": …, "action": …}')
    at = skip(at + 1)
    if line[at : at + 1] != "}":
        while True:
            key_at = expect(at, '"', "a key in quotation marks belongs here")
            key, at = value(key_at)
            at = expect(at, ":", "a colon belongs here")
            value_at = skip(at + 1)
            read, at = value(value_at)
            if key in seen:
                refuse(key_at, f"a second “{_short(key)}” on this line")
            seen.add(key)
            if key not in COLUMNS:
                known = ", ".join(COLUMNS)
                refuse(key_at, f"no key is called “{_short(key)}”; there are {known}", nearest(key, COLUMNS))
            cell = _cell(source, key, read, line, start, value_at, at, refuse)
            if cell:
                cells[key] = cell
            at = expect(at, ",}", "a comma or the closing brace belongs here")
            if line[at] == "}":
                break
            at += 1
    at = skip(at + 1)
    if at < len(line):
        refuse(at, "more text after the object; one object a line")
    return cells


def _cell(
    source: Source,
    key: str,
    read: Any,
    line: str,
    start: int,
    at: int,
    end: int,
    refuse: Callable[[int, str], NoReturn],
) -> Cell | None:
    if read is None:
        return None
    written = line[at:end]
    if written[0] == '"':
        raw = written[1:-1]
        first = start + at + 1
        cell = stripped(read, source, first, _placer(raw, first) if "\\" in raw else None)
        problem: Problem | None = cell.foreign() if cell else None
        if problem:
            raise Refused(problem)
        return cell
    if isinstance(read, str) and key in _NUMBERS:  # a number, kept as it is written
        return Cell(written, source, start + at)
    kind = "text or a number" if key in _NUMBERS else "text in quotation marks"
    return refuse(at, f"“{key}” must be {kind}, not {_short(written)}")


def _placer(raw: str, first: int) -> Callable[[int], int]:
    def place(index: int) -> int:
        at = 0
        for _ in range(index):
            match = _WRITTEN.match(raw, at)
            at = match.end() if match else at + 1
        return first + at

    return place


def _short(text: str) -> str:
    text = text if text.isprintable() else ascii(text)
    return text if len(text) <= 40 else text[:39] + "…"
