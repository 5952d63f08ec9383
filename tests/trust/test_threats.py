"""The page on threats names tests that are there, one at least for each promise."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = Path(__file__).with_name("THREATS.md")


def test_every_promise_names_a_test_that_is_there() -> None:
    rows = [line for line in PAGE.read_text(encoding="utf-8").splitlines() if line.startswith("| ")][1:]
    assert len(rows) > 20
    for row in rows:
        named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", row.rsplit("|", 2)[1])
        assert named, row
        for file, name in named:
            tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
            there = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
            assert name in there, f"{file} has no {name}"
