"""A theme back into the text of a theme file, so that what a page changed can be kept and read by anybody."""

from __future__ import annotations

import json
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from cliplib.core.timebase import to_seconds
from cliplib.reels.parts import Drawing, Freeze, ReelSettings, Slow, Zoom
from cliplib.reels.theme import ClipChange, Theme

_PICTURE = ("preset", "captions", "notes", "numbers", "cards", "joins")


def theme_text(theme: Theme) -> str:
    """TOML that `theme_from` reads as an equal theme. What is as by default is left out, the phrase never."""
    plain, settings, usual = Theme(""), theme.settings, ReelSettings()
    top = _changed(
        {name: getattr(theme, name) for name in ("order", "chapters", "strict")},
        {name: getattr(plain, name) for name in ("order", "chapters", "strict")},
    )
    titles = {name: getattr(settings, name) for name in ("title", "subtitle") if getattr(settings, name)}
    text = [*_lines({"phrase": theme.phrase, **titles, **top})]
    tables: dict[str, dict[str, Any]] = {
        "limits": _known(
            {
                "clips": theme.most_clips,
                "seconds": _seconds(theme.most_us),
                "per_fight": theme.per_fight,
                "overlap": theme.overlap or None,
            }
        ),
        "picture": _changed(
            {name: getattr(settings, name) for name in _PICTURE} | {"mirror": theme.mirror},
            {name: getattr(usual, name) for name in _PICTURE} | {"mirror": "none"},
        )
        | _known(
            {
                "size": f"{settings.size[0]}x{settings.size[1]}" if settings.size else None,
                "rate": str(settings.rate) if settings.rate else None,
            }
        ),
        "clip": _known(
            {"lead_in": _seconds(theme.lead_in_us), "follow_through": _seconds(theme.follow_through_us)}
        ),
    }
    tables |= _treatments(theme.treatment)
    for name, values in tables.items():
        if values:
            text += ["", f"[{name}]", *_lines(values)]
    for change in theme.changes:
        text += ["", "[[clips]]", *_lines(_change(change))]
    return "\n".join(text) + "\n"


def text_of_fields(fields: Mapping[str, Any], before: Theme | None = None) -> str:
    """A theme's text from what a form holds: the keys of a theme file, with a table for each table. What
    `before` changes for single clips is kept. Nothing is checked here."""
    text = _lines({name: value for name, value in fields.items() if not isinstance(value, Mapping)})
    for name, table in fields.items():
        if isinstance(table, Mapping):
            text += ["", f"[{name}]", *_lines(table)]
    for change in before.changes if before else ():
        text += ["", "[[clips]]", *_lines(_change(change))]
    return "\n".join(text) + "\n"


def drawing_values(drawing: Drawing) -> dict[str, Any]:
    """A drawing with the keys of a theme file; also what a page keeps and sends, as JSON."""
    usual = Drawing("line", ())
    return {"kind": drawing.kind, "points": [list(point) for point in drawing.points]} | _known(
        {
            "from": _seconds(drawing.from_us),
            "until": _seconds(drawing.until_us),
            "colour": drawing.colour if drawing.colour != usual.colour else None,
            "width": drawing.width if drawing.width != usual.width else None,
            "text": drawing.text or None,
            "shots": list(drawing.shots) or None,
        }
    )


def _treatments(treatment: Any) -> dict[str, dict[str, Any]]:
    values = {"slow": treatment.slow, "freeze": treatment.freeze, "zoom": treatment.zoom}
    return {name: _treatment(value) for name, value in values.items() if value}


def _treatment(value: Slow | Freeze | Zoom) -> dict[str, Any]:
    if isinstance(value, Slow):
        return {
            "speed": _number(value.speed),
            "before": _seconds(value.before_us),
            "after": _seconds(value.after_us),
            "sound": value.sound,
            "times": value.times,
        }
    if isinstance(value, Freeze):
        return {"seconds": _seconds(value.hold_us), "offset": _seconds(value.offset_us)}
    return {
        "region": list(value.region),
        "after": _seconds(value.after_us),
        "move": _seconds(value.move_us),
        **({"shots": list(value.shots)} if value.shots else {}),
    }


def _change(change: ClipChange) -> dict[str, Any]:
    values: dict[str, Any] = {"id": change.id} | _known(
        {
            "first": change.first,
            "last": change.last,
            "caption": None if change.caption is None else list(change.caption),
            "mirror": change.mirror,
            "beside": change.beside,
            "offset": change.offset or None,
        }
    )
    for name, value in (("slow", change.slow), ("freeze", change.freeze), ("zoom", change.zoom)):
        if value is not None:
            values[name] = _treatment(value) if value else False
    if change.drawings:
        values["drawings"] = [drawing_values(drawing) for drawing in change.drawings]
    return values


def _known(values: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value is not None}


def _changed(values: Mapping[str, Any], usual: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value != usual[name]}


def _seconds(us: int | None) -> float | None:
    return None if us is None else to_seconds(us)


def _number(value: Fraction) -> float:
    """The shortest decimal that is read back as the same fraction (at most a hundredth's denominator)."""
    return next(
        (shown for places in range(1, 17) if _same(shown := round(float(value), places), value)), float(value)
    )


def _same(shown: float, value: Fraction) -> bool:
    return Fraction(str(shown)).limit_denominator(100) == value


def _lines(values: Mapping[str, Any]) -> list[str]:
    return [f"{name} = {_toml(value)}" for name, value in values.items()]


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        # A JSON string is a TOML basic string, but for one character that JSON leaves bare.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{name} = {_toml(inner)}" for name, inner in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return repr(value)
