"""The library over JSON: what the commands print, for scripts. /api/openapi.json describes it.

Logging has a module of its own, `api_log`; `find` and `complete` stand beside the page that uses them.
"""

from __future__ import annotations

from flask import Blueprint, current_app, jsonify, request, url_for
from flask.typing import ResponseReturnValue

from cliplib import JSON, FightRow, MadeReel, clip_json, mark_json, part_json, reading_json, to_seconds

from ..site.guards import form_key
from ..site.here import library
from ..site.signin import by, role
from . import document as api_doc
from .shapes import served_clip, whole

page = Blueprint("api", __name__, url_prefix="/api")


@page.get("/openapi.json")
def openapi() -> ResponseReturnValue:
    return jsonify(api_doc.document())


@page.get("/session")
def mine() -> ResponseReturnValue:
    """Who one is here, and the key that every change has to carry as X-Form-Key."""
    return jsonify({"role": role(), "by": by() or None, "form_key": form_key()})


@page.get("/explain")
def explain() -> ResponseReturnValue:
    return jsonify(reading_json(library().finding.explain(request.args.get("q", "")[:500])))


@page.get("/clips/<int:clip_id>")
def clip(clip_id: int) -> ResponseReturnValue:
    return jsonify(served_clip(clip_json(library().finding.clip(clip_id, request.args.get("q", "")[:500]))))


@page.get("/clips/<int:clip_id>/similar")
def similar(clip_id: int) -> ResponseReturnValue:
    found = library().finding.similar(clip_id, whole("limit", 10, most=100))
    return jsonify(
        [{"id": one.exchange_id, "distance": one.distance, "explanation": one.explanation} for one in found]
    )


@page.get("/fights")
def fights() -> ResponseReturnValue:
    return jsonify([_fight(row) for row in library().finding.fights()])


@page.get("/fights/<int:fight_id>")
def fight(fight_id: int) -> ResponseReturnValue:
    row = library().finding.fight(fight_id)
    view = library().finding.fight_view(fight_id)
    clips = [clip.id for lane in view.lanes for clip in lane.clips]
    periods = [
        {"name": p.name, "from": p.start and str(p.start), "until": p.end and str(p.end)}
        for p in row.info.periods
    ]
    parts = [part_json(part) for part in row.info.parts]
    marks = [mark_json(item.id, item.mark) for item in view.marks]
    return jsonify({**_fight(row), "clip_ids": clips, "periods": periods, "parts": parts, "marks": marks})


@page.get("/reels")
def reels() -> ResponseReturnValue:
    return jsonify([_reel(reel) for reel in library().making.reels()])


@page.get("/offers")
def offers() -> ResponseReturnValue:
    """What can be picked on the log page; `next` gives places in this list."""
    return jsonify(
        [{"text": offer.text, "number": offer.number} for offer in library().logging.next_lines.offers()]
    )


def _fight(row: FightRow) -> JSON:
    info = row.info
    return {
        "id": row.id,
        "title": row.title,
        "date": info.date.isoformat() if info.date else None,
        "event": info.event or None,
        "red": {"name": info.red.name, "stance": info.red.stance},
        "blue": {"name": info.blue.name, "stance": info.blue.stance},
        "rounds": info.rounds,
        "winner": info.winner,
        "method": info.method,
        "exchanges": row.exchanges,
        "clips": row.clips,
        "footage": row.footage is not None,
        "logs": [{"file": log.file, "by": log.by or None} for log in info.logs],
    }


def _reel(reel: MadeReel) -> JSON:
    return {
        "name": reel.name,
        "title": reel.title,
        "said": reel.said,
        "clips": reel.clips,
        "seconds": to_seconds(reel.duration_us),
        "made": reel.made,
        "video": url_for("reels.play", name=reel.name),
    }


def known_paths() -> set[tuple[str, str]]:
    """(path as OpenAPI writes it, method) of everything that answers under /api."""
    found = set()
    for rule in current_app.url_map.iter_rules():
        if rule.rule.startswith("/api/"):
            path = rule.rule.replace("<int:", "{").replace("<", "{").replace(">", "}")
            found |= {(path, m.lower()) for m in (rule.methods or set()) - {"HEAD", "OPTIONS"}}
    return found
