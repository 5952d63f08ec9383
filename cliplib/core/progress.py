"""How long work tells its caller how far it is, and how the caller stops it."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, int, int], None]
"""Called as (stage, done, total). It may raise `errors.Cancelled`; the work then stops cleanly, and nothing
half-written is reachable."""


def silent(stage: str, done: int, total: int) -> None:
    """Takes no notice."""
