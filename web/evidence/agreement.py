"""Two logs of a fight beside each other, and one log agreed on, decision by decision."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import Blueprint, Response, render_template, request, url_for
from flask.typing import ResponseReturnValue

from cliplib import InputError, agreement, evidence_tables, log_forms

from ..site.here import library
from .clips import show_clips

page = Blueprint("agreement", __name__, url_prefix="/counts/agree")


@page.get("/<int:fight_id>")
def show(fight_id: int) -> ResponseReturnValue:
    return _show(fight_id, {})


@page.get("/<int:fight_id>/clips")
def clips(fight_id: int) -> ResponseReturnValue:
    """The clips behind a number of two logs beside each other, by its key."""
    found = _two(fight_id, request.args)
    opened = evidence_tables.fill_agreement(found).open(request.args.get("key", ""))
    return show_clips(opened, "", {"fight": found.fight.title}, back=_link(found))


@page.post("/<int:fight_id>")
def decide(fight_id: int) -> ResponseReturnValue:
    """The agreed log as a file to keep; the logs stay as they are."""
    found = _two(fight_id, request.form)
    decisions = {
        key.removeprefix("take-"): value
        for key, value in request.form.items()
        if key.startswith("take-") and value in agreement.DECISIONS
    }
    form = log_forms.form_named("csv")
    try:
        text = library().evidence.agreed_log(found, decisions, form.name)
    except InputError as wrong:
        return _show(fight_id, decisions, problem=str(wrong).split("\n")[0]), 400
    answer = Response(text.encode("utf-8", "surrogateescape"), mimetype=form.media_type)
    answer.headers["Content-Disposition"] = f"attachment; filename=agreed-{fight_id}{form.suffix}"
    return answer


def _show(fight_id: int, decided: Mapping[str, str], problem: str = "") -> str:
    found = _two(fight_id, request.values)
    filled = evidence_tables.fill_agreement(found)

    def linked(_row: Any, _column: Any, pieces: Any) -> list[tuple[str, str]]:
        return [
            (piece.text, _link(found, "agreement.clips", key=piece.key) if piece.key else "")
            for piece in pieces
        ]

    return render_template(
        "evidence_agree.html",
        compared=found,
        found=filled,
        cell=linked,
        key_link=lambda key: _link(found, "agreement.clips", key=key),
        decided=decided,
        problem=problem,
        other=_link(found, where_both=None if request.values.get("where_both") == "on" else "on"),
    )


def _link(found: Any, endpoint: str = "agreement.show", **more: str | None) -> str:
    values: dict[str, Any] = {
        "fight_id": found.fight.id,
        "first": found.one,
        "second": found.two,
        "where_both": "on" if request.values.get("where_both") == "on" else None,
        **more,
    }
    return url_for(endpoint, **{k: v for k, v in values.items() if v is not None})


def _two(fight_id: int, given: Mapping[str, str]) -> Any:
    return library().evidence.two_logs(
        fight_id,
        given.get("first") or None,
        given.get("second") or None,
        where_both=given.get("where_both") == "on",
    )
