"""Every evidence table, a row each. A row is all it takes: the command, the page, the address under /api and
its description are made of it.

To add one: write a function that asks and fills in a form (see `forms.py`), and add a row here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from cliplib.core.errors import InputError, NotFoundError
from cliplib.library.evidence import forms
from cliplib.library.evidence.forms import AGREEMENT as AGREEMENT
from cliplib.library.evidence.forms import fill_agreement as fill_agreement
from cliplib.tally import CATEGORIES
from cliplib.tally import KEYS as KEYS
from cliplib.tally.shapes import Shapes as Shapes
from cliplib.tally.table import Column as Column
from cliplib.tally.table import Filled as Filled
from cliplib.tally.table import Form
from cliplib.tally.table import Number as Number
from cliplib.tally.table import Opened as Opened
from cliplib.tally.table import Piece as Piece
from cliplib.tally.table import Shown as Shown
from cliplib.tally.table import ShownRow as ShownRow

ParameterKind = Literal["phrase", "keys", "key", "side", "fight", "choice", "flag"]
MOST_KEYS = 3


@dataclass(frozen=True, slots=True)
class Parameter:
    """What can be said when asking. `kind`: `phrase`; `keys`, up to three of `tally.KEYS`; `key`, one of
    them; `side`, KEY=VALUE to choose tries by; `fight`, a fight's number or a part of its title; `choice`,
    one of `choices`, the first of them if nothing is said; `flag`, yes or no. `missing`: what is said where
    something `needed` is not there."""

    name: str
    kind: ParameterKind
    about: str
    needed: bool = False
    missing: str = ""
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class EvidenceTable:
    """`name`: of the command and in addresses. `title`: of the page and its tab. `label`: what the page
    asks. `ask`: called with the evidence of a library and the parameters by their names, `only`, and `where`
    if it takes `filters`. `charts`: pictures on the page. `tries`: the key of the number of all tries;
    `parts`: of what can stand in it behind the slash. `command`, `switch`: where it is an option of another
    command. `example`: a phrase for the page's field; `sample`: the rest of an address that tests
    open."""

    name: str
    title: str
    label: str
    about: str
    form: Form
    ask: Callable[..., Filled]
    parameters: tuple[Parameter, ...]
    charts: tuple[str, ...] = ()
    tries: str = "tries"
    parts: tuple[str, ...] = ()
    command: str = ""
    switch: str = ""
    filters: bool = True
    example: str = "jab"
    sample: str = ""

    def parameter(self, kind: ParameterKind) -> Parameter | None:
        """The first parameter of a kind."""
        return next((p for p in self.parameters if p.kind == kind), None)


PHRASE = Parameter(
    "phrase",
    "phrase",
    "A phrase, as one says it in the gym.",
    needed=True,
    missing="“q” is missing: what is to be counted, as one says it in the gym",
)
FIGHT = Parameter(
    "fight",
    "fight",
    "A fight's number or a part of its title.",
    needed=True,
    missing="“fight” is missing: a fight’s number or a part of its title",
)
SIDES = "“this” and “that” say what is compared, as KEY=VALUE: this=round=1&that=round=2"

TABLES: list[EvidenceTable] = [
    EvidenceTable(
        "tally",
        "Counts",
        "What is to be counted?",
        "Count what a phrase finds: tried, landed, blocked, missed; how often a minute; with intervals.",
        forms.TALLY,
        lambda evidence, **asked: forms.fill_tally(evidence.tally(**asked)),
        (
            Parameter("phrase", "phrase", "A phrase, as one says it in the gym; without one, every action."),
            Parameter("by", "keys", "Count separately by this; may be repeated.", choices=KEYS),
        ),
        charts=("counts", "rates"),
        tries="total/tried",
        parts=CATEGORIES,
        example="counter to the body after a missed jab",
    ),
    EvidenceTable(
        "next",
        "What comes next",
        "After what?",
        "What comes after a phrase: what the same fighter and the opponent do next, how often, how fast.",
        forms.NEXT,
        lambda evidence, **asked: forms.fill_next(evidence.next(**asked)),
        (PHRASE,),
        charts=("next",),
    ),
    EvidenceTable(
        "answers",
        "What answers it",
        "Which attack?",
        "Which answers beat an attack, by stance match; with --defence, what a defence is caught by.",
        forms.ANSWERS,
        lambda evidence, any_stance=False, **asked: forms.fill_answers(
            evidence.answers(stances=not any_stance, **asked)
        ),
        (PHRASE, Parameter("any_stance", "flag", "Do not separate open and closed stances.")),
    ),
    EvidenceTable(
        "caught",
        "What catches it",
        "Which defence?",
        "PHRASE is a defence: what is it caught by?",
        forms.CAUGHT,
        lambda evidence, **asked: forms.fill_caught(evidence.caught(**asked)),
        (PHRASE,),
        command="answers",
        switch="--defence",
        example="slip",
    ),
    EvidenceTable(
        "elsewhere",
        "What beat it elsewhere",
        "Which attack, of whom or in which fight?",
        "What beat it in other fights than those of PHRASE: the same stance match first, surest first.",
        forms.ELSEWHERE,
        lambda evidence, **asked: forms.fill_elsewhere(evidence.elsewhere(**asked)),
        (PHRASE,),
        command="answers",
        switch="--elsewhere",
        example="Adeyemi jab",
    ),
    EvidenceTable(
        "compare",
        "Compare",
        "What is to be compared?",
        "Two fighters, fights, rounds, dates or periods beside each other. Dates are from=2024-01, "
        "to=2024-06 or both; a named period is during=NAME, before=NAME or after=NAME.",
        forms.COMPARE,
        lambda evidence, **asked: forms.fill_compare(evidence.compare(**asked)),
        (
            PHRASE,
            Parameter("this", "side", "One side, KEY=VALUE; may be repeated.", needed=True, missing=SIDES),
            Parameter("that", "side", "The other side, KEY=VALUE.", needed=True, missing=SIDES),
            Parameter("by", "key", "Compare landing by this too.", choices=KEYS),
        ),
        tries="",
        sample="&this=round%3D1&that=round%3D2&by=technique",
    ),
    EvidenceTable(
        "change",
        "When it changed",
        "What?",
        "When did it change in a fight, and what was done instead? FIGHT is its number or part of its title.",
        forms.CHANGE,
        lambda evidence, **asked: forms.fill_change(evidence.change(**asked)),
        (
            PHRASE,
            FIGHT,
            Parameter(
                "of",
                "choice",
                "Change of what: the share that landed, or how often it was tried.",
                choices=("rate", "frequency"),
            ),
        ),
        tries="",
        filters=False,
    ),
]


def named(name: str) -> EvidenceTable:
    """The table of that name. NotFoundError for a name that none has."""
    found = next((table for table in TABLES if table.name == name), None)
    if found is None:
        raise NotFoundError(f"“{name}” is no evidence table; there are {', '.join(t.name for t in TABLES)}")
    return found


def choice(parameter: Parameter, given: str | None) -> str:
    """The value of a `choice`, checked: the first one for None or nothing."""
    if not given:
        return parameter.choices[0]
    if given not in parameter.choices:
        raise InputError(f"“{given[:40]}” is neither {' nor '.join(parameter.choices)}")
    return given


def keys(parameter: Parameter, given: Sequence[str]) -> tuple[str, ...]:
    """Keys to group by, each once and three at most, checked."""
    for key in given:
        if key not in parameter.choices:
            raise InputError(f"“{key}” is nothing to group by; there are {', '.join(parameter.choices)}")
    found = tuple(dict.fromkeys(given))
    if len(found) > MOST_KEYS:
        raise InputError(f"{len(found)} things to group by are too many at once, {MOST_KEYS} at most")
    return found


def check(table: EvidenceTable, asked: dict[str, Any]) -> None:
    """InputError, naming it, where something needed is missing."""
    for parameter in table.parameters:
        if parameter.needed and not asked.get(parameter.name):
            raise InputError(parameter.missing)


# --- what is asked, as text ---------------------------------------------------------------------------------


def said(table: EvidenceTable, values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Values of a table's parameters, but for the phrase, as pairs of texts: what `values` reads back."""
    for parameter in table.parameters:
        value = values.get(parameter.name)
        if parameter.kind == "phrase" or not value:
            continue
        if parameter.kind == "side":
            yield from ((parameter.name, f"{key}={one}") for key, one in value.items())
        elif parameter.kind == "keys":
            yield from ((parameter.name, key) for key in value)
        else:
            yield parameter.name, "yes" if parameter.kind == "flag" else str(value)


