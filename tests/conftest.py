"""What all tests share."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis.internal.conjecture import providers

# Hundreds of commands are started: each would compile the project anew where nobody may keep what was compiled.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# A busy machine is no fault of the code: examples have no time limit of their own (pytest has one).
# Examples are the same at every run, so that a red run is the change's; CLIPLIB_EXPLORE=1 draws new ones.
settings.register_profile(
    "cliplib",
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    derandomize=not os.environ.get("CLIPLIB_EXPLORE"),
)
settings.load_profile("cliplib")
if not os.environ.get("CLIPLIB_EXPLORE"):
    # Hypothesis also draws constants from whatever local modules a worker happens to have imported by then,
    # which would make the examples of a parallel run depend on its timing.
    providers._get_local_constants = lambda: providers._local_constants


# Private parts: where Hypothesis takes its constants from, so that examples are the same at every run.
FILM = {"breakdowns", "cli", "ingest", "library", "media", "reels", "report", "trust", "watching", "web"}
"""Rooms whose tests make or read film; `make test-fast` leaves them out, and what is slow of the others."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A browser on a busy machine may paint late or drop a connection: those tests may try twice more. Tests
    by Hypothesis may try once more: threads of an earlier test's server draw from `random`, which Hypothesis
    takes for a strategy that does. No other test may: a second try would hide what the first one found."""
    here = Path(__file__).parent
    for item in items:
        if item.path.relative_to(here).parts[0] in FILM:
            item.add_marker(pytest.mark.film)
        if item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.flaky(reruns=2))
        elif getattr(getattr(item, "obj", None), "is_hypothesis_test", False):
            item.add_marker(pytest.mark.flaky(reruns=1))
