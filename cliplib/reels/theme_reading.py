"""Reading a theme file: what each of its keys may hold, and what is said when it holds something else."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

from PIL import ImageColor
from rapidfuzz import process

from cliplib.core.errors import Problem, ThemeError
from cliplib.core.timebase import from_seconds
from cliplib.reels.parts import DRAWING_KINDS, SHOTS, Drawing, Freeze, ReelSettings, Slow, Treatment, Zoom
from cliplib.reels.plan import PRESETS
from cliplib.reels.theme import CHAPTERS, MIRRORS, ORDERS, ClipChange, Theme

Reader = Callable[[Any], Any]
_POINTS = {"line": (2, 2), "arrow": (2, 2), "circle": (2, 2), "box": (2, 2), "angle": (3, 3), "text": (1, 1)}
_LONGEST = 3600


def read_theme(path: Path) -> Theme:
    """The theme in a file. Raises ThemeError with every problem as `file:line:column: key …`."""
    try:
        text = Path(path).read_bytes().decode("utf-8-sig")
    except OSError as problem:
        raise ThemeError(
            f"{path} cannot be read: {problem.strerror}; give the path of a theme file"
        ) from problem
    except UnicodeDecodeError as problem:
        raise ThemeError(f"{path} is not UTF-8; save it as UTF-8") from problem
    return theme_from(text, Path(path).name)


def theme_from(text: str, name: str = "theme") -> Theme:
    """The same from a theme's text; `name` is what messages call it."""
    try:
        values = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as problem:
        raise ThemeError(
            f"{name} is not TOML: {problem}; see where a quotation mark or bracket is missing"
        ) from problem
    return _read_values(values, text, name)


def _read_values(values: Mapping[str, Any], text: str, name: str) -> Theme:
    """A theme from what TOML gave. `text`: the file, to find lines in. Raises ThemeError."""
    wrong = _Problems(text, name)
    top = wrong.table(values, "", TOP)
    limits, picture, clip = (
        wrong.table(values.get(key), key, keys)
        for key, keys in (("limits", LIMITS), ("picture", PICTURE), ("clip", CLIP))
    )
    slow, freeze, zoom = (
        _treat(wrong, values.get(key), key, keys, kind)
        for key, keys, kind in (("slow", SLOW, Slow), ("freeze", FREEZE, Freeze), ("zoom", ZOOM, Zoom))
    )
    changes = _changes(wrong, values.get("clips", []))
    if "phrase" not in values:
        wrong.add("", "", 'has no phrase; write phrase = "…" at its top', whole=True)
    wrong.raise_if_any()
    mirror = picture.pop("mirror", "none")
    chapters = top.get("chapters", "none")
    return Theme(
        phrase=top["phrase"],
        settings=ReelSettings(
            title=top.get("title", ""),
            subtitle=top.get("subtitle", ""),
            chapter_cards=chapters != "none",
            **picture,
        ),
        order=top.get("order", "date"),
        chapters=chapters,
        strict=top.get("strict", False),
        most_clips=limits.get("clips"),
        most_us=limits.get("seconds"),
        per_fight=limits.get("per_fight"),
        overlap=limits.get("overlap", False),
        lead_in_us=clip.get("lead_in"),
        follow_through_us=clip.get("follow_through"),
        mirror=mirror,
        treatment=Treatment(slow=slow or None, freeze=freeze or None, zoom=zoom or None),
        changes=changes,
    )


@dataclass(frozen=True, slots=True)
class Look:
    """How film is shown, without a phrase. `picture`: what is said of ReelSettings; `mirror`: as in a theme;
    treatments: None is as before, False none. `sound`: what is said of `SOUND`."""

    picture: Mapping[str, Any] = field(default_factory=dict)
    mirror: str | None = None
    slow: Slow | Literal[False] | None = None
    freeze: Freeze | Literal[False] | None = None
    zoom: Zoom | Literal[False] | None = None
    sound: Mapping[str, Any] = field(default_factory=dict)


def look_from(text: str, name: str, *, whole: bool) -> Look:
    """The tables `picture`, `slow`, `freeze`, `zoom` and `sound` of a TOML text. `whole`: it is about a whole
    film, so that its size and cards may be said. Raises ThemeError with every problem."""
    try:
        values = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as problem:
        raise ThemeError(f"{name} is not TOML: {problem}") from problem
    wrong = _Problems(text, name)
    tables = ("picture", "slow", "freeze", "zoom", "sound")
    for key in values.keys() - set(tables):
        near = process.extractOne(key, tables, score_cutoff=60)
        what = f"[{key}] is no table here; there are {', '.join(tables)}"
        wrong.add(key, "", what, near[0] if near else "", whole=True)
    of_whole = ("preset", "size", "rate", "cards", "notes", "numbers")
    keys = PICTURE if whole else {key: read for key, read in PICTURE.items() if key not in of_whole}
    picture = wrong.table(values.get("picture"), "picture", keys)
    slow, freeze, zoom = (
        _treat(wrong, values.get(key), key, reading, kind)
        for key, reading, kind in (("slow", SLOW, Slow), ("freeze", FREEZE, Freeze), ("zoom", ZOOM, Zoom))
    )
    sound = wrong.table(values.get("sound"), "sound", _SOUND)
    wrong.raise_if_any()
    return Look(picture, picture.pop("mirror", None), slow, freeze, zoom, sound)


