"""What is installed is pinned."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-dev.lock"])
def test_everything_installed_is_pinned_with_hashes(name: str) -> None:
    """What pip calls hash-checking mode; `make` installs with nothing else, `make audit` looks these up."""
    root = Path(__file__).parents[2]
    text = (root / name).read_text(encoding="utf-8")
    entries = [e for e in re.split(r"\n(?=\S)", re.sub(r"(?m)^#.*\n?", "", text)) if e.strip()]
    for entry in entries:
        assert re.match(r"[a-z0-9-]+(\[[a-z,]+\])?==\S+ ", entry), entry[:80]
        assert "--hash=sha256:" in entry, entry[:80]
    pinned = {entry.partition("==")[0].partition("[")[0] for entry in entries}
    asked = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    assert {re.split(r"[^A-Za-z0-9._-]", one)[0].casefold() for one in asked} <= pinned
    assert text.count("--require-hashes") == 0
    assert (root / "Makefile").read_text().count("--require-hashes -r requirements") >= 2
