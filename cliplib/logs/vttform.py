"""WebVTT (W3C Candidate Recommendation, section 4 "Syntax"): a cue is an exchange, its times the clip's own.

Times are read by the syntax for authors, not by the forgiving rules for players: `[hh:]mm:ss.ttt`, minutes
and seconds up to 59, exactly three decimals, the end after the start. In a cue's text a voice span names the
fighter, a timestamp (`<00:00:15.200>`) says when the action after it begins, `<c.note>` holds a note and
`<c.exchange>` the exchange's name; other tags are passed over. Settings, identifiers, comments, styles and
regions are too. A cue with nothing but a note is a mark; one of a millisecond, the shortest there is, is a
moment.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from cliplib.core.errors import InputError, Problem
from cliplib.core.models import Exchange, Mark
from cliplib.logs.rows import LONGEST_ROW, SHORTEST_CUE_US, Part, Row, Rows
from cliplib.logs.saying import say_action
from cliplib.logs.source import Cell, Refused, Source
from cliplib.logs.written import Span, Written, as_name
from cliplib.vocabulary import Vocabulary

_LINE = re.compile(r"[^\r\n]*+")
_SKIPPED = re.compile(r"NOTE(?:[ \t].*)?|STYLE[ \t]*|REGION[ \t]*")
_TIMINGS = re.compile(r"(\S+)([ \t]*)-->([ \t]*)(\S+)(?:[ \t]+.*)?")
_STAMP = re.compile(r"(?:(\d{2,}):)?(\d{2}):(\d{2})\.(\d{3})", re.ASCII)
_PIECE = re.compile(r"<([^>]*)>|&[#0-9A-Za-z]{1,40};|[^<&]+|[<&]", re.DOTALL)
_MOST_HOURS = 1000


def parse_stamp(text: str) -> int:
    """A WebVTT timestamp in microseconds. Raises ValueError saying what is wrong."""
    match = _STAMP.fullmatch(text)
    if match is None:
        hint = ", with a point before the decimals" if "," in text else ""
        raise ValueError(f"“{text[:40]}” is not a WebVTT time: [hh:]mm:ss.ttt, exactly three decimals{hint}")
    if len(match[1] or "") > 4 or int(match[1] or 0) >= _MOST_HOURS:
        raise ValueError(f"“{text[:40]}” is more hours than any footage has")
    hours, minutes, seconds, thousandths = (int(part or 0) for part in match.groups())
    if minutes > 59 or seconds > 59:
        raise ValueError(f"“{text}” is not a WebVTT time: minutes and seconds go up to 59")
    return (((hours * 60 + minutes) * 60 + seconds) * 1000 + thousandths) * 1000


def format_stamp(us: int) -> str:
    """`hh:mm:ss.ttt`, rounded down to the millisecond."""
    seconds, thousandths = divmod(us // 1000, 1000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{seconds:02d}.{thousandths:03d}"


def read_vtt(source: Source) -> Rows:
    found = Rows()
    lines = [_line(source, number) for number in range(1, len(source.starts) + 1)]
    at = 0
    if re.fullmatch(r"WEBVTT(?:[ \t].*)?", lines[0]):
        at = 1
        # Converters write a line such as "Kind: captions" under the first; only a cue there is a mistake.
        while at < len(lines) and lines[at] and "-->" not in lines[at]:
            at += 1
        if at < len(lines) and "-->" in lines[at]:
            found.problems.append(
                source.problem(source.starts[at], "a blank line must come between WEBVTT and the cues")
            )
    else:
        found.problems.append(source.problem(0, "a WebVTT file begins with a line that says WEBVTT"))
    while at < len(lines):
        if not lines[at]:
            at += 1
            continue
        end = at
        while end < len(lines) and lines[end]:
            end += 1
        end = _block(source, lines, at, end, found)
        at = end
    return found


def _line(source: Source, number: int) -> str:
    start = source.starts[number - 1]
    match = _LINE.match(source.text, start, start + LONGEST_ROW)
    return match[0] if match else ""


def _block(source: Source, lines: list[str], first: int, end: int, found: Rows) -> int:
    """Read the block of lines [first, end) and return where the next one begins."""
    arrows = [number for number in range(first, end) if "-->" in lines[number]]
    if _SKIPPED.fullmatch(lines[first]):
        if arrows:
            message = (
                f"a {lines[first][:5].strip()} block must not hold “-->”; leave a blank line before a cue"
            )
            found.problems.append(
                source.problem(source.starts[arrows[0]] + lines[arrows[0]].index("-->"), message)
            )
        return end
    if not arrows or arrows[0] > first + 1:
        found.problems.append(
            source.problem(source.starts[first], "a cue needs its times: 00:01:02.000 --> 00:01:05.000")
        )
        return end
    timing = arrows[0]
    if len(arrows) > 1:  # what follows is another cue, so that it is not lost with this one
        end = arrows[1]
        found.problems.append(
            source.problem(
                source.starts[end] + lines[end].index("-->"),
                "“-->” must not stand in a cue's text; leave a blank line before the next cue",
            )
        )
    try:
        found.rows.append(_cue(source, lines, timing, end))
    except Refused as refused:
        found.problems.append(refused.problem)
    return end


def _cue(source: Source, lines: list[str], timing: int, end: int) -> Row:
    start = source.starts[timing]
    match = _TIMINGS.fullmatch(lines[timing])
    if match is None:
        raise Refused(source.problem(start, "a cue's times are written 00:01:02.000 --> 00:01:05.000"))
    if not match[2] or not match[3]:
        raise Refused(source.problem(start + match.end(1), "a space must stand on both sides of “-->”"))
    span = []
    for group in (1, 4):
        try:
            span.append(parse_stamp(match[group]))
        except ValueError as error:
            raise Refused(source.problem(start + match.start(group), str(error))) from error
    if span[0] >= span[1]:
        raise Refused(source.problem(start + match.start(4), "the cue's end must come after its start"))
    if timing + 1 >= end:
        raise Refused(source.problem(start, "the cue has no text"))
    last = end - 1
    text_start = source.starts[timing + 1]
    text = source.text[text_start : source.starts[last] + len(lines[last])]
    if len(text) > LONGEST_ROW:
        raise Refused(source.problem(text_start, f"this cue has more than {LONGEST_ROW:,} characters"))
    told = _Told(source, (span[0], span[1]))
    told.read(text, text_start)
    notes, names = "\n".join(told.notes), " ".join(told.names)
    # A voice that says nothing is whom a note is about.
    cells = {"fighter": told.named} if told.named and not told.parts else {}
    return Row(source, start, cells, tuple(told.parts), told.span, notes, names)


@dataclass(slots=True)
class _Told:
    """A cue's text being taken apart into what each voice says when."""

    source: Source
    span: tuple[int, int]
    parts: list[Part] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    voice: Cell | None = None
    named: Cell | None = None  # the latest voice
    time_us: int | None = None
    last_us: int | None = None
    kind: str = ""  # note or exchange while inside such a span
    depth: list[str] = field(default_factory=list)  # open class spans
    text: list[str] = field(default_factory=list)
    places: list[int] = field(default_factory=list)

    def read(self, text: str, start: int) -> None:
        for match in _PIECE.finditer(text):
            piece, at = match[0], start + match.start()
            if match[1] is not None:
                self._tag(match[1], at)
            elif piece == "<":
                raise Refused(
                    self.source.problem(at, "“<” begins a tag that is never closed; write &lt; for the sign")
                )
            elif piece[0] == "&" and len(piece) > 1:
                self._add(html.unescape(piece), [at] * len(html.unescape(piece)))
            else:
                self._add(
                    re.sub(r"\r\n|\r|\n", lambda end: " " * len(end[0]), piece), range(at, at + len(piece))
                )
        self._close_part()

    def _add(self, text: str, places: list[int] | range) -> None:
        self.text.append(text)
        self.places.extend(places)

    def _take(self, around: str) -> Cell | None:
        """The text gathered so far, bare of what surrounds it."""
        text, places = "".join(self.text), self.places
        self.text, self.places = [], []
        bare = text.strip(around)
        if not bare:
            return None
        first = len(text) - len(text.lstrip(around))
        places = places[first : first + len(bare)]
        cell = Cell(bare, self.source, places[0], lambda i: places[i] if i < len(places) else places[-1] + 1)
        problem: Problem | None = cell.foreign()
        if problem:
            raise Refused(problem)
        return cell

    def _close_part(self) -> None:
        if self.kind:
            self._close_aside()
            return
        cell = self._take(" \t,;")
        if cell:
            self.parts.append(Part(cell, self.voice, self.time_us))
            self.time_us = None

    def _close_aside(self) -> None:
        cell = self._take(" \t\r\n")
        if cell and self.kind == "exchange":
            self.names.append(cell.text)
        elif cell and self.voice and self.parts:
            self.parts[-1] = replace(self.parts[-1], note=cell.text)
        elif cell:
            self.notes.append(cell.text)
        self.kind = ""

    def _tag(self, tag: str, at: int) -> None:
        if re.match(r"\d", tag):
            self._stamp(tag, at)
            return
        head = re.match(r"/?[^\s.]*", tag)
        name = head[0] if head else ""
        if name == "v":
            self._close_part()
            self.voice = self.named = self._annotation(tag, at)
        elif name == "/v":
            self._close_part()
            self.voice = None
        elif name == "c":
            classes = re.split(r"[\s]", tag)[0].split(".")[1:]
            kind = next((one for one in classes if one in ("note", "exchange")), "")
            self.depth.append(kind)
            if kind:
                self._close_part()
                self.kind = kind
        elif name == "/c" and self.depth and self.depth.pop():
            self._close_aside()

    def _stamp(self, tag: str, at: int) -> None:
        try:
            us = parse_stamp(tag)
        except ValueError as error:
            raise Refused(self.source.problem(at + 1, str(error))) from error
        if not self.span[0] < us < self.span[1]:
            raise Refused(
                self.source.problem(at + 1, "a time inside a cue must lie between its start and end")
            )
        if self.last_us is not None and us <= self.last_us:
            raise Refused(self.source.problem(at + 1, "times inside a cue must follow one another"))
        self._close_part()
        self.time_us = self.last_us = us

    def _annotation(self, tag: str, at: int) -> Cell:
        match = re.match(r"v[^\s]*\s+", tag)
        name = html.unescape(tag[match.end() :]).strip() if match else ""
        if not match or not name:
            raise Refused(self.source.problem(at, "a voice tag names the fighter: <v Full Name>"))
        return Cell(name, self.source, at + 1 + match.end())


