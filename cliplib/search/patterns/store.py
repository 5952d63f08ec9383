"""The columns between runs: one file, written under another name and moved into place, read back if whole.

    magic (8 bytes) | BLAKE2b of the rest (32) | header's length (8, little-endian) | header (JSON) | arrays

The header names the layout's version, whatever the caller wants to compare (what the vocabulary counts as a
punch), and each array's type, length and place. Anything odd about the file and there is no cache.
"""

from __future__ import annotations

import datetime
import hashlib
import json
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from cliplib.core.errors import StorageError
from cliplib.media.files import replacing
from cliplib.search.patterns.columns import Columns
from cliplib.search.patterns.encode import FightEntry

LAYOUT = 6
_MAGIC = b"cliplibC"
_DIGEST, _ALIGN = 32, 64
_ARRAYS = tuple(f.name for f in fields(Columns) if f.name not in ("fights", "words", "families"))


def save(columns: Columns, path: Path, made_with: str) -> None:
    """Write the cache; StorageError if the disk won't have it."""
    arrays, places, at = [], [], 0
    for name in _ARRAYS:
        array = np.ascontiguousarray(getattr(columns, name))
        arrays.append(array)
        places.append([name, array.dtype.newbyteorder("<").str, len(array), at])
        at += -(-array.nbytes // _ALIGN) * _ALIGN
    header = json.dumps(
        {
            "layout": LAYOUT,
            "made_with": made_with,
            "words": columns.words,
            "families": columns.families,
            "fights": [_entry_values(f) for f in columns.fights],
            "arrays": places,
        }
    ).encode("ascii")
    header += b" " * (-(len(_MAGIC) + _DIGEST + 8 + len(header)) % _ALIGN)
    parts = [len(header).to_bytes(8, "little"), header]
    for array in arrays:
        parts.append(array.astype(array.dtype.newbyteorder("<"), copy=False).tobytes())
        parts.append(bytes(-array.nbytes % _ALIGN))
    digest = hashlib.blake2b(digest_size=_DIGEST)
    for part in parts:
        digest.update(part)
    try:
        with replacing(path) as temporary, open(temporary, "wb") as file:
            file.writelines([_MAGIC, digest.digest(), *parts])
    except OSError as error:
        raise StorageError(f"{path} could not be written: {error}; free some space and try again") from error


def load(path: Path, made_with: str) -> Columns | None:
    """The cached columns; None if there are none, or they are damaged, of another layout or vocabulary."""
    read = _read(path)
    if read is None or not _is_ours(read[1], made_with):
        return None
    data, header, first = read
    columns = Columns(
        fights=tuple(_entry(values) for values in header["fights"]),
        words={name: tuple(words) for name, words in header["words"].items()},
        families={name: tuple(some) for name, some in header["families"].items()},
        **{
            name: np.frombuffer(data, np.dtype(dtype), count, first + at)
            for name, dtype, count, at in header["arrays"]
        },
    )
    return columns if _consistent(columns) else None


def outdated(path: Path, made_with: str) -> bool:
    """Whether there is a whole file, but of another layout or vocabulary: it is made anew when needed."""
    read = _read(path)
    return read is not None and not _is_ours(read[1], made_with)


def _is_ours(header: dict[str, Any], made_with: str) -> bool:
    return (header["layout"], header["made_with"]) == (LAYOUT, made_with)


def _read(path: Path) -> tuple[bytes, dict[str, Any], int] | None:
    """The file, its header and where the arrays begin; None unless it is, whole, what some `save` wrote."""
    try:
        data = path.read_bytes()
    except OSError:
        return None
    start = len(_MAGIC) + _DIGEST
    rest = memoryview(data)[start:]
    if data[: len(_MAGIC)] != _MAGIC or len(rest) < 8:
        return None
    if hashlib.blake2b(rest, digest_size=_DIGEST).digest() != data[len(_MAGIC) : start]:
        return None
    size = int.from_bytes(rest[:8], "little")
    return data, json.loads(bytes(rest[8 : 8 + size])), start + 8 + size


def _consistent(columns: Columns) -> bool:
    """Lengths that must agree do; checksums have already vouched for the contents."""
    return (
        len(columns.first_exchange) == len(columns.fights) + 1 == len(columns.last_round) + 1
        and int(columns.first_exchange[-1]) == len(columns.exchange_id) == len(columns.round)
        and len(columns.first_action) == len(columns.exchange_id) + 1
        and int(columns.first_action[-1]) == len(columns.kind) == len(columns.since) == len(columns.answers)
        and len(columns.beside) == len(columns.slot) == len(columns.round)
        and len(columns.next_own) == len(columns.next_other) == len(columns.kind)
        and len(columns.ahead_own) == len(columns.ahead_other) == len(columns.kind)
        and len(columns.setting) == len(columns.kind)
        and int(columns.kind.max(initial=0)) < max(1, len(columns.kinds))
        and int(columns.setting.max(initial=0)) < max(1, len(columns.settings))
    )


def _entry_values(entry: FightEntry) -> list[Any]:
    values = [getattr(entry, f.name) for f in fields(FightEntry)]
    return [v.isoformat() if isinstance(v, datetime.date) else v for v in values]


def _entry(values: list[Any]) -> FightEntry:
    data = dict(zip((f.name for f in fields(FightEntry)), values, strict=True))
    data["periods"] = tuple(data["periods"])
    data["date"] = datetime.date.fromisoformat(data["date"]) if data["date"] else None
    return FightEntry(**data)
