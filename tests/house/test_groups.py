"""Tests that share what is dear to make run in one worker, one after another."""

from __future__ import annotations

import os

import pytest


@pytest.mark.xdist_group("groups")
def test_a_group_is_a_group(request: pytest.FixtureRequest) -> None:
    """xdist knows groups by what it adds to a test's name; pytest 9.2 ignores what it writes, and says nothing."""
    if "PYTEST_XDIST_WORKER" not in os.environ:
        pytest.skip("one process runs them all")
    assert request.node.nodeid.endswith("@groups")
