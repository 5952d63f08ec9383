"""The evidence behind a claim over JSON: what the commands for it print with --json."""

from __future__ import annotations

from flask import Blueprint, jsonify, request
from flask.typing import ResponseReturnValue

from cliplib.core.errors import InputError
from cliplib.core.models import Where
from cliplib.library.library import evidence_json

from ..evidence.asked import Asked, asked, chosen
from ..finding import find
from ..site.here import library

page = Blueprint("api_evidence", __name__, url_prefix="/api")


@page.get("/tally")
def tally() -> ResponseReturnValue:
    here = asked()
    return jsonify(
        evidence_json(library().evidence.tally(here.phrase, here.by, where=_where(), only=here.only))
    )


@page.get("/next")
def following() -> ResponseReturnValue:
    here = _with_phrase()
    return jsonify(evidence_json(library().evidence.next(here.phrase, where=_where(), only=here.only)))


@page.get("/answers")
def answers() -> ResponseReturnValue:
    here = _with_phrase()
    found = library().evidence.answers(
        here.phrase, stances=not _yes("any_stance"), where=_where(), only=here.only
    )
    return jsonify(evidence_json(found))


@page.get("/caught")
def caught() -> ResponseReturnValue:
    here = _with_phrase()
    return jsonify(evidence_json(library().evidence.caught(here.phrase, where=_where(), only=here.only)))


@page.get("/compare")
def compare() -> ResponseReturnValue:
    here = _with_phrase()
    this, that = chosen("this"), chosen("that")
    if not this or not that:
        raise InputError("“this” and “that” say what is compared, as KEY=VALUE: this=round=1&that=round=2")
    by = here.by[0] if here.by else None
    found = library().evidence.compare(here.phrase, this, that, by=by, where=_where(), only=here.only)
    return jsonify(evidence_json(found))


@page.get("/change")
def change() -> ResponseReturnValue:
    here, of = _with_phrase(), request.args.get("of", "rate")
    if of not in ("rate", "frequency"):
        raise InputError(f"“{of[:40]}” is neither rate nor frequency")
    fight = request.args.get("fight", "")
    if not fight:
        raise InputError("“fight” is missing: a fight’s number or a part of its title")
    return jsonify(
        evidence_json(library().evidence.change(here.phrase, fight, of, only=here.only))  # type: ignore[arg-type]
    )


@page.get("/fights/<int:fight_id>/agreement")
def agreement(fight_id: int) -> ResponseReturnValue:
    one, two = (request.args.get(name) or None for name in ("first", "second"))
    found = library().evidence.two_logs(fight_id, one, two, where_both=_yes("where_both"))
    return jsonify(evidence_json(found))


def _with_phrase() -> Asked:
    here = asked()
    if not here.phrase:
        raise InputError("“q” is missing: what is to be counted, as one says it in the gym")
    return here


def _where() -> Where:
    return find.where_from(find.filters_of(request.args))


def _yes(name: str) -> bool:
    text = request.args.get(name, "")
    if text not in ("", "yes", "no"):
        raise InputError(f"“{name}” must be yes or no")
    return text == "yes"