class _Problems:
    """Collects what is wrong, each with its line."""

    def __init__(self, text: str, name: str):
        self._lines = text.splitlines()
        self._name = name
        self._found: list[Problem] = []

    def raise_if_any(self) -> None:
        if self._found:
            raise ThemeError("\n".join(str(problem) for problem in sorted(self._found, key=lambda p: p.line)))

    def add(self, where: str, key: str, message: str, meant: str = "", *, whole: bool = False) -> None:
        line, column = (1, 0) if whole else self._place(where, key)
        source = self._lines[line - 1] if column and line <= len(self._lines) else ""
        self._found.append(Problem(self._name, line, column, f"{key} {message}".strip(), source, meant))

    def table(self, values: Any, where: str, keys: Mapping[str, Reader]) -> dict[str, Any]:
        """The read values of a table; problems are kept for later."""
        if values is None:
            return {}
        if not isinstance(values, dict):
            self.add("", where.partition("#")[0], "must be a table of keys and values")
            return {}
        read: dict[str, Any] = {}
        for key, value in values.items():
            if where == "" and key in _TABLES:
                continue
            reader = keys.get(key)
            if reader is None:
                known = [*keys, *(_TABLES if where == "" else ())]
                near = process.extractOne(key, known, score_cutoff=60)
                what = f"[{where.partition('#')[0]}]" if where else "a theme"
                self.add(
                    where,
                    key,
                    f"is not a key of {what}; there are {', '.join(known)}",
                    near[0] if near else "",
                )
                continue
            try:
                read[str(_INTO.get((where.partition("#")[0], key), key))] = reader(value)
            except ValueError as problem:
                self.add(where, key, str(problem))
        return read

    def _place(self, where: str, key: str) -> tuple[int, int]:
        """Line and column of `key` in table `where` (`clips#2` is the third of its kind)."""
        table, _, number = where.partition("#")
        inside, left, head = table == "", int(number or 0), (1, 0)
        for n, line in enumerate(self._lines, 1):
            opened = re.match(r"\s*\[\[?\s*([\w.\-]+)\s*\]\]?", line)
            if opened and not line.lstrip().startswith("[["):
                inside = opened[1] == table
            elif opened:
                inside = opened[1] == table and left == 0
                left -= opened[1] == table
            elif not inside:
                continue
            if opened and inside:
                head = (n, 1)
                continue
            found = re.search(rf"(?:^|[{{,\s])[\"']?{re.escape(key)}[\"']?\s*=", line) if inside else None
            if found and not opened:
                return n, line.index(key, found.start()) + 1
        if not table or head == (1, 0):
            for n, line in enumerate(self._lines, 1):
                if table and re.match(rf"\s*{re.escape(table)}\s*=", line):
                    return n, 1
        return head


# --- readers: ValueError with the end of a sentence that begins with the key ------------------------------


def _shown(value: Any) -> str:
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f'must be text in quotation marks, like "…", not {_shown(value)}')
    if len(value) > 500:
        raise ValueError(f"has {len(value)} characters; at most 500 fit")
    return value.strip()


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"must be true or false, not {_shown(value)}")
    return value


def _one_of(words: Sequence[str]) -> Reader:
    def read(value: Any) -> str:
        if value not in words or not isinstance(value, str):
            near = process.extractOne(value, words, score_cutoff=60) if isinstance(value, str) else None
            hint = f"; did you mean {near[0]}?" if near else ""
            raise ValueError(f"must be one of {', '.join(words)}, not {_shown(value)}{hint}")
        return value

    return read


