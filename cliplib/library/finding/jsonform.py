"""The contracts of `find --json` and its like: plain data from what the library returns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cliplib.core.models import JSON, Action, ClipRow, Found, Mark
from cliplib.core.parts import Part
from cliplib.core.timebase import to_seconds
from cliplib.phrases import reading_json

if TYPE_CHECKING:
    from cliplib.search.textindex import WordHits


def found_json(found: Found) -> JSON:
    """What `cliplib find --json` prints."""
    return {
        "reading": reading_json(found.reading),
        "total": found.total,
        "clips": [clip_json(clip) for clip in found.clips],
        "facets": found.facets,
    }


def clip_json(clip: ClipRow) -> JSON:
    """A clip as in `find --json`. Times are seconds of footage time; unknown is null."""
    return {
        "id": clip.id,
        "fight": clip.fight,
        "round": clip.round,
        "start": _seconds(clip.start_us),
        "end": _seconds(clip.end_us),
        "start_frame": clip.start_frame,
        "end_frame": clip.end_frame,
        "file": str(clip.file) if clip.file else None,
        "poster": str(clip.poster) if clip.poster else None,
        "actions": [_action(action) for action in clip.actions],
        "matches": [list(match) for match in clip.matches],
        # Only of what lies in a replay.
        **({"view_of": clip.view_of, "view": True} if clip.view else {}),
    }


def words_json(hits: WordHits) -> JSON:
    """What `cliplib words --json` prints. `clip` is null for a fight's title and for a mark. A snippet's
    pieces are [text, whether it was looked for]."""
    return {
        "total": hits.total,
        "hits": [
            {
                "clip": hit.exchange_id,
                "fight": hit.title,
                "fight_id": hit.fight_id,
                "snippet": [list(piece) for piece in hit.snippet],
                **({"mark": mark_json(hit.mark_id, hit.mark)} if hit.mark and hit.mark_id else {}),
            }
            for hit in hits.hits
        ],
        "meant": {word: list(near) for word, near in hits.meant.items()},
    }


def part_json(part: Part) -> JSON:
    """A part of the film; times in seconds of footage time. Of a gap how long the clock ran meanwhile, of a
    replay when what it shows again began, and its speed."""
    told: JSON = {
        "kind": part.kind,
        "from": to_seconds(part.start_us),
        "until": to_seconds(part.end_us),
        "name": part.name,
    }
    if part.kind == "gap":
        told["jump"] = to_seconds(part.jump_us)
    if part.kind == "replay":
        told["of"] = None if part.of_us is None else to_seconds(part.of_us)
        told["speed"] = None if part.speed is None else float(part.speed)
    return told


def mark_json(number: int, mark: Mark) -> JSON:
    """A mark: `time` in seconds of footage time, or `left` on its round's clock if nobody knows the bells."""
    return {
        "id": number,
        "round": mark.round,
        "time": None if mark.on_clock else to_seconds(mark.time_us),
        "left": to_seconds(-mark.time_us) if mark.on_clock else None,
        "fighter": mark.fighter,
        "note": mark.note,
    }


def _action(action: Action) -> JSON:
    return {
        "time": _seconds(action.time_us),
        "fighter": action.fighter,
        "technique": action.technique,
        "hand": action.hand,
        "side": action.side,
        "target": action.target,
        "outcome": action.outcome,
        "roles": list(action.roles),
        "direction": action.direction,
        # Only where it says something: the outcome follows from a defence, and nobody wrote it.
        **({"inferred": ["outcome"]} if "outcome" in action.inferred else {}),
    }


def _seconds(us: int | None) -> float | None:
    # A negative time is one on a round clock whose bell nobody knows: not footage time.
    return None if us is None or us < 0 else to_seconds(us)
