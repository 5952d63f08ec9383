"""What an address under /counts asks for, and addresses of the clips behind its numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from flask import request, url_for

from cliplib.core.errors import InputError

KEYS = ("fighter", "opponent", "stance match", "round", "fight", "technique", "target", "outcome", "place")


@dataclass(frozen=True)
class Number:
    """A number, or words, that open their clips; no link for none."""

    text: str
    link: str = ""


@dataclass(frozen=True)
class Asked:
    """What an address asks for. `only`: values that the counted action must have."""

    phrase: str
    by: tuple[str, ...]
    only: dict[str, str]

    def link(self, endpoint: str, **more: object) -> str:
        """An address of the same question, with `only` and the rest put over it."""
        only = {**self.only, **more.pop("only", {})}  # type: ignore[dict-item]
        values: dict[str, Any] = {
            "q": self.phrase or None,
            "by": list(self.by) or None,
            "only": [f"{key}={value}" for key, value in only.items()] or None,
            **more,
        }
        return url_for(endpoint, **{k: v for k, v in values.items() if v is not None})

    def number(self, count: int, only: Mapping[str, str] | None = None, **more: str | None) -> Number:
        """A count with the address of its clips: `went`, or `then` and `part`; see `evidence.clips`."""
        return Number(str(count), self.clips(only, **more) if count else "")

    def clips(self, only: Mapping[str, str] | None = None, **more: str | None) -> str:
        return self.link("evidence.clips", by=None, only=dict(only or {}), **more)

    def loosened(self, endpoint: str, **more: object) -> list[tuple[str, str, str]]:
        """(key, value, the address without it) of each thing that is chosen."""
        return [
            (
                key,
                value,
                Asked(self.phrase, self.by, {k: v for k, v in self.only.items() if k != key}).link(
                    endpoint, **more
                ),
            )
            for key, value in self.only.items()
        ]


def asked() -> Asked:
    """The question in the address. InputError for what cannot be grouped or chosen by."""
    by = tuple(dict.fromkeys(key for key in request.args.getlist("by") if key))[:3]
    for key in by:
        if key not in KEYS:
            raise InputError(f"“{key}” is nothing to group by; there are {', '.join(KEYS)}")
    return Asked(request.args.get("q", "").strip()[:500], by, chosen("only"))


def chosen(name: str) -> dict[str, str]:
    """KEY=VALUE of the address, repeated under one name; empty ones are passed over. InputError for anything
    else."""
    found: dict[str, str] = {}
    for item in request.args.getlist(name):
        key, equals, value = item.partition("=")
        if not item:
            continue
        if not equals or not key.strip() or not value.strip():
            raise InputError(f"“{item}” chooses nothing; write, for example, round=3")
        found[key.strip()] = value.strip()
    return found


def percent(interval: Any) -> str:
    """`33 % (21–47)`."""
    if interval is None:
        return "–"
    return f"{100 * interval.value:.0f} % ({100 * interval.low:.0f}–{100 * interval.high:.0f})"
