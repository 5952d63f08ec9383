"""Sequences of actions, found in column arrays. Pure: no database, no files but the arrays' own cache.

`Columns` are the archive as arrays (columns.py), `Pattern(...).match()` finds matches by the rules at the
top of match.py, `facets` counts a result, `page` orders it, `load` and `save` keep the columns between runs
(store.py). `Parts` are an archive that changes, and an `Answer` is what was found in it (parts.py).
"""

from cliplib.search.patterns.columns import UNKNOWN, Columns, assemble, splice
from cliplib.search.patterns.encode import (
    SECOND_OPINION,
    VIEW,
    Block,
    FightEntry,
    Tables,
    encode_fight,
)
from cliplib.search.patterns.facets import facets
from cliplib.search.patterns.kernel import Hits, hits, make_ready
from cliplib.search.patterns.layers import Matches
from cliplib.search.patterns.match import Pattern
from cliplib.search.patterns.order import ORDERS, page
from cliplib.search.patterns.parts import Answer, Parts
from cliplib.search.patterns.steps import ANYTHING
from cliplib.search.patterns.store import load, outdated, save
from cliplib.search.patterns.where import Limits, limits

__all__ = [
    "ANYTHING",
    "ORDERS",
    "SECOND_OPINION",
    "UNKNOWN",
    "VIEW",
    "Answer",
    "Block",
    "Columns",
    "FightEntry",
    "Hits",
    "Limits",
    "Matches",
    "Parts",
    "Pattern",
    "Tables",
    "assemble",
    "encode_fight",
    "facets",
    "hits",
    "limits",
    "load",
    "make_ready",
    "outdated",
    "page",
    "save",
    "splice",
]
