"""What the machine proposes. Nothing of it counts before a person has taken it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

VERSION = "watching 1"
"""Of the methods: proposals of another version may differ."""

Kind = Literal["round", "replay", "action"]
Sureness = Literal["sure", "likely", "perhaps"]
"""Words, not shares: how often each is right has been counted on drawn film only."""


@dataclass(frozen=True, slots=True)
class Moment:
    """What a replay shows again: footage time of its beginning, and how fast. `sureness` of that alone."""

    at_us: int
    speed: float
    sureness: Sureness


@dataclass(frozen=True, slots=True)
class Proposal:
    """A part of the film, [`from_us`, `until_us`) in microseconds of footage time.

    `evidence`: what speaks for it, in sentences. `number`, `verdict` and `stops` (when the clock stood still,
    for how long): of a round. `origin`: of a replay,
    where it is known.
    """

    kind: Kind
    from_us: int
    until_us: int
    sureness: Sureness
    evidence: tuple[str, ...]
    number: int | None = None
    verdict: str = ""
    origin: Moment | None = None
    stops: tuple[tuple[int, int], ...] = ()
    version: str = VERSION
