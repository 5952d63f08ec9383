"""What was drawn on clips, kept as data: shapes in shares of the picture, with their footage times."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from cliplib.catalogue.store import Store
from cliplib.core.errors import NotFoundError


@dataclass(frozen=True, slots=True)
class StoredDrawing:
    """`values`: all but the times, by the keys of a theme file. Shown while from_us <= time < until_us."""

    id: int
    from_us: int
    until_us: int
    values: Mapping[str, Any]


_COLUMNS = "id, from_us, until_us, shape"


class Drawings:
    """The drawings of a catalogue. One that was drawn on an exchange that its log has no more is shown on
    every clip of its fight that has its time, so that nothing drawn is lost when a log changes."""

    def __init__(self, store: Store):
        self._store = store

    def of(self, fight_id: int, exchange_id: int, start_us: int, end_us: int) -> list[StoredDrawing]:
        """Those of one clip, which shows [start_us, end_us), in the order they were drawn."""
        rows = self._store.rows(
            f"SELECT {_COLUMNS} FROM drawings WHERE removed = 0 AND (exchange_id = ? OR (exchange_id IS NULL "
            "AND fight_id = ? AND from_us < ? AND until_us > ?)) ORDER BY id",
            (exchange_id, fight_id, end_us, start_us),
        )
        return [_stored(row) for row in rows]

    def add(
        self, fight_id: int, exchange_id: int, from_us: int, until_us: int, values: Mapping[str, Any]
    ) -> StoredDrawing:
        with self._store.transaction() as db:
            cursor = db.execute(
                "INSERT INTO drawings (fight_id, exchange_id, from_us, until_us, shape) "
                "VALUES (?, ?, ?, ?, ?)",
                [fight_id, exchange_id, from_us, until_us, _json(values)],
            )
        self._store.settle()  # nobody draws a line again after a power cut
        return StoredDrawing(int(cursor.lastrowid or 0), from_us, until_us, values)

    def change(self, drawing: StoredDrawing) -> None:
        """Store it as it is now; NotFoundError if somebody removed it meanwhile."""
        self._one(
            "UPDATE drawings SET from_us = ?, until_us = ?, shape = ? WHERE id = ? AND removed = 0",
            [drawing.from_us, drawing.until_us, _json(drawing.values), drawing.id],
        )

    def remove(self, drawing_id: int) -> None:
        """Take it off its clip; `bring_back` undoes that."""
        self._one("UPDATE drawings SET removed = 1 WHERE id = ? AND removed = 0", [drawing_id])

    def bring_back(self, fight_id: int, drawing_id: int) -> StoredDrawing:
        self._one(
            "UPDATE drawings SET removed = 0 WHERE id = ? AND removed = 1 AND fight_id = ?",
            [drawing_id, fight_id],
        )
        return _stored(self._store.rows(f"SELECT {_COLUMNS} FROM drawings WHERE id = ?", (drawing_id,))[0])

    def _one(self, sql: str, parameters: list[Any]) -> None:
        with self._store.transaction() as db:
            if db.execute(sql, parameters).rowcount == 0:
                raise NotFoundError("that drawing is not there any more; look at the clip again")
        self._store.settle()


def _stored(row: tuple[Any, ...]) -> StoredDrawing:
    return StoredDrawing(row[0], row[1], row[2], json.loads(row[3]))


def _json(values: Mapping[str, Any]) -> str:
    return json.dumps(values, ensure_ascii=False)
