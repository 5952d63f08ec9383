"""A reading as JSON, in the form other people's scripts rely on (DESIGN.md, `explain --json`)."""

from __future__ import annotations

from typing import Any

from cliplib.core.models import JSON, Reading, Step, Where
from cliplib.core.timebase import to_seconds

_STEP = ("by", "fighter", "stance", "technique", "hand", "side", "target", "outcome", "role", "direction")


def reading_json(reading: Reading) -> JSON:
    """Unset values are null. `within` is in seconds. Further keys appear only where they say something:
    `absent`, `alternatives`, `place` and `range` in a step; `choices`, `notes`, `meant` and `doubtful` in the
    reading.
    """
    out: JSON = {
        "phrase": reading.phrase,
        "said": reading.said,
        "steps": [_step(s) for s in reading.steps],
        "where": _where(reading.where),
        "unread": [u.text for u in reading.unread],
    }
    meant = [
        {"text": u.text, "start": u.start, "end": u.end, "meant": list(u.meant)}
        for u in reading.unread
        if u.meant
    ]
    if meant:
        out["meant"] = meant
    if reading.choices:
        out["choices"] = [
            {
                "text": c.text,
                "start": c.start,
                "end": c.end,
                "taken": c.taken,
                "others": [{"meaning": meaning, "phrase": phrase} for meaning, phrase in c.others],
            }
            for c in reading.choices
        ]
    if reading.notes:
        out["notes"] = list(reading.notes)
    if reading.doubtful:
        out["doubtful"] = True
    return out


def _step(step: Step) -> JSON:
    out: dict[str, Any] = {name: getattr(step, name) for name in _STEP}
    out["within"] = None if step.within_us is None else to_seconds(step.within_us)
    for name in ("place", "range"):
        if getattr(step, name) is not None:
            out[name] = getattr(step, name)
    if step.absent:
        out["absent"] = True
    if step.alternatives:
        out["alternatives"] = [_step(s) for s in step.alternatives]
    return out


def _where(where: Where) -> JSON:
    return {
        "rounds": list(where.rounds) or None,
        "fight": where.fight,
        "fighter": where.fighter,
        "stance": where.stance,
        "opponent": where.opponent,
        "opponent_stance": where.opponent_stance,
        "stance_match": where.stance_match,
        "place": where.place,
        "range": where.range,
        "outcome": where.outcome,
        "technique": where.technique,
        "dates": [d.isoformat() if d else None for d in where.dates] if where.dates else None,
        **{side: name for side in ("before", "during", "after", "views") if (name := getattr(where, side))},
    }