def _number(low: float, high: float, what: str) -> Reader:
    def read(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
            raise ValueError(f"must be {what}, not {_shown(value)}")
        if not low <= value <= high:
            raise ValueError(f"must be {what} from {low:g} to {high:g}, not {_shown(value)}")
        return value

    return read


def _whole(low: int, high: int, what: str) -> Reader:
    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise ValueError(f"must be {what} from {low} to {high}, not {_shown(value)}")
        return value

    return read


def _seconds(low: float, high: float = _LONGEST) -> Reader:
    number = _number(low, high, "a number of seconds")
    return lambda value: from_seconds(number(value))


def _size(value: Any) -> tuple[int, int]:
    match = re.fullmatch(r"\s*(\d{2,4})\s*[x×]\s*(\d{2,4})\s*", value) if isinstance(value, str) else None
    if match is None or not all(64 <= int(side) <= 4096 for side in match.groups()):
        raise ValueError(f'must be width and height from 64 to 4096, like "1280x720", not {_shown(value)}')
    return int(match[1]), int(match[2])


def _rate(value: Any) -> Fraction:
    try:
        rate = Fraction(str(value)) if not isinstance(value, bool) else Fraction(0)
    except (ValueError, ZeroDivisionError):
        rate = Fraction(0)
    if not 10 <= rate <= 120:
        raise ValueError(f'must be frames a second, like 25 or "30000/1001", not {_shown(value)}')
    # Nobody means 2997/100: the rate so called is 30000/1001 (SMPTE ST 12-1).
    for exact in (Fraction(24000, 1001), Fraction(30000, 1001), Fraction(60000, 1001)):
        if abs(rate - exact) < Fraction(1, 100):
            return exact
    return rate


def _speed(value: Any) -> Fraction:
    number = _number(0.05, 1, "a share of the real speed, like 0.5,")(value)
    return Fraction(str(number)).limit_denominator(100)


def _points(value: Any) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list) or not value or len(value) > 2000:
        raise ValueError("must be a list of points, like [[0.4, 0.5], [0.6, 0.4]]")
    return tuple(_pair(point) for point in value)


def _pair(value: Any) -> tuple[float, float]:
    numbers = _shares(2)(value)
    return numbers[0], numbers[1]


def _shares(count: int) -> Reader:
    share = _number(-1, 2, "a share of the picture")

    def read(value: Any) -> tuple[float, ...]:
        if not isinstance(value, list) or len(value) != count:
            raise ValueError(f"must be {count} shares of the picture in brackets, not {_shown(value)}")
        return tuple(float(share(one)) for one in value)

    return read


def _region(value: Any) -> tuple[float, ...]:
    x, y, width, height = _shares(4)(value)
    if not (0 <= x < 1 and 0 <= y < 1 and 0 < width <= 1 and 0 < height <= 1):
        raise ValueError("must be [x, y, width, height] inside the picture, which goes from 0 to 1")
    return x, y, width, height


def _lines(value: Any) -> tuple[str, ...]:
    texts = value if isinstance(value, list) else [value]
    if len(texts) > 3 or not all(isinstance(text, str) for text in texts):
        raise ValueError(f"must be one to three lines of text, not {_shown(value)}")
    return tuple(texts)


