"""Counting what a phrase finds, as pure functions over column arrays.

What is counted is the *try*: an action that a match of the phrase ends with, once, however many matches end
with it. `tries.py` finds tries and says what each one is; everything else counts, compares or orders them.

    tries.py      the counted actions, and their values by key (fighter, round, outcome, ...)
    clock.py      how much round clock was watched
    counts.py     tables of tries by any keys
    following.py  what comes next
    answering.py  what answers what, and what catches a defence
    near.py       who did something next in an exchange, and the times between
    comparing.py  two sides of a count beside each other
    changing.py   when something changed in a fight, and what was done instead
"""

from .answering import AnswerRow, Answers, CaughtRow, answers, caught
from .changing import Adjustment, Moment, adjustment
from .clock import FightClock, Watched, watched
from .comparing import Compared, Comparison, compare
from .counts import CountRow, Table, tally
from .following import NextRow, NextTable, following
from .tries import CATEGORIES, KEYS, Tries, tries_of

__all__ = [
    "CATEGORIES",
    "KEYS",
    "Adjustment",
    "AnswerRow",
    "Answers",
    "CaughtRow",
    "Compared",
    "Comparison",
    "CountRow",
    "FightClock",
    "Moment",
    "NextRow",
    "NextTable",
    "Table",
    "Tries",
    "Watched",
    "adjustment",
    "answers",
    "caught",
    "compare",
    "following",
    "tally",
    "tries_of",
    "watched",
]
