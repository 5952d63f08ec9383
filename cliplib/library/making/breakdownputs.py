"""What can be put into a breakdown by pressing it: numbers of evidence tables, clips, finds, charts; and what
beat a point's phrase in other fights."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote

from cliplib.breakdowns import document as documents
from cliplib.breakdowns.counts import Recount, recounted
from cliplib.breakdowns.document import Point
from cliplib.breakdowns.editing import link_to, plain, target_of
from cliplib.breakdowns.links import CATEGORIES, Asked, asked, clips_in, kind_of, treatment
from cliplib.core.errors import InputError
from cliplib.library.evidence import evidence_tables
from cliplib.library.evidence.evidence import Evidence
from cliplib.library.evidence.tables import Elsewhere
from cliplib.library.finding.finding import Finding
from cliplib.library.making.breakdownshots import USUAL_FOUND, ShotFinder, narrowed
from cliplib.stats.proportions import Interval

_CLIPS_OF_ANSWER = 12


@dataclass(frozen=True, slots=True)
class Put:
    """Something that can be put into a point. `label`: how it is offered; `links`: as it is written, each
    a shot of its own, or one sentence."""

    label: str
    links: tuple[str, ...]
    shot: bool


@dataclass(frozen=True, slots=True)
class Solved:
    """An answer that beat something in other fights. `same`: under the stance match that was asked about;
    `people`: who did it; `beaten` of `known`, with the interval; `clips`: by number."""

    answer: str
    stances: str
    same: bool
    people: tuple[str, ...]
    beaten: int
    known: int
    rate: Interval | None
    clips: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SolvedElsewhere:
    """`said`: what was looked for; `others`: in how many other fights; `rows`: the surest first."""

    phrase: str
    said: str
    stances: str
    others: int
    rows: tuple[Solved, ...]
    definitions: tuple[str, ...]


class Puts:
    """`library.making.breakdowns.puts`. Nothing is written here."""

    def __init__(self, finding: Finding, evidence: Evidence, finder: Callable[[], ShotFinder]):
        self._finding, self._evidence, self._finder = finding, evidence, finder

    def number(
        self,
        table: str,
        phrase: str,
        values: Mapping[str, Any],
        only: Mapping[str, str],
        filters: Sequence[tuple[str, str]],
        key: str,
    ) -> tuple[Put, ...]:
        """The ways in which a number of an evidence table can be written in a script. `values`: the table's
        parameters; `filters`: as a link spells them; `key`: the number's. NotFoundError for a number that is
        not there."""
        kind, finder = evidence_tables.named(table), self._finder()
        if not phrase:
            raise InputError("a count in a breakdown says what is counted; count a phrase first")
        narrowed = {"where": finder.where(filters)} if filters else {}
        number = self._evidence.table(table, phrase=phrase, **values, only=dict(only), **narrowed).number(key)
        plainly = _of_tally(values.get("by", ()), key) if table == "tally" else None
        if plainly is not None:
            more, part = plainly
            pairs = [*filters, *((f"only.{name}", value) for name, value in {**only, **more}.items())]
            return self._outcomes(phrase, pairs, part, finder)
        pairs = [*filters, *((f"only.{name}", value) for name, value in only.items())]
        pairs += [("table", table), ("key", key)]
        pairs += [(f"ask.{name}", value) for name, value in evidence_tables.said(kind, values)]
        target = target_of("count", phrase, pairs)
        words = ", ".join(number.words) or kind.title.casefold()
        forms = [("1", words)]
        if number.of is not None:
            forms = [("0 of 1", words), ("0 %", f"{words}, as a share"), *forms]
        return self._counts([(form, target, said) for form, said in forms], finder)

    def _outcomes(
        self, phrase: str, pairs: list[tuple[str, str]], part: str, finder: ShotFinder
    ) -> tuple[Put, ...]:
        of = "" if part in ("tried", "known", "landed") else part
        target = target_of("count", phrase, [*pairs, *([("of", of)] if of else [])])
        one = target_of("count", phrase, [*pairs, ("of", part)]) if part in CATEGORIES else target
        word = of or "landed"
        forms = [
            ("0 of 1", target, f"{word} of tried"),
            ("0 %", target, f"share {word}, of those whose outcome is known"),
            ("1", one, f"{part} alone" if part in CATEGORIES else "exchanges"),
        ]
        return self._counts(sorted(forms, key=lambda f: f[0] != "0 %") if part == "known" else forms, finder)

    def _counts(self, forms: Sequence[tuple[str, str, str]], finder: ShotFinder) -> tuple[Put, ...]:
        """An offer for each (form, target, explanation) that can be counted."""
        text = "# T\n\n## P\n\n" + "\n\n".join(f"{link_to(form, target)}" for form, target, _ in forms) + "\n"
        found = recounted(documents.read(text), finder.count).counts
        told = [(one, said) for one, (_, _, said) in zip(found, forms, strict=True) if not one.problem]
        if not told:
            raise InputError(found[0].problem)
        return tuple(
            Put(f"{one.now}: {said}{narrowed(asked(one.link.target))}", (_sentence(one),), False)
            for one, said in told
        )

    def clips(self, numbers: Sequence[int], *, offset: int = 0) -> tuple[Put, ...]:
        """Clips as shots; of two, also side by side, the second `offset` frames later. Those without footage
        are left out."""
        rows = [clip for clip in self._finding.clips(numbers) if clip.start_frame is not None]
        if not rows:
            raise InputError("none of these clips has footage to be shown")
        names = [f"{c.fight}, round {c.round}" if c.round else c.fight for c in rows]
        links = tuple(
            link_to(name, target_of("clip", str(clip.id))) for name, clip in zip(names, rows, strict=True)
        )
        one = (
            f"clip {rows[0].id}: {names[0]}" if len(rows) == 1 else f"{len(rows)} clips, one after the other"
        )
        if len(rows) != 2:
            return (Put(one, links, True),)
        both = link_to(
            " beside ".join(dict.fromkeys(names)),
            f"beside:{rows[0].id},{rows[1].id}",
            f"offset {offset}" if offset else "",
        )
        return Put("side by side", (both,), True), Put(one, links, True)

    def find(self, phrase: str, filters: Sequence[tuple[str, str]] = ()) -> tuple[Put, ...]:
        """Shots that follow the library."""
        if not phrase:
            raise InputError("shots that follow the library need a phrase; search for something first")
        said = self._finding.explain(phrase).said or phrase
        target = target_of("find", phrase, [*filters, ("limit", str(USUAL_FOUND))])
        try:
            asked(target)
        except ValueError as problem:
            raise InputError(str(problem)) from problem
        more = narrowed(asked(target))
        label = f"the best {USUAL_FOUND} of “{phrase}”{more}, whatever they are when it is shown"
        return (Put(label, (link_to(said, target),), True),)

    def picture(
        self,
        kind: str,
        phrase: str,
        by: Sequence[str],
        only: Mapping[str, str],
        filters: Sequence[tuple[str, str]] = (),
    ) -> tuple[Put, ...]:
        """A chart of an evidence table, as a still."""
        pairs = [("phrase", phrase), *filters, *(("by", key) for key in by)]
        pairs += [(f"only.{name}", value) for name, value in only.items()]
        target = target_of("picture", kind, pairs)
        words = {"counts": "how often", "rates": "how much of it landed", "next": "what comes next"}
        label = f"{words.get(kind, kind)}: {phrase}{narrowed(asked(target))}"
        return (Put(f"a chart, {label}", (link_to(label, target),), True),)

    def written(self, target: str, text: str = "", words: str = "") -> Put:
        """A link that somebody gives, checked: `text` between its brackets, `words` its treatment. Without a
        text a count is written as it is now."""
        kind = kind_of(target)
        try:
            if kind in ("count", "find", "picture"):
                asked(target)
            else:
                clips_in(target)
            treatment(words)
        except ValueError as problem:
            raise InputError(str(problem)) from problem
        if not kind:
            raise InputError(f"“{target[:60]}” is no count, clip, find, beside or picture")
        if kind == "count" and not text:
            finder = self._finder()
            try:
                return self._counts([("0 of 1", target, "")], finder)[0]
            except InputError:  # nothing that lands or misses
                return self._counts([("1", target, "")], finder)[0]
        if kind == "count":
            return Put(text, (f"{link_to(text, target)}.",), False)
        return Put(text, (link_to(text or target.partition("?")[0], target, words),), True)

    # --- elsewhere ----------------------------------------------------------------------------------------

    def elsewhere(self, phrase: str, link: str, point: Point) -> SolvedElsewhere:
        """What beat a phrase in other fights than those of the point. `link`: the target it stands in, whose
        filters hold. Where phrase and filters name neither fight nor fighter, the point's first clip does."""
        question = asked(link) if link else Asked(phrase)
        where, only = self._finder().where(question.filters), dict(question.only)
        try:
            found = self._evidence.elsewhere(phrase, where=where, only=only)
        except InputError:
            fight = self._fight_of(point)
            if fight is None:
                raise
            found = self._evidence.elsewhere(phrase, where=where, only={**only, "fight": str(fight)})
        return _solved(phrase, found)

    def _fight_of(self, point: Point) -> int | None:
        for shot in point.shots:
            if shot.kind in ("clip", "beside"):
                try:
                    rows = self._finding.clips(clips_in(shot.target))
                except ValueError:
                    continue
                if rows:
                    return rows[0].fight_id
        return None


def _solved(phrase: str, found: Elsewhere) -> SolvedElsewhere:
    rows = []
    for row, people in zip(found.result.rows, found.people, strict=True):
        clips = tuple(row.behind.of("beaten").exchange_ids().tolist())[:_CLIPS_OF_ANSWER]
        same = row.stances == found.stances
        rows.append(
            Solved(
                row.response, row.stances, same, people, row.beaten, row.beaten_known, row.beaten_rate, clips
            )
        )
    said = found.reading.said
    return SolvedElsewhere(phrase, said, found.stances, found.others, tuple(rows), found.definitions)


def _sentence(one: Recount) -> str:
    said = one.counted.said if one.counted else one.link.target
    return f"{plain(said[:1].upper() + said[1:])}: {link_to(one.now, one.link.target)}."


def _of_tally(by: Sequence[str], key: str) -> tuple[dict[str, str], str] | None:
    """What a number of a tally is, if a count link can say it without the table: (only, part)."""
    group, *names, part = (unquote(piece) for piece in key.split("/"))
    if part not in ("tried", "known", *CATEGORIES):
        return None
    return (dict(zip(by, names, strict=False)) if group == "rows" else {}), part
