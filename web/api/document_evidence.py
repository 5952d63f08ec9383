"""The part of the OpenAPI document that is about counts; see `api_doc`."""

from __future__ import annotations

from ..evidence.asked import KEYS
from .document import (
    MAYBE_NUMBER,
    MAYBE_TEXT,
    MAYBE_WHOLE,
    NUMBER,
    TEXT,
    WHOLE,
    YES_NO,
    Shape,
    _does,
    _path,
    _query,
    many,
    maybe,
    ref,
    thing,
)

IDS = many(WHOLE)
SOME = maybe(ref("Interval"))
WHAT_COUNTS = {"definitions": many(TEXT)}
NUMBERS = ("tried", "landed", "partial", "blocked", "missed", "unknown", "other", "known", "exchanges")

SCHEMAS: dict[str, Shape] = {
    "Interval": thing(value=NUMBER, low=NUMBER, high=NUMBER),
    "CountRow": thing(
        values={"type": "object", "additionalProperties": TEXT}, **dict.fromkeys((*NUMBERS, "fights"), WHOLE),
        rate=SOME, rate_if_unknown=maybe(many(NUMBER, minItems=2, maxItems=2)), per_minute=MAYBE_NUMBER,
        minutes=MAYBE_NUMBER,
    ),
    "Tally": thing(
        reading=ref("Reading"), by=many(TEXT), rows=many(ref("CountRow")), total=ref("CountRow"),
        **WHAT_COUNTS,
    ),
    "NextRow": thing(
        what=TEXT, times=WHOLE, share=SOME, timed=WHOLE,
        gap=thing(median=MAYBE_NUMBER, low=MAYBE_NUMBER, high=MAYBE_NUMBER), landed=WHOLE, known=WHOLE,
        clips=IDS,
    ),
    "WhatComesNext": thing(
        reading=ref("Reading"), tries=WHOLE, own=many(ref("NextRow")), opponent=many(ref("NextRow")),
        **WHAT_COUNTS,
    ),
    "Answers": thing(
        reading=ref("Reading"), tries=WHOLE,
        answers=many(
            thing(
                response=TEXT, stances=TEXT, times=WHOLE, attack=thing(landed=WHOLE, known=WHOLE),
                punch=thing(landed=WHOLE, known=WHOLE), beaten=WHOLE, beaten_known=WHOLE, rate=SOME,
                clips=IDS,
            )
        ),
        **WHAT_COUNTS,
    ),
    "Caught": thing(
        reading=ref("Reading"), tries=WHOLE,
        caught_by=many(
            thing(
                attack=TEXT, against=thing(tries=WHOLE, landed=WHOLE, known=WHOLE),
                next=thing(tries=WHOLE, landed=WHOLE, known=WHOLE), clips=IDS,
            )
        ),
        **WHAT_COUNTS,
    ),
    "ComparedLine": thing(
        what=TEXT, this=thing(count=WHOLE, of=WHOLE, clips=IDS), that=thing(count=WHOLE, of=WHOLE, clips=IDS),
        difference=SOME, p=NUMBER, q=NUMBER, words=TEXT,
    ),
    "Comparison": thing(
        reading=ref("Reading"), this=thing(what=TEXT, tries=WHOLE), that=thing(what=TEXT, tries=WHOLE),
        **dict.fromkeys(("landed", "own", "opponent"), many(ref("ComparedLine"))), **WHAT_COUNTS,
    ),
    "Moment": thing(round=MAYBE_WHOLE, elapsed=MAYBE_NUMBER),
    "Side": thing(("landed", "seconds"), landed=WHOLE, tries=WHOLE, seconds=NUMBER, clips=IDS),
    "Change": thing(
        ("p", "before", "after", "last_before", "first_after", "instead", "replies"),
        reading=ref("Reading"), fight=TEXT, of={"enum": ["rate", "frequency"]}, tries=WHOLE, left_out=WHOLE,
        enough=YES_NO, words=TEXT, p=NUMBER, before=ref("Side"), after=ref("Side"),
        last_before=maybe(ref("Moment")), first_after=maybe(ref("Moment")),
        instead=many(ref("ComparedLine")), replies=many(ref("ComparedLine")), **WHAT_COUNTS,
    ),
    "Confusion": thing(
        names=many(TEXT), table=many(many(WHOLE)), same=WHOLE, pairs=WHOLE, kappa=SOME, band=MAYBE_TEXT,
        ac1=MAYBE_NUMBER,
    ),
    "OfOne": thing(name=TEXT, first=WHOLE, second=WHOLE, both=WHOLE, percent_error=MAYBE_NUMBER, kappa=SOME),
    "Agreement": thing(
        fight=TEXT, **dict.fromkeys(("first", "second"), thing(log=TEXT, by=MAYBE_TEXT)),
        **dict.fromkeys(("paired", "only_first", "only_second", "beyond", "left_out"), WHOLE),
        percent_error=MAYBE_NUMBER, techniques=ref("Confusion"), outcomes=ref("Confusion"),
        of_technique=many(ref("OfOne")), of_outcome=many(ref("OfOne")),
        disagreements=many(
            thing(
                key=TEXT, what=TEXT, first=MAYBE_TEXT, second=MAYBE_TEXT, round=MAYBE_WHOLE,
                time=MAYBE_NUMBER, frame=MAYBE_WHOLE, clip=WHOLE,
            )
        ),
        **WHAT_COUNTS,
    ),
}  # fmt: skip


