"""What all tests share."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings

# A busy machine is no fault of the code: examples have no time limit of their own (pytest has one).
settings.register_profile("cliplib", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("cliplib")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A browser on a busy machine may paint late or drop a connection: those tests may try twice more."""
    for item in items:
        if item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.flaky(reruns=2))
