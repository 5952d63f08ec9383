"""Sequences of actions, found in column arrays. Pure: no database, no files but the arrays' own cache.

`Columns` are the archive as arrays (columns.py), `Pattern(...).match()` finds matches by the rules at the
top of match.py, `facets` counts a result, `page` orders it, `load` and `save` keep the columns between runs
(store.py).
"""

from .columns import Columns, assemble, splice
from .encode import Block, FightEntry, Tables, encode_fight
from .facets import facets
from .kernel import Hits, hits
from .layers import Matches
from .match import Pattern
from .order import ORDERS, page
from .store import load, save
from .where import UNKNOWN, Limits, limits

__all__ = [
    "ORDERS",
    "UNKNOWN",
    "Block",
    "Columns",
    "FightEntry",
    "Hits",
    "Limits",
    "Matches",
    "Pattern",
    "Tables",
    "assemble",
    "encode_fight",
    "facets",
    "hits",
    "limits",
    "load",
    "page",
    "save",
    "splice",
]
