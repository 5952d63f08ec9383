"""The evidence behind a claim over JSON: what the commands for it print with --json."""

from __future__ import annotations

from collections.abc import Callable

from flask import Blueprint, jsonify, request
from flask.typing import ResponseReturnValue

from cliplib import evidence_tables

from ..evidence.asked import asked
from ..site.here import library


def pages() -> Blueprint:
    """An address for each table that there is now."""
    made = Blueprint("api_evidence", __name__, url_prefix="/api")
    for table in evidence_tables.TABLES:
        made.add_url_rule(f"/{table.name}", table.name, _answer(table))
    made.add_url_rule("/fights/<int:fight_id>/agreement", "agreement", agreement)
    return made


def _answer(table: evidence_tables.EvidenceTable) -> Callable[[], ResponseReturnValue]:
    def answer() -> ResponseReturnValue:
        given = asked(table).parameters()
        evidence_tables.check(table, given)
        return jsonify(library().evidence.table(table.name, **given).as_json())

    return answer


def agreement(fight_id: int) -> ResponseReturnValue:
    one, two = (request.args.get(name) or None for name in ("first", "second"))
    where_both = evidence_tables.yes("where_both", request.args.get("where_both", ""))
    found = library().evidence.two_logs(fight_id, one, two, where_both=where_both)
    return jsonify(evidence_tables.fill_agreement(found).as_json())