def _pairs(name: str, about: str, *, needed: bool = False) -> Shape:
    said = _query(name, about, many({"type": "string", "pattern": "^[a-z ]+=.+$"}), needed=needed)
    return {**said, "style": "form", "explode": True}


def paths() -> dict[str, Shape]:
    phrase = _query("q", "A phrase, as one says it in the gym.", needed=True)
    only = _pairs(
        "only", f"KEY=VALUE that the counted action must have: {', '.join(KEYS)}; or from, to (dates)."
    )
    filters = [
        _query(name, f"Only with this {name.replace('_', ' ')}, as in /api/find.")
        for name in ("fighter", "opponent", "stance", "opponent_stance", "round", "fight", "place", "outcome")
    ]
    by = {
        **_query("by", "Count separately by this; up to three.", many({"enum": list(KEYS)})),
        "style": "form", "explode": True,
    }  # fmt: skip
    one_by = _query("by", "Compare landing by this too.", {"enum": list(KEYS)})
    yes_no: Shape = {"enum": ["yes", "no"]}
    return {
        "/api/tally": {
            "get": _does(
                "Tries and what became of them, with intervals, as `cliplib tally --json`. Without a phrase: "
                "every action.",
                ref("Tally"), {**phrase, "required": False}, by, only, *filters,
            )
        },
        "/api/next": {
            "get": _does(
                "What comes next, how often and how fast.", ref("WhatComesNext"), phrase, only, *filters
            )
        },
        "/api/answers": {
            "get": _does(
                "Which answers beat an attack.", ref("Answers"), phrase, only, *filters,
                _query("any_stance", "Do not separate open and closed stances.", yes_no),
            )
        },
        "/api/caught": {
            "get": _does("What a defence is caught by.", ref("Caught"), phrase, only, *filters)
        },
        "/api/compare": {
            "get": _does(
                "Two sides beside each other.", ref("Comparison"), phrase,
                _pairs("this", "One side, KEY=VALUE.", needed=True),
                _pairs("that", "The other side.", needed=True),
                one_by, only, *filters,
            )
        },
        "/api/change": {
            "get": _does(
                "When something changed in a fight.", ref("Change"), phrase,
                _query("fight", "Its number or a part of its title.", needed=True),
                _query("of", "What changed.", {"enum": ["rate", "frequency"]}), only,
            )
        },
        "/api/fights/{fight_id}/agreement": {
            "get": _does(
                "How far two logs of a fight agree.", ref("Agreement"), _path("fight_id"),
                _query("first", "A log's name; without it, the first."),
                _query("second", "Another log's name."),
                _query("where_both", "Only where both have something.", yes_no),
            )
        },
    }  # fmt: skip
