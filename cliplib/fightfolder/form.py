"""fight.toml being checked: values go out, problems gather."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from cliplib.core.errors import FightFolderError, Problem
from cliplib.logs.source import Source, nearest

T = TypeVar("T")


@dataclass(slots=True)
class Form:
    """fight.toml being checked: values go out, problems gather."""

    source: Source
    tables: dict[str, Any]
    problems: list[Problem] = field(default_factory=list)

    def wrong(self, table: str, key: str, message: str, meant: str = "", index: int = 0) -> None:
        offset = self._offset(table, key, index)
        name = f"{table}.{key}" if table and key else table or key
        message = f"{name} {message}"
        if offset is None:
            self.problems.append(Problem(self.source.label, 1, 0, message, "", meant))
        else:
            self.problems.append(self.source.problem(offset, message, meant))

    def _offset(self, table: str, key: str, index: int) -> int | None:
        """Where a key stands. tomllib does not tell, so it is looked for as people write it."""
        text = self.source.text
        start, end = 0, len(text)
        if table or _is_table(self.tables.get(key)):
            name = re.escape(table or key)
            headers = list(re.finditer(rf"(?m)^[ \t]*\[+[ \t]*({name})[ \t]*\]+", text))
            inline = re.search(rf"(?m)^[ \t]*({name})[ \t]*=", text)
            if headers:
                header = headers[min(index, len(headers) - 1)]
                after = re.compile(r"(?m)^[ \t]*\[").search(text, header.end())
                start, end = header.start(1), after.start() if after else end
            elif inline:
                line_end = text.find("\n", inline.start(1))
                start, end = inline.start(1), line_end if line_end >= 0 else end
            else:
                return None
            if not table or not key:
                return start
        found = re.compile(rf"(?m)(?:^|[{{,])[ \t]*([\"']?{re.escape(key)}[\"']?)[ \t]*=").search(
            text, start, end
        )
        if found:
            return found.start(1)
        return start if table else None

    def table(self, name: str, keys: Iterable[str]) -> Mapping[str, Any]:
        """A table by name, its keys checked to be known ones; empty if it is missing or wrong."""
        value = self.tables if not name else self.tables.get(name, {})
        if not isinstance(value, dict):
            self.wrong("", name, f"must be a table: write [{name}] on a line of its own")
            return {}
        self.known(name, value, keys)
        return value

    def known(self, table: str, value: Mapping[str, Any], keys: Iterable[str], index: int = 0) -> None:
        keys = tuple(keys)
        for key in value:
            if key not in keys:
                what = f"is not a key of [{table}]" if table else "is not a key of fight.toml"
                self.wrong(table, key, f"{what}; there are {', '.join(keys)}", nearest(key, keys), index)

    def get(
        self, table: str, values: Mapping[str, Any], key: str, read: Callable[[Any], T], index: int = 0
    ) -> T | None:
        """A value turned by `read`, which raises ValueError with what is wrong; None if missing or wrong."""
        if key not in values:
            return None
        try:
            return read(values[key])
        except ValueError as error:
            self.wrong(table, key, str(error), index=index)
            return None

    def finish(self) -> None:
        if self.problems:
            raise FightFolderError("\n".join(str(problem) for problem in self.problems))


def _is_table(value: object) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and any(isinstance(one, dict) for one in value)
    )