def _shots(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise ValueError(f"must be a list of {', '.join(SHOTS)}, not {_shown(value)}")
    return tuple(_one_of(SHOTS)(one) for one in value)


def _colour(value: Any) -> str:
    try:
        ImageColor.getrgb(value)
    except (ValueError, AttributeError, TypeError):
        raise ValueError(f'must be a colour, like "yellow" or "#ffd400", not {_shown(value)}') from None
    return str(value)


_TABLES = ("limits", "picture", "clip", "slow", "freeze", "zoom", "clips")
TOP: dict[str, Reader] = {
    "phrase": _text,
    "title": _text,
    "subtitle": _text,
    "order": _one_of(ORDERS),
    "chapters": _one_of(CHAPTERS),
    "strict": _flag,
}
LIMITS: dict[str, Reader] = {
    "clips": _whole(1, 100_000, "a whole number"),
    "seconds": _seconds(0.1, 1_000_000),
    "per_fight": _whole(1, 100_000, "a whole number"),
    "overlap": _flag,
}
PICTURE: dict[str, Reader] = {
    "preset": _one_of(tuple(PRESETS)),
    "size": _size,
    "rate": _rate,
    "captions": _flag,
    "notes": _flag,
    "numbers": _flag,
    "cards": _flag,
    "joins": _one_of(("cut", "fade")),
    "mirror": _one_of(MIRRORS),
}
CLIP: dict[str, Reader] = {"lead_in": _seconds(0, 600), "follow_through": _seconds(0, 600)}
SLOW: dict[str, Reader] = {
    "speed": _speed,
    "before": _seconds(0),
    "after": _seconds(0),
    "sound": _one_of(("muted", "stretched")),
    "times": _whole(1, 10, "a whole number"),
}
FREEZE: dict[str, Reader] = {"seconds": _seconds(0.04, 60), "offset": _seconds(-10, 10)}
ZOOM: dict[str, Reader] = {
    "region": _region,
    "after": _seconds(0),
    "move": _seconds(0, 60),
    "shots": _shots,
}
_SOUND: dict[str, Reader] = {
    "loudness": _number(-40, -10, "a loudness in LUFS, like -16,"),
    "film": lambda value: (
        None if value in ("off", False) else _number(0, 60, 'a number of dB, or "off",')(value)
    ),
}
CHANGE: dict[str, Reader] = {
    "id": _whole(1, 2**53, "a clip's number"),
    "first": _whole(0, 2**40, "a frame number"),
    "last": _whole(1, 2**40, "a frame number"),
    "caption": _lines,
    "mirror": _flag,
    "beside": _whole(1, 2**53, "a clip's number"),
    "offset": _whole(-10_000, 10_000, "a number of frames"),
}
DRAWING: dict[str, Reader] = {
    "kind": _one_of(DRAWING_KINDS),
    "points": _points,
    "from": _seconds(0, 1_000_000),
    "until": _seconds(0, 1_000_000),
    "colour": _colour,
    "width": _number(0.0005, 0.1, "a share of the picture's height"),
    "text": _text,
    "shots": _shots,
}
_INTO = {
    ("slow", "before"): "before_us",
    ("slow", "after"): "after_us",
    ("freeze", "seconds"): "hold_us",
    ("freeze", "offset"): "offset_us",
    ("zoom", "after"): "after_us",
    ("zoom", "move"): "move_us",
    ("drawings", "from"): "from_us",
    ("drawings", "until"): "until_us",
}


# --- tables within tables ---------------------------------------------------------------------------------


def _treat(
    wrong: _Problems, values: Any, where: str, keys: Mapping[str, Reader], kind: Callable[..., Any]
) -> Any:
    """The treatment, False for `false`, None when there is none."""
    if values is None or values is False:
        return values
    read = wrong.table({} if values is True else values, where, keys)
    if kind is Zoom and "region" not in read:
        wrong.add(where, "region", "is missing: [x, y, width, height], shares of the picture")
        return None
    return kind(**read)


def _changes(wrong: _Problems, values: Any) -> tuple[ClipChange, ...]:
    if not isinstance(values, list):
        wrong.add("", "clips", "must be written as [[clips]], one for each clip")
        return ()
    changes, seen = [], set[int]()
    for number, value in enumerate(values):
        where = f"clips#{number}"
        if not isinstance(value, dict):
            wrong.add("", "clips", "must be written as [[clips]], one for each clip")
            return ()  # the others are the same mistake
        nested = ("slow", "freeze", "zoom", "drawings")
        known = {**CHANGE, **{key: lambda v: v for key in nested}}
        read = {key: v for key, v in wrong.table(value, where, known).items() if key not in nested}
        for key, keys, kind in (("slow", SLOW, Slow), ("freeze", FREEZE, Freeze), ("zoom", ZOOM, Zoom)):
            if key in value:
                read[key] = _treat(wrong, value[key], key, keys, kind)
        if "drawings" in value:
            read["drawings"] = _drawings(wrong, value["drawings"], where)
        if "id" not in value:
            wrong.add(where, "id", "is missing: which clip is meant")
        elif read.get("id") in seen:
            wrong.add(where, "id", "was given before; write one [[clips]] for each clip")
        elif "id" in read:
            seen.add(read["id"])
            changes.append(ClipChange(**read))
        if read.get("first") is not None and read.get("last") is not None and read["last"] <= read["first"]:
            wrong.add(where, "last", "must come after first; frames go from first up to, not with, last")
    return tuple(changes)


def drawings_from(values: Any) -> tuple[Drawing, ...]:
    """Drawings as a page sends them: a list of tables with the keys of a theme file. Raises ThemeError."""
    wrong = _Problems("", "drawings")
    drawings = _drawings(wrong, values, "")
    wrong.raise_if_any()
    return drawings


def _drawings(wrong: _Problems, values: Any, where: str) -> tuple[Drawing, ...]:
    if not isinstance(values, list):
        wrong.add(where, "drawings", "must be a list of drawings in brackets")
        return ()
    drawings = []
    for value in values:
        if not isinstance(value, dict):
            wrong.add(where, "drawings", "must hold drawings like { kind = …, points = … }")
            continue
        read = wrong.table(value, "drawings", DRAWING)
        missing = [key for key in ("kind", "points") if key not in value]
        if missing:
            wrong.add(where, "drawings", f"holds one without {' and '.join(missing)}")
            continue
        if "kind" not in read or "points" not in read:
            continue
        low, high = _POINTS.get(read["kind"], (2, 2000))
        if not low <= len(read["points"]) <= high:
            count = f"{low} point{'s' * (low != 1)}" if low == high else f"at least {low} points"
            wrong.add(
                where, "drawings", f"holds a {read['kind']} of {len(read['points'])} points; it takes {count}"
            )
            continue
        drawings.append(Drawing(**read))
    return tuple(drawings)
