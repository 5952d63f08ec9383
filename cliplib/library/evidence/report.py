"""What a report of a fight or of a fighter is made of, asked of the library's evidence."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

from cliplib.catalogue.rows import FightRow
from cliplib.core.errors import InputError
from cliplib.core.timebase import format_time
from cliplib.library.evidence import forms
from cliplib.library.evidence.evidence import Evidence
from cliplib.library.evidence.tables import Tally
from cliplib.report import Report, Section, content
from cliplib.stats.changepoint import LEAST_TRIES, Change
from cliplib.stats.proportions import adjusted, said_p, worth
from cliplib.tally import Adjustment

PUNCHES = "any punch"


def fight_report(evidence: Evidence, fight: FightRow) -> Report:
    """A fight: who tried and landed what, round by round; what came after the jab; what changed."""
    only = {"fight": str(fight.id)}
    sections: list[Section] = []
    definitions: list[str] = []
    for title, by in (
        ("Punches by fighter", ("fighter",)),
        ("Round by round", ("fighter", "round")),
        ("By punch", ("fighter", "technique")),
        ("By target", ("fighter", "target")),
    ):
        found = evidence.tally(PUNCHES, by, only=only)
        sections.append(_counted(title, found))
        definitions += found.definitions
    for name in fight.info.fighters:
        sections += _after_jab(evidence, name, {**only, "fighter": name}, definitions)
    sections.append(_changes(evidence, fight, definitions))
    info = fight.info
    lead = [", ".join(x for x in (info.date.isoformat() if info.date else "", info.event) if x)]
    lead.append(
        f"{info.red.name} ({info.red.stance or 'stance not known'}, red corner) against "
        f"{info.blue.name} ({info.blue.stance or 'stance not known'}, blue corner)."
    )
    if info.method:
        lead.append(f"Result: {info.winner + ', ' if info.winner else ''}{info.method}.")
    logged = ", ".join(f"{x.file}{f' ({x.by})' if x.by else ''}" for x in info.logs)
    lead.append(f"{_many(fight.exchanges, 'exchange')} logged: {logged}. What two people logged counts once.")
    return _report(info.title, lead, sections, definitions)


def fighter_report(evidence: Evidence, name: str) -> Report:
    """A fighter over all fights: what was tried and landed, against whom, what comes after the jab, and what
    beats the jab."""
    only = {"fighter": name}
    sections: list[Section] = []
    definitions: list[str] = []
    for title, by in (
        ("By punch", ("technique",)),
        ("By target", ("target",)),
        ("By opponent", ("opponent",)),
        ("By round", ("round",)),
        ("In open and closed stances", ("stance match",)),
    ):
        found = evidence.tally(PUNCHES, by, only=only)
        if not found.table.total.tried:
            raise InputError(f"no punch by {name} is logged, so that there is nothing to report")
        sections.append(_counted(title, found))
        definitions += found.definitions
    sections += _after_jab(evidence, name, only, definitions)
    answered = evidence.answers("jab", only=only)
    if answered.result.rows:
        grid = content.grid(forms.fill_answers(answered), "times")
        sections.append(Section(f"What answers the jab of {name}", (), None, grid))
        definitions += answered.definitions
    total = evidence.tally(PUNCHES, ("fight",), only=only).table
    lead = [f"{_many(total.total.tried, 'punch')} in {_many(total.total.fights, 'fight')} of this library."]
    return _report(name, lead, sections, definitions)


def _counted(title: str, found: Tally) -> Section:
    table = found.table
    rows = table.rows
    chart = content.bars("Tries, by what became of them", table.by, rows) if rows else None
    words = () if rows else ("Nothing was logged.",)
    return Section(title, words, chart, content.grid(forms.fill_tally(found), "landed", "clips of landed"))


def _after_jab(evidence: Evidence, name: str, only: dict[str, str], definitions: list[str]) -> list[Section]:
    found = evidence.next("jab", only=only)
    if not len(found.table.tries):
        return []
    definitions += found.definitions
    chart = content.flow("What came next, the thicker the more often", "jab", found.table)
    return [Section(f"After the jab of {name}", (), chart, content.grid(forms.fill_next(found), "times"))]


LOOKED_AT = ("jab", "cross", "hook", "uppercut", "punch to the body", PUNCHES)
MANY_LOOKS = (
    "Many patterns are looked at together, and of twenty in which nothing changed one would seem to on "
    "average. q allows for that: among all changes with a q up to .05, no more than one in twenty is "
    "expected to be chance (Benjamini and Hochberg). The words go by q."
)


def _changes(evidence: Evidence, fight: FightRow, definitions: list[str]) -> Section:
    """Whether the landing of anything changed, for both of them, with all looks adjusted together."""
    looks: list[tuple[str, str, Adjustment, Change]] = []
    few = []
    for name in fight.info.fighters:
        for phrase in LOOKED_AT:
            found = evidence.change(phrase, fight.id, "rate", only={"fighter": name})
            definitions += found.definitions
            if isinstance(found.result.found, Change):
                looks.append((name, phrase, found.result, found.result.found))
            else:
                few.append(f"{name}, {phrase} ({found.result.tries})")
    title = "Did landing change?"
    words = []
    if looks:
        q = adjusted([change.p for *_, change in looks])
        sure = sum(one < 0.05 for one in q)
        all_looks = len(looks) + len(few)
        words.append(
            f"{_many(all_looks, 'pattern')} looked at, {len(looks)} with enough tries to say anything. "
            + (
                f"{_many(sure, 'change')} probably not chance alone."
                if sure
                else "None of it is more than chance would do."
            )
        )
        definitions.append(MANY_LOOKS)
    if few:
        words.append(f"Too few tries with a known outcome (it takes {LEAST_TRIES}): {'; '.join(few)}.")
    if not looks:
        return Section(title, tuple(words))
    order = sorted(range(len(looks)), key=lambda i: (q[i], looks[i][3].p))
    rows = []
    for i in order:
        name, phrase, result, change = looks[i]
        rows.append(
            (name, phrase, *result.counts, _when(result), worth(q[i]), said_p(change.p), said_p(q[i]))
        )
    head = ("fighter", "pattern", "before", "after", "from", "in words", "p", "q")
    grid = content.Grid(head, tuple(rows), tuple(looks[i][2].after for i in order), "clips after")
    return Section(title, tuple(words), None, grid)


def _when(found: Adjustment) -> str:
    first = found.first_after
    if first is None or not first.round:
        return "–"
    if first.elapsed_us is None:
        return f"round {first.round}"
    return f"round {first.round}, {format_time(max(0, first.elapsed_us), 0)}"


def _many(count: int, word: str) -> str:
    ending = "" if count == 1 else "es" if word.endswith("ch") else "s"
    return f"{count} {word}{ending}"


def _report(
    title: str, lead: Sequence[str], sections: Sequence[Section], definitions: Sequence[str]
) -> Report:
    made = datetime.date.today().isoformat()
    return Report(
        title, tuple(x for x in lead if x), tuple(sections), tuple(dict.fromkeys(definitions)), made
    )
