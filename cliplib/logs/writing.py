"""Exchanges back into a log, in any of the three forms: what was said, not what was derived.

Reading what was written gives the same exchanges again, for all that the form can hold. CSV and JSON Lines
hold everything. WebVTT holds times to the millisecond and none of an action's `until`; an action's time must
lie inside its cue and after the one before; and a cue's times are the clip's in and out, so that a clip keeps
its frames but its exchange comes back with that exact span.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Sequence
from html import escape

from cliplib.core.errors import InputError
from cliplib.core.models import Action, Exchange, FightInfo
from cliplib.core.timebase import format_time
from cliplib.logs.cells import harmless
from cliplib.logs.grouping import name_of
from cliplib.logs.rows import COLUMNS
from cliplib.logs.said import as_said
from cliplib.logs.saying import say_action
from cliplib.logs.vttform import format_stamp
from cliplib.vocabulary import Vocabulary, load_vocabulary

FORMATS = ("csv", "vtt", "jsonl")

_ALWAYS = ("time", "round", "exchange", "fighter", "action")
_IN_COLUMNS = ("outcome", "target", "place")

Span = tuple[int, int]


def write_log(
    exchanges: Sequence[Exchange],
    fight: FightInfo,
    format: str,
    *,
    vocabulary: Vocabulary | None = None,
    spans: Sequence[Span | None] | None = None,
) -> str:
    """The exchanges as the text of a log: `format` is csv, vtt or jsonl.

    `spans`: each exchange's clip, (in, out) in microseconds of footage time, for the cues of a WebVTT log;
    without it they are the exchanges' own. Raises InputError for an exchange that WebVTT cannot hold.
    """
    if format not in FORMATS:
        raise InputError(f"a log is written as {', '.join(FORMATS)}, not as “{format}”")
    vocabulary = vocabulary or load_vocabulary()
    said = [as_said(exchange) for exchange in exchanges]
    if format == "vtt":
        return _vtt(said, fight.title, spans or [None] * len(said), vocabulary)
    rows = _rows(said, vocabulary)
    if format == "jsonl":
        return "".join(json.dumps(row, ensure_ascii=False) + "\n" for row in rows)
    used = [name for name in COLUMNS if name in _ALWAYS or any(name in row for row in rows)]
    stream = io.StringIO()
    table = csv.DictWriter(stream, used, lineterminator="\r\n")
    table.writeheader()
    table.writerows({name: harmless(text) for name, text in row.items()} for row in rows)
    return stream.getvalue()


def _rows(exchanges: Sequence[Exchange], vocabulary: Vocabulary) -> list[dict[str, str]]:
    """A row an action, and one for an exchange's own note."""
    rows: list[dict[str, str]] = []
    taken: set[tuple[int | None, str]] = set()
    for number, exchange in enumerate(exchanges, 1):
        value = exchange.name
        # A name that nobody may mistake: for none, for a number of ours, for that of another exchange.
        if not value or name_of(value) != value or (exchange.round, value) in taken:
            value = f"#{number} {value}".rstrip()
        taken.add((exchange.round, value))
        shared = {"exchange": value}
        if exchange.round is not None:
            shared["round"] = str(exchange.round)
        on_clock = exchange.start_us is None
        for index, action in enumerate(exchange.actions):
            row = dict(shared)
            if index == 0 and exchange.exact_span and exchange.start_us is not None:
                row["in"], row["out"] = format_time(exchange.start_us), format_time(exchange.end_us or 0)
            row |= _columns(action, on_clock, vocabulary)
            rows.append(row)
            if index == 0 and exchange.note:
                rows.append({**shared, "note": exchange.note})
    return rows


def _columns(action: Action, on_clock: bool, vocabulary: Vocabulary) -> dict[str, str]:
    row = {"fighter": action.fighter or ""}
    if action.time_us is not None:
        row["clock" if on_clock else "time"] = format_time(abs(action.time_us))
    if action.until_us is not None:
        row["until"] = format_time(abs(action.until_us))
    row["action"] = say_action(action, vocabulary, without=_IN_COLUMNS)
    for name in _IN_COLUMNS:
        value = getattr(action, name)
        if value is not None:
            row[name] = value
    switches = vocabulary.is_a(action.technique, "switch stance")  # told in its phrase
    if action.stance is not None and "stance" not in action.inferred and not switches:
        row["stance"] = action.stance
    if action.note:
        row["note"] = action.note
    return row


def _vtt(
    exchanges: Sequence[Exchange], title: str, spans: Sequence[Span | None], vocabulary: Vocabulary
) -> str:
    cues = []
    for exchange, given in zip(exchanges, spans, strict=True):
        span = given or (exchange.start_us, exchange.end_us)
        if span[0] is None or span[1] is None:
            raise InputError(
                f"the exchange of line {exchange.line} has no footage time, and a WebVTT cue needs "
                "one; write the log as csv or jsonl"
            )
        first, last = span[0] // 1000, -(-span[1] // 1000)
        cues.append(((first * 1000, max(last, first + 1) * 1000), exchange))
    cues.sort(key=lambda cue: cue[0][0])
    blocks = [
        f"WEBVTT {title.replace('-->', '->')}",
        "NOTE\nTimes are to the millisecond. A cue's times are its clip's in and out;\n"
        "how long an action lasts is not written.",
    ]
    blocks += [_cue(span, exchange, vocabulary) for span, exchange in cues]
    return "\n\n".join(blocks) + "\n"


def _cue(span: Span, exchange: Exchange, vocabulary: Vocabulary) -> str:
    lines = [f"{format_stamp(span[0])} --> {format_stamp(span[1])}"]
    last = span[0]
    for action in exchange.actions:
        text = _text(say_action(action, vocabulary, stance=True))
        if action.time_us is not None and last < action.time_us // 1000 * 1000 < span[1]:
            last = action.time_us // 1000 * 1000
            text = f"<{format_stamp(last)}>{text}"
        if action.note:
            text += f" <c.note>{_text(action.note)}</c>"
        lines.append(f"<v {_text(action.fighter or '')}>{text}</v>")
    if exchange.name:
        lines.append(f"<c.exchange>{_text(exchange.name)}</c>")
    if exchange.note:
        lines.append(f"<c.note>{_text(exchange.note)}</c>")
    return "\n".join(lines)


def _text(text: str) -> str:
    """Text as a cue may hold it: no sign of a tag, no line break of its own."""
    return re.sub(r"[\r\n]", lambda end: f"&#{ord(end[0])};", escape(text, quote=False))
