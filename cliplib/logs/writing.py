"""Exchanges back into a log, in any form: what was said, not what was derived.

Reading what was written gives the same exchanges again, for all that the form can hold. CSV and JSON Lines
hold everything. WebVTT holds times to the millisecond and none of an action's `until`; an action's time must
lie inside its cue and after the one before; and a cue's times are the clip's in and out, so that a clip keeps
its frames but its exchange comes back with that exact span. A mark is a cue that holds nothing but a note.
"""

from __future__ import annotations

from collections.abc import Sequence

from cliplib.core.models import Exchange, FightInfo, Mark
from cliplib.logs.forms import form_named
from cliplib.logs.said import as_said
from cliplib.logs.written import Span, Written
from cliplib.vocabulary import Vocabulary, load_vocabulary


def write_log(
    exchanges: Sequence[Exchange],
    fight: FightInfo,
    form: str,
    *,
    vocabulary: Vocabulary | None = None,
    spans: Sequence[Span | None] | None = None,
    marks: Sequence[Mark] = (),
) -> str:
    """The exchanges and marks as the text of a log in the form of that name (see `forms`).

    `spans`: each exchange's clip, (in, out) in microseconds of footage time, for the cues of a WebVTT log;
    without it they are the exchanges' own. Raises InputError for a form that there is not, and for an
    exchange or mark that the form cannot hold.
    """
    said = [as_said(exchange) for exchange in exchanges]
    given = spans or [None] * len(said)
    words = vocabulary or load_vocabulary()
    return form_named(form).write(Written(said, marks, fight.title, given, words, fight.course.bells))
