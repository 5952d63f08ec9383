"""The columns between runs: one file, written under another name and moved into place, read back only if
whole.

The file is NumPy's own .npz, whose members carry checksums; a header names the layout's version and whatever
the caller wants to compare (what the vocabulary counts as a punch). Anything odd about it and there is no
cache.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import tempfile
import zipfile
import zlib
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from cliplib.errors import StorageError

from .columns import Columns, FightEntry

LAYOUT = 1
_ARRAYS = tuple(f.name for f in fields(Columns) if f.name not in ("fights", "words"))


def save(columns: Columns, path: Path, made_with: str) -> None:
    """Write the cache; StorageError if the disk won't have it."""
    header = {
        "layout": LAYOUT,
        "made_with": made_with,
        "words": columns.words,
        "fights": [_entry_values(f) for f in columns.fights],
    }
    text = np.frombuffer(json.dumps(header, ensure_ascii=False).encode("utf-8", "surrogatepass"), np.uint8)
    temporary = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, suffix=".part", delete=False) as file:
            temporary = Path(file.name)
            np.savez(file, header=text, **{name: getattr(columns, name) for name in _ARRAYS})
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except OSError as error:
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink()
        raise StorageError(f"{path} could not be written: {error}; free some space and try again") from error


def load(path: Path, made_with: str) -> Columns | None:
    """The cached columns; None if there are none, or they are damaged, of another layout or vocabulary."""
    try:
        with np.load(path, allow_pickle=False) as data:
            header = json.loads(bytes(data["header"]).decode("utf-8", "surrogatepass"))
            if header["layout"] != LAYOUT or header["made_with"] != made_with:
                return None
            columns = Columns(
                fights=tuple(_entry(values) for values in header["fights"]),
                words={name: tuple(words) for name, words in header["words"].items()},
                **{name: data[name] for name in _ARRAYS},
            )
    except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile, zlib.error):
        return None
    return columns if _consistent(columns) else None


def _consistent(columns: Columns) -> bool:
    """Lengths that must agree do; checksums have already vouched for the contents."""
    return (
        len(columns.first_exchange) == len(columns.fights) + 1 == len(columns.last_round) + 1
        and int(columns.first_exchange[-1]) == len(columns.exchange_id) == len(columns.round)
        and len(columns.first_action) == len(columns.exchange_id) + 1
        and int(columns.first_action[-1]) == len(columns.kind) == len(columns.time) == len(columns.answers)
        and len(columns.second) == len(columns.round)
        and len(columns.next_own) == len(columns.next_other) == len(columns.kind)
        and int(columns.kind.max(initial=0)) < max(1, len(columns.kinds))
    )


def _entry_values(entry: FightEntry) -> list[Any]:
    values = [getattr(entry, f.name) for f in fields(FightEntry)]
    return [v.isoformat() if isinstance(v, datetime.date) else v for v in values]


def _entry(values: list[Any]) -> FightEntry:
    data = dict(zip((f.name for f in fields(FightEntry)), values, strict=True))
    data["date"] = datetime.date.fromisoformat(data["date"]) if data["date"] else None
    return FightEntry(**data)
