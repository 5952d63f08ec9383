"""A film's parts and what is proposed of it over JSON, and what somebody decides."""

from __future__ import annotations

from flask import Blueprint, jsonify
from flask.typing import ResponseReturnValue

from cliplib import JSON, InputError, part_json, proposal_json, to_seconds

from ..site.here import cuts, library
from ..site.signin import who
from .shapes import body

page = Blueprint("api_watching", __name__, url_prefix="/api/fights/<int:fight_id>")


@page.get("/film")
def film(fight_id: int) -> ResponseReturnValue:
    return jsonify(_film(fight_id))


@page.post("/proposals/<int:proposal_id>")
def decide(fight_id: int, proposal_id: int) -> ResponseReturnValue:
    """`decision`: accept, refuse or undo; `first`, `last`: frames [first, last) that it is to be instead."""
    said = body(("by", str), ("decision", str), ("first", int), ("last", int))
    watching, by = library().logging.watching, who(said.get("by", ""))
    decision = said.get("decision")
    if decision == "accept":
        span = None
        if ("first" in said) != ("last" in said):
            raise InputError("“first” and “last” say together where a part begins and ends")
        if "first" in said:
            line = library().logging.live.timeline(fight_id)
            if not 0 <= said["first"] < said["last"] <= len(line):
                raise InputError(f"a part ends after it begins, within the film's {len(line)} frames")
            span = (line.us_of(said["first"]), line.us_of(said["last"]))
        watching.accept(fight_id, proposal_id, by, span)
    elif decision == "refuse":
        watching.refuse(fight_id, proposal_id, by)
    elif decision == "undo":
        watching.take_back(fight_id, proposal_id)
    else:
        raise InputError("decision is accept, refuse or undo")
    cuts().later(fight_id)
    return jsonify(_film(fight_id))


@page.post("/proposals/both")
def both(fight_id: int) -> ResponseReturnValue:
    """Accept all that both sources say."""
    said = body(("by", str))
    library().logging.watching.accept_both(fight_id, who(said.get("by", "")))
    cuts().later(fight_id)
    return jsonify(_film(fight_id))


def _film(fight_id: int) -> JSON:
    lib = library()
    info = lib.finding.fight(fight_id).info
    told = lib.logging.watching.of(fight_id)
    bells = info.bells
    spans = [bells.span(n) for n in range(1, len(bells.starts_us) + 1)] if bells else []
    return {
        "seconds": to_seconds(lib.logging.live.timeline(fight_id).duration_us),
        "looked": told.looked,
        "other": told.other,
        "notes": list(told.notes),
        "rounds": [[n, to_seconds(a), to_seconds(b)] for n, (a, b) in enumerate(spans, 1)],
        "parts": [part_json(part) for part in info.parts],
        "proposals": [proposal_json(one) for one in told.open],
        "decided": len(told.proposals) - len(told.open),
        "quiet": None
        if told.quiet is None
        else {
            "useful": told.quiet.useful,
            "spans": [list(span) for span in told.quiet.spans],
            "may_skip": told.quiet.may_skip,
            "said": list(told.quiet.said),
        },
    }