def values(table: EvidenceTable, pairs: Iterable[tuple[str, str]]) -> dict[str, Any]:
    """The parameters that pairs of texts say, for `EvidenceTable.ask`. InputError for what makes no sense."""
    given: dict[str, list[str]] = {}
    for name, value in pairs:
        given.setdefault(name, []).append(value)
    found: dict[str, Any] = {}
    for parameter in table.parameters:
        texts = given.pop(parameter.name, [])
        if parameter.kind == "side":
            found[parameter.name] = chosen(texts)
        elif parameter.kind in ("keys", "key"):
            by = keys(parameter, texts)
            found[parameter.name] = by if parameter.kind == "keys" else next(iter(by), None)
        elif parameter.kind == "choice":
            found[parameter.name] = choice(parameter, texts[-1] if texts else None)
        elif parameter.kind == "flag":
            found[parameter.name] = yes(parameter.name, texts[-1] if texts else "")
        elif parameter.kind == "fight":
            found[parameter.name] = texts[-1] if texts else ""
    if given:
        raise InputError(f"“{next(iter(given))[:40]}” is nothing that “{table.title}” can be asked")
    return found


def yes(name: str, text: str) -> bool:
    """What a flag says: yes, or no, which is also nothing. InputError for anything else."""
    if text not in ("", "yes", "no"):
        raise InputError(f"“{name}” must be yes or no")
    return text == "yes"


def chosen(texts: Iterable[str]) -> dict[str, str]:
    """KEY=VALUE texts as a mapping. InputError for anything else, and for a key that is there twice."""
    found: dict[str, str] = {}
    for text in texts:
        key, equals, value = (part.strip() for part in text.partition("="))
        key = key.casefold()
        if not (equals and key and value):
            raise InputError(f"“{text[:60]}” chooses nothing; write KEY=VALUE, for example round=3")
        if key in found:
            raise InputError(f"{key} is given twice; one value can be chosen at a time")
        found[key] = value
    return found


def drawn_by(kind: str) -> EvidenceTable:
    """The table that has a chart of that kind. NotFoundError for a kind that none has."""
    found = next((table for table in TABLES if kind in table.charts), None)
    if found is None:
        raise NotFoundError(f"there is no picture “{kind[:40]}”")
    return found