def write_vtt(log: Written) -> str:
    """A cue an exchange or mark. Raises InputError for one without footage time."""
    cues = []
    for exchange, given in zip(log.exchanges, log.spans, strict=True):
        span = given or (exchange.start_us, exchange.end_us)
        if span[0] is None or span[1] is None or span[1] <= 0:
            raise InputError(
                f"the exchange of line {exchange.line} has no footage time, and a WebVTT cue needs "
                "one; write the log as csv or jsonl"
            )
        first, last = max(0, span[0] // 1000), -(-span[1] // 1000)
        cues.append(((first * 1000, max(last, first + 1) * 1000), exchange))
    texts = [(span[0], _written_cue(span, exchange, log.vocabulary)) for span, exchange in cues]
    blocks = [
        f"WEBVTT {log.title.replace('-->', '->')}",
        "NOTE\nTimes are to the millisecond. A cue's times are its clip's in and out;\n"
        "how long an action lasts is not written.",
    ]
    blocks += [text for _, text in sorted([*_mark_cues(log.marks), *texts], key=lambda cue: cue[0])]
    return "\n\n".join(blocks) + "\n"


def _mark_cues(marks: Sequence[Mark]) -> Iterator[tuple[int, str]]:
    """A cue that holds only a note, with where it begins."""
    for mark in marks:
        if mark.on_clock:
            raise InputError(
                f"the mark of line {mark.line} has no footage time, and a WebVTT cue needs one; write the "
                "log as csv or jsonl"
            )
        first = mark.time_us // 1000 * 1000
        last = max(first + SHORTEST_CUE_US, -(-(mark.until_us or 0) // 1000) * 1000)
        lines = [f"{format_stamp(first)} --> {format_stamp(last)}"]
        if mark.fighter:
            lines.append(f"<v {_escaped(mark.fighter)}></v>")
        if mark.name:
            lines.append(f"<c.exchange>{_escaped(as_name(mark.name))}</c>")
        yield first, "\n".join([*lines, f"<c.note>{_escaped(mark.note)}</c>"])


def _written_cue(span: Span, exchange: Exchange, vocabulary: Vocabulary) -> str:
    lines = [f"{format_stamp(span[0])} --> {format_stamp(span[1])}"]
    last = span[0]
    for action in exchange.actions:
        text = _escaped(say_action(action, vocabulary, stance=True))
        if action.time_us is not None and last < action.time_us // 1000 * 1000 < span[1]:
            last = action.time_us // 1000 * 1000
            text = f"<{format_stamp(last)}>{text}"
        if action.note:
            text += f" <c.note>{_escaped(action.note)}</c>"
        lines.append(f"<v {_escaped(action.fighter or '')}>{text}</v>")
    if exchange.name:
        lines.append(f"<c.exchange>{_escaped(exchange.name)}</c>")
    if exchange.note:
        lines.append(f"<c.note>{_escaped(exchange.note)}</c>")
    return "\n".join(lines)


def _escaped(text: str) -> str:
    """Text as a cue may hold it: no sign of a tag, no line break of its own."""
    return re.sub(r"[\r\n]", lambda end: f"&#{ord(end[0])};", html.escape(text, quote=False))
