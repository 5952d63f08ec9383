"""A clip library for boxing film study.

Footage and a log go in; exactly cut clips come out, indexed by technique, fighter, outcome and round.

The names in `__init__.pyi` are what cliplib offers; all else may change at any time. A name is loaded from
where it is defined when it is first asked for, so that nobody pays for what they do not use (PEP 562).
"""

from __future__ import annotations

import ast
import importlib
from pathlib import Path


def _homes() -> dict[str, str]:
    """The module of each public name; `__init__.pyi` is the one list of them."""
    stub = ast.parse(Path(__file__).with_suffix(".pyi").read_text(encoding="utf-8"))
    froms = [node for node in stub.body if isinstance(node, ast.ImportFrom)]
    return {alias.name: f"{node.module}" for node in froms for alias in node.names}


_HOMES = _homes()
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    home = importlib.import_module(_HOMES[name])
    # What is offered may be a module: loading it makes it an attribute of its package.
    value = vars(home)[name] if name in vars(home) else importlib.import_module(f"{_HOMES[name]}.{name}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return __all__
