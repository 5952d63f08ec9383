"""What `library.evidence` hands out: a table each, with the reading it is about and what was counted.

`definitions`: what exactly was counted, a sentence each.
"""

from __future__ import annotations

from dataclasses import dataclass

from cliplib.catalogue.rows import FightRow
from cliplib.core.models import Reading
from cliplib.tally import Adjustment, Answers, CaughtRow, Comparison, NextTable, Table, Tries


@dataclass(frozen=True)
class Tally:
    """A table of tries."""

    reading: Reading
    table: Table
    definitions: tuple[str, ...]


@dataclass(frozen=True)
class Next:
    reading: Reading
    table: NextTable
    definitions: tuple[str, ...]


@dataclass(frozen=True)
class Compare:
    reading: Reading
    this: str
    that: str
    result: Comparison
    definitions: tuple[str, ...]


@dataclass(frozen=True)
class ChangeFound:
    reading: Reading
    fight: FightRow
    result: Adjustment
    definitions: tuple[str, ...]


@dataclass(frozen=True)
class Answered:
    reading: Reading
    result: Answers
    definitions: tuple[str, ...]


@dataclass(frozen=True)
class Elsewhere:
    """What beat the same attack in other fights. `stances`: how the two stood in the fights it was asked
    about; `others`: how many fights were looked through; `people`: who did it, for each row."""

    reading: Reading
    result: Answers
    stances: str
    others: int
    people: tuple[tuple[str, ...], ...]
    definitions: tuple[str, ...]


@dataclass(frozen=True)
class Caught:
    reading: Reading
    tries: Tries
    rows: tuple[CaughtRow, ...]
    definitions: tuple[str, ...]
