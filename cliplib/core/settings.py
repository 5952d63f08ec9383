"""The settings of a library: `settings.toml` in its folder, all optional.

lead_in = 1.0               # seconds of film before an exchange
follow_through = 1.5        # and after it
clamp_to_round = true       # a clip does not reach past the bells of its round
action_length = 0.6         # how long an action without `until` is taken to last
exchange_gap = 2.5          # a longer pause between two rows of a log begins a new exchange
counter_window = 1.0        # a counter starts at most this long after the punch it answers
naked_window = 1.5          # a naked punch has no punch or feint of one's own this long before it
step_window = 2.0           # two steps of a search lie at most this far apart
number_profile = "standard" # what 1 to 6 mean in logs and searches
watch = false               # look at films for rounds and replays when they come in; minutes for each hour
shorthand = { k = "check hook" }  # own codes for entries such as “j- so k+” on the page for logging
footage_roots = ["/films"]  # where else footage may lie, besides the fight folders
"""

from __future__ import annotations

import difflib
import re
import tomllib
from pathlib import Path
from typing import Any

from cliplib.core.errors import Problem, SettingsError
from cliplib.core.models import Settings
from cliplib.core.timebase import from_seconds

NAME = "settings.toml"

_LONGEST = 600  # seconds; a lead-in of ten minutes is a slip of the pen
_TIMES = (
    "lead_in", "follow_through", "action_length", "exchange_gap", "counter_window", "naked_window",
    "step_window",
)  # fmt: skip
_KEYS = (*_TIMES, "clamp_to_round", "number_profile", "footage_roots", "shorthand", "watch")
_MUST_BE_POSITIVE = ("action_length", "exchange_gap")  # zero would make every action its own exchange


def read_settings(path: Path) -> Settings:  # noqa: C901 - each way in which a file can be wrong has its words
    """The settings in `path`; the defaults if there is no such file.

    Relative folders in `footage_roots` are taken from the file's folder. Raises SettingsError with everything
    that is wrong.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return Settings()
    except OSError as error:
        raise SettingsError(f"{path} cannot be read: {error.strerror}") from error
    try:
        text = data.decode("utf-8-sig")
        values = tomllib.loads(text)
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path} is not UTF-8; save it as UTF-8") from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"{path} is not TOML: {error}") from error
    lines = text.splitlines()
    problems: list[Problem] = []

    def wrong(key: str, message: str, meant: str = "") -> None:
        at = next((n for n, line in enumerate(lines, 1) if line.split("=")[0].strip(" \t\"'[]") == key), 1)
        problems.append(Problem(path.name, at, 0, f"{key} {message}", lines[at - 1] if lines else "", meant))

    read: dict[str, Any] = {}
    for key, value in values.items():
        if key not in _KEYS:
            near = difflib.get_close_matches(key, _KEYS, n=1)
            wrong(key, f"is not a setting; there are {', '.join(_KEYS)}", near[0] if near else "")
            continue
        try:
            if key in _TIMES:
                read[f"{key}_us"] = _seconds(key, value)
            elif key in ("clamp_to_round", "watch"):
                read[key] = _boolean(value)
            elif key == "number_profile":
                read[key] = _text(value)
            elif key == "shorthand":
                read[key] = _codes(value)
            else:
                read[key] = _folders(value, path.parent)
        except ValueError as error:
            wrong(key, str(error))
    if problems:
        raise SettingsError("\n".join(str(problem) for problem in problems))
    return Settings(**read)


def _seconds(key: str, value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
        raise ValueError(f"must be a number of seconds, like 1.5, not {value!r}")
    if not 0 <= value <= _LONGEST:
        raise ValueError(f"must lie between 0 and {_LONGEST} seconds, not {value!r}")
    us = from_seconds(value)
    if us == 0 and key in _MUST_BE_POSITIVE:
        raise ValueError("must be more than 0 seconds")
    return us


def _boolean(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"must be true or false, not {value!r}")
    return value


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f'must be a name in quotation marks, like "standard", not {value!r}')
    return value.strip()


def _codes(value: object) -> tuple[tuple[str, str], ...]:
    fine = isinstance(value, dict) and all(
        re.fullmatch("[a-z]{1,4}", code) and isinstance(said, str) and said.strip()
        for code, said in value.items()
    )
    if not fine or not isinstance(value, dict):
        raise ValueError('must be a table of one to four small letters each, like { k = "check hook" }')
    return tuple((code, " ".join(said.split())) for code, said in value.items())


def _folders(value: object, base: Path) -> tuple[Path, ...]:
    if not isinstance(value, list) or not all(isinstance(v, str) and v.strip() for v in value):
        raise ValueError('must be a list of folders, like ["/films", "../more films"]')
    return tuple((base / Path(v).expanduser()).absolute() for v in value)
