"""What a report of a fight or of a fighter is made of, asked of the library's evidence."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

from cliplib.catalogue_rows import FightRow
from cliplib.errors import InputError
from cliplib.library_evidence import Evidence, Tally
from cliplib.report import Report, Section, content

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
        mine = {**only, "fighter": name}
        sections += _after_jab(evidence, name, mine, definitions)
        sections += _changes(evidence, fight, name, definitions)
    info = fight.info
    lead = [", ".join(x for x in (info.date.isoformat() if info.date else "", info.event) if x)]
    lead.append(
        f"{info.red.name} ({info.red.stance or 'stance not known'}, red corner) against "
        f"{info.blue.name} ({info.blue.stance or 'stance not known'}, blue corner)."
    )
    if info.method:
        lead.append(f"Result: {info.winner + ', ' if info.winner else ''}{info.method}.")
    logged = ", ".join(f"{x.file}{f' ({x.by})' if x.by else ''}" for x in info.logs)
    lead.append(f"{fight.exchanges} exchanges were logged: {logged}. What two people logged counts once.")
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
    rows = answered.result.rows[:12]
    if rows:
        grid = content.Grid(
            ("answer", "stances", "times", "jab landed", "answer landed", "beaten", "interval"),
            tuple(
                (
                    r.response, r.stances, str(r.times), f"{r.attack_landed} of {r.attack_known}",
                    f"{r.punch_landed} of {r.punch_known}", f"{r.beaten} of {r.beaten_known}",
                    content.percent(r.beaten_rate),
                )
                for r in rows
            ),
            tuple(tuple(int(i) for i in r.tries.exchange_ids()) for r in rows),
        )  # fmt: skip
        sections.append(Section(f"What answers the jab of {name}", (), None, grid))
        definitions += answered.definitions
    total = evidence.tally(PUNCHES, ("fight",), only=only).table
    lead = [f"{total.total.tried} punches in {total.total.fights} fights of this library."]
    return _report(name, lead, sections, definitions)


def _counted(title: str, found: Tally) -> Section:
    table = found.table
    rows = table.rows
    clips = [table.clips(i, "landed") for i in range(len(rows))]
    chart = content.bars(f"{title}: tries, by what became of them", rows) if rows else None
    words = () if rows else ("Nothing was logged.",)
    return Section(title, words, chart, content.counts_grid(table.by, rows, clips))


def _after_jab(evidence: Evidence, name: str, only: dict[str, str], definitions: list[str]) -> list[Section]:
    found = evidence.next("jab", only=only)
    if not len(found.table.tries):
        return []
    definitions += found.definitions
    chart = content.flow(f"After the jab of {name}", "jab", found.table)
    return [Section(f"After the jab of {name}", (), chart, content.next_grid(found.table))]


def _changes(evidence: Evidence, fight: FightRow, name: str, definitions: list[str]) -> list[Section]:
    """Whether the jab of one of them changed; a claim only where there is enough for one."""
    words = []
    for phrase in ("jab", PUNCHES):
        found = evidence.change(phrase, fight.id, "rate", only={"fighter": name})
        words.append(f"{phrase}: {found.result.words}.")
        definitions += found.definitions
    return [Section(f"Did landing change? {name}", tuple(words))]


def _report(
    title: str, lead: Sequence[str], sections: Sequence[Section], definitions: Sequence[str]
) -> Report:
    made = datetime.date.today().isoformat()
    return Report(
        title, tuple(x for x in lead if x), tuple(sections), tuple(dict.fromkeys(definitions)), made
    )
