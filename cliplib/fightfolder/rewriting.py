"""Other periods, parts and another first bell in the text of a fight.toml: every other byte stays."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from cliplib.core.errors import FightFolderError

Row = Mapping[str, str]
"""Keys of one table with their values as somebody typed them; empty ones are left out."""

TABLES = {
    "period": ("name", "from", "until"),
    "part": ("kind", "from", "until", "name", "jump", "of", "speed"),
}
_NUMBERS = ("jump", "speed")
_HEADER = re.compile(r"(?m)^[ \t]*\[")
_NUMBER = re.compile(r"[0-9]+(\.[0-9]+)?")


def with_tables(text: str, name: str, rows: Sequence[Row]) -> str:
    """`text` with `[[name]]` tables of these rows in place of those it has. What cannot be said so is refused
    when the result is read. Raises FightFolderError where they are written in a way that cannot be taken out.
    """
    kept = text
    opening = re.compile(rf"(?m)^[ \t]*\[\[[ \t]*{name}[ \t]*\]\][^\n]*(\n|\Z)")
    while (found := opening.search(kept)) is not None:
        following = _HEADER.search(kept, found.end())
        end = following.start() if following else len(kept)
        own = kept[found.end() : end]
        # What stands above the next table is that table's: blank lines and comments.
        rest = re.search(r"(?m)(?:^[ \t]*(?:#[^\n]*)?(?:\n|\Z))*\Z", own) if following else None
        kept = kept[: found.start()] + (own[rest.start() :] if rest else "") + kept[end:]
    said = "".join(f"\n[[{name}]]\n{_lines(name, row)}" for row in rows)
    made = kept.rstrip("\n") + "\n" + said if said else kept
    if _others(text, name) != _others(made, name) or (not rows and name in tomllib.loads(made)):
        raise FightFolderError(
            f"fight.toml writes its {name}s in a way that is not changed here; change them in the file, as "
            f"[[{name}]] tables"
        )
    return made


def with_first_bell(text: str, bell: str) -> str:
    """`text` with this `first_bell` under `[footage]`, which has none yet. FightFolderError where it has, or
    where that table is written in another way."""
    before = _others(text, "")
    footage = dict(before.get("footage", {}))
    header = re.search(r"(?m)^[ \t]*\[[ \t]*footage[ \t]*\][^\n]*(\n|\Z)", text)
    made = text
    if header is not None and "first_bell" not in footage:
        above = text[: header.end()].rstrip("\n") + "\n"
        made = above + f"first_bell = {_value('first_bell', bell)}\n" + text[header.end() :]
    if made == text or _others(made, "") != {**before, "footage": {**footage, "first_bell": bell}}:
        raise FightFolderError(
            "fight.toml writes its footage in a way that is not changed here; write first_bell there, "
            "under [footage]"
        )
    return made


def _lines(name: str, row: Row) -> str:
    told = [(key, " ".join(row.get(key, "").split())) for key in TABLES[name]]
    return "".join(f"{key} = {_value(key, value)}\n" for key, value in told if value)


def _value(key: str, value: str) -> str:
    """A number where one is wanted, else a basic string of TOML 1.0: JSON's, but for the delete character."""
    if key in _NUMBERS and _NUMBER.fullmatch(value):
        return value
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _others(text: str, name: str) -> dict[str, Any]:
    try:
        tables = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise FightFolderError(f"fight.toml is not TOML any more: {error}") from error
    return {key: value for key, value in tables.items() if key != name}
