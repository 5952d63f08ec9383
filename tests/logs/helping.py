"""The fight that the tests of logs are about, and reading a log from text."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

from cliplib.core.errors import Problem
from cliplib.core.models import Action, Corner, Exchange, FightInfo, Settings
from cliplib.core.timebase import SECOND
from cliplib.logs import LogReading, read_log
from cliplib.vocabulary import load_vocabulary

VOCABULARY = load_vocabulary()
SETTINGS = Settings()
A, B = "Emeka Adeyemi", "Jonas Brandt"

# Three-minute rounds with a minute between (Maryland COMAR 09.14.06.16); the first bell at 0:12.4.
FIGHT = FightInfo(
    "Adeyemi v Brandt",
    Corner(A, "southpaw"),
    Corner(B, "orthodox"),
    rounds=6,
    round_us=180 * SECOND,
    rest_us=60 * SECOND,
    round_starts_us=tuple(12_400_000 + n * 240 * SECOND for n in range(6)),
)
NO_BELLS = replace(FIGHT, round_starts_us=())
BARE = FightInfo("Adeyemi v Brandt", Corner(A), Corner(B))  # all that fight.toml must say


def read(
    text: str | bytes, suffix: str = ".csv", fight: FightInfo = FIGHT, settings: Settings = SETTINGS
) -> LogReading:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"log{suffix}"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return read_log(path, fight, VOCABULARY, settings, file_label=path.name)


def good(
    text: str | bytes, suffix: str = ".csv", fight: FightInfo = FIGHT, settings: Settings = SETTINGS
) -> tuple[Exchange, ...]:
    """The exchanges of a log without problems."""
    reading = read(text, suffix, fight, settings)
    assert not reading.problems, "\n".join(map(str, reading.problems))
    return reading.exchanges


def bad(text: str | bytes, suffix: str = ".csv", fight: FightInfo = FIGHT) -> Problem:
    """The one problem of a log."""
    problems = read(text, suffix, fight).problems
    assert len(problems) == 1, "\n".join(map(str, problems))
    return problems[0]


def told(exchange: Exchange) -> list[tuple[str, str]]:
    """(surname, technique) of each action."""
    return [((action.fighter or "?").split()[-1], action.technique) for action in exchange.actions]


def times(exchange: Exchange) -> list[int | None]:
    return [action.time_us for action in exchange.actions]


def only(exchange: Exchange) -> Action:
    (action,) = exchange.actions
    return action
