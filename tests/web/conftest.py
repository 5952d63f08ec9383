"""The browser and an empty page of it, for all tests of pages; a module that needs another kind has its own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.web.browser import chromium, new_page


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as browser:
        yield browser


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    with new_page(browser) as page:
        yield page
