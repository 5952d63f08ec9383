"""CSV after RFC 4180, keeping the place of every character.

The standard library's csv module reads the same language but does not tell where a field stood, and a message
that points at the unread word inside a quoted phrase needs that. The tests hold this reader against it.
Records end at CR LF, LF or CR.

Where a comma is the decimal sign, spreadsheets write semicolons between columns, or tabs, and `12,4` for a
time, which any log may. What separates, the header tells: the mark that finds the most columns in it.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator

from cliplib.core.errors import Problem
from cliplib.logs.cells import harmless, meant
from cliplib.logs.rows import COLUMNS, LONGEST_ROW, Rows, row_of, stripped
from cliplib.logs.source import Cell, Source, nearest
from cliplib.logs.written import Written, columns_of

_QUOTED = re.compile(r'"((?:[^"]++|"")*+)"')
_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_PLAIN = {mark: re.compile(rf'[^{mark}"\r\n]*+') for mark in _SEPARATORS}
_SAYS_SO = re.compile(r"sep=([,;\t])(?:\r\n|\n|\r)")  # a first line that some spreadsheets write
_ONE = {",": "a comma", ";": "a semicolon", "\t": "a tab"}
_TIMES = ("time", "until", "clock", "in", "out")
_LINE_END = re.compile(r"\r\n|\n|\r")
_DOUBLED = re.compile('""')


def read_csv(source: Source) -> Rows:
    """Rows by the header's columns. Without a usable header there are none."""
    found = Rows()
    header: list[str] | None = None
    separator, begin = separator_of(source)
    if separator != ",":
        found.remarks.append(
            f"{source.label}: read with {_SEPARATORS[separator]} between columns and decimal commas in times"
        )
    for offset, record in records(source, separator, begin):
        if isinstance(record, Problem):
            found.problems.append(record)
            if header is None:
                return found
        elif header is None:
            header = _header(source, offset, record, found)
            if header is None:
                return found
        else:
            _row(source, offset, record, header, found)
    if header is None:
        found.problems.append(
            Problem(
                source.label,
                1,
                0,
                "the log is empty; its first line names the columns: time,fighter,action,…",
            )
        )
    return found


def write_csv(log: Written) -> str:
    return _written(log.rows(), ",")


def write_semicolons(log: Written) -> str:
    """As a spreadsheet wants it where a comma is the decimal sign; with the mark (U+FEFF) by which it sees
    that the file is UTF-8."""
    rows = [
        {name: text.replace(".", ",") if name in _TIMES else text for name, text in row.items()}
        for row in log.rows()
    ]
    return "\ufeff" + _written(rows, ";")


def _written(rows: list[dict[str, str]], separator: str) -> str:
    stream = io.StringIO()
    table = csv.DictWriter(stream, columns_of(rows), lineterminator="\r\n", delimiter=separator)
    table.writeheader()
    table.writerows({name: harmless(text) for name, text in row.items()} for row in rows)
    return stream.getvalue()


def separator_of(source: Source) -> tuple[str, int]:
    """What stands between columns, and where the header begins."""
    said = _SAYS_SO.match(source.text)
    if said:
        return said[1], said.end()
    line = source.line_text(1)
    first = _LINE_END.split(source.text[: max(len(line), 1000)], maxsplit=1)[0]

    def known(mark: str) -> int:
        return sum(name.strip(' "\t').casefold() in COLUMNS for name in first.split(mark))

    return max(_SEPARATORS, key=known), 0


def records(
    source: Source, separator: str = ",", begin: int = 0
) -> Iterator[tuple[int, list[tuple[int, str, bool]] | Problem]]:
    """(offset, fields) of every record; a field is (offset of its first character, text as written, quoted).

    A record that breaks the rules comes as a Problem, and reading goes on behind its first line: the quote
    that was never closed must not swallow the rest of the log.
    """
    text, position, size = source.text, begin, len(source.text)
    plain = _PLAIN[separator]
    while position < size:
        begin = position
        fields: list[tuple[int, str, bool]] = []
        problem: Problem | None = None
        limit = min(size, begin + LONGEST_ROW)
        while True:
            if position < size and text[position] == '"':
                match = _QUOTED.match(text, position, limit)
                if match is None:
                    problem = source.problem(position, "this quotation mark is never closed")
                    break
                fields.append((match.start(1), match[1], True))
            else:
                match = plain.match(text, position, limit)
                assert match is not None  # it matches nothing at all, too
                fields.append((match.start(), match[0], False))
            position = match.end()
            if position >= size:
                break
            if position >= limit:
                problem = source.problem(begin, f"this row has more than {LONGEST_ROW:,} characters")
                break
            if text[position] == separator:
                position += 1
                continue
            end = _LINE_END.match(text, position)
            if end:
                position = end.end()
                break
            problem = source.problem(
                position,
                f"a closing quotation mark must be followed by {_ONE[separator]} or the end of the line"
                if fields[-1][2]
                else "a quotation mark inside a value: put the value in quotation marks and double this one",
            )
            break
        if problem is None:
            yield begin, fields
            continue
        yield begin, problem
        after = _LINE_END.search(text, begin)
        position = after.end() if after else size


def _cell(source: Source, start: int, raw: str, quoted: bool) -> Cell | None:
    if not quoted or '""' not in raw:
        return _as_meant(stripped(raw, source, start))
    doubled = [match.start() for match in _DOUBLED.finditer(raw)]

    def place(index: int) -> int:
        # Of two marks one was read, so the n-th of them shifts all that follows by n.
        return start + index + sum(1 for n, at in enumerate(doubled) if at - n < index)

    return _as_meant(stripped(raw.replace('""', '"'), source, start, place))


def _as_meant(cell: Cell | None) -> Cell | None:
    """Without the apostrophe that keeps a spreadsheet from running it."""
    if cell is None or not cell.text.startswith("'") or meant(cell.text) == cell.text:
        return cell
    return Cell(meant(cell.text), cell.source, cell.offset(1), lambda index: cell.offset(index + 1))


def _header(
    source: Source, offset: int, record: list[tuple[int, str, bool]], found: Rows
) -> list[str] | None:
    names: list[str] = []
    cells = [_cell(source, *one) for one in record]
    for cell in cells:
        name = cell.text.casefold() if cell else ""
        if cell and name in names:
            found.problems.append(cell.problem(f"a second column “{name}”; a log has each once"))
            return None
        if cell and name not in COLUMNS:
            known = ", ".join(COLUMNS)
            found.problems.append(
                cell.foreign()
                or cell.problem(
                    f"no column is called “{cell.text}”; there are {known}", nearest(name, COLUMNS)
                )
            )
        names.append(name)
    if "action" not in names:
        found.problems.append(
            source.problem(offset, "the first line must name the columns, and one of them must be “action”")
        )
        return None
    return names


def _row(
    source: Source,
    offset: int,
    record: list[tuple[int, str, bool]],
    header: list[str],
    found: Rows,
) -> None:
    cells: dict[str, Cell] = {}
    for index, one in enumerate(record):
        cell = _cell(source, *one)
        if cell is None:
            continue
        if index >= len(header):
            found.problems.append(
                cell.problem(
                    f"the header has {len(header)} columns, this is value {index + 1}; "
                    "a phrase with a comma needs quotation marks around it"
                )
            )
            return
        problem = cell.foreign()
        if not problem and not header[index]:
            problem = cell.problem("this stands in a column without a name")
        if problem:
            found.problems.append(problem)
            return
        if header[index] in COLUMNS:
            cells[header[index]] = cell
    if cells:
        found.rows.append(row_of(source, offset, cells))
