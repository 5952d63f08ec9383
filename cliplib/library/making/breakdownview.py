"""A breakdown as its pages show it: each point with its script and counts, its shots with their clips, its
takes; what is missing is named and the rest is there all the same."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from cliplib.breakdowns.counts import Held, Recount, Recounts
from cliplib.breakdowns.document import Breakdown, Link, Paragraph, Point
from cliplib.breakdowns.links import asked
from cliplib.breakdowns.shots import Notes, ShotRecord
from cliplib.core.errors import ClipLibError
from cliplib.core.models import JSON, ClipRow
from cliplib.library.making.breakdownshots import ShotFinder
from cliplib.library.making.takes import PointTakes, TakeInfo


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of what is said. `count`: it is a number, counted anew; `kept`: the target of a link that
    means nothing here."""

    text: str
    count: Recount | None = None
    kept: str = ""


@dataclass(frozen=True, slots=True)
class SeenShot:
    """A shot. `kind`: clip | beside | find | picture. `words`: its treatment. `clips`: what it shows, as far
    as it is there; `size`: width and height of a chart. `said`: what is missing or otherwise than it was
    noted, a sentence each."""

    label: str
    kind: str
    target: str
    words: str
    line: int
    clips: tuple[ClipRow, ...]
    size: tuple[int, int]
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SeenPoint:
    """`number`: from 1. `held`: sentences that compare two counts. `phrases`: (phrase, target of the link it
    stands in) of what is counted or found in it. `lines`: [first, last) of the text, from 0."""

    number: int
    heading: str
    key: str
    lines: tuple[int, int]
    script: tuple[tuple[Piece, ...], ...]
    shots: tuple[SeenShot, ...]
    held: tuple[Held, ...]
    takes: tuple[TakeInfo, ...]
    phrases: tuple[tuple[str, str], ...]

    @property
    def counts(self) -> list[Recount]:
        return [piece.count for said in self.script for piece in said if piece.count]

    def as_json(self) -> JSON:
        return {
            "key": self.key,
            "heading": self.heading,
            "line": self.lines[0] + 1,
            "said": ["".join(piece.text for piece in said) for said in self.script],
            "counts": [one.as_json() for one in self.counts],
            "shots": [
                {
                    "label": shot.label, "target": shot.target, "treatment": shot.words, "line": shot.line,
                    "clips": [clip.id for clip in shot.clips], "said": list(shot.said),
                }
                for shot in self.shots
            ],
            "takes": [take.name for take in self.takes],
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Outline:
    """A breakdown as it is shown. `text`: the document, readable; `problems`: what is wrong in it; `kept`:
    what means nothing here; `stray`: takes of headings that are gone. `drifted`: counts that are otherwise
    now."""

    text: str
    title: str
    about: tuple[str, ...]
    points: tuple[SeenPoint, ...]
    problems: tuple[str, ...]
    kept: tuple[str, ...]
    stray: tuple[str, ...]
    drifted: tuple[Recount, ...]

    @property
    def faults(self) -> int:
        """How many things are missing or otherwise than they were."""
        shots = sum(bool(shot.said) for point in self.points for shot in point.shots)
        counts = sum(one.drift or bool(one.problem) for point in self.points for one in point.counts)
        turned = sum(held.holds is not True for point in self.points for held in point.held)
        return shots + counts + turned + len(self.problems) + len(self.stray)


Differences = Callable[[Link, Sequence[ShotRecord], ShotFinder], Iterator[str]]


def outline(
    text: str,
    document: Breakdown,
    recounts: Recounts,
    notes: Notes,
    finder: ShotFinder,
    takes: Mapping[str, PointTakes],
    problems: Sequence[str],
    stray: Sequence[str],
    differences: Differences,
) -> Outline:
    """`takes`: of each point, by its key; `differences`: says how a link's shots are not as they were."""
    of_link = {one.link: one for one in recounts.counts}

    def shot(link: Link) -> SeenShot:
        noted, size = notes.shots.get(link.target, ()), (0, 0)
        said: tuple[str, ...] = ()
        if link.kind == "picture":
            try:
                size = _size(finder.chart(link.target, "svg"))
            except (ClipLibError, ValueError) as problem:
                said = (str(problem),)
        else:
            said = tuple(differences(link, noted, finder))
        clips = finder.seen(link, noted)
        return SeenShot(link.text, link.kind, link.target, link.title, link.line, clips, size, said)

    def point(number: int, one: Point) -> SeenPoint:
        return SeenPoint(
            number,
            one.heading,
            one.key,
            one.lines,
            tuple(tuple(_pieces(paragraph, of_link)) for paragraph in one.script),
            tuple(shot(link) for link in one.shots),
            tuple(held for held in recounts.comparisons if held.point == one.key),
            tuple(takes[one.key].all()) if one.key in takes else (),
            tuple(phrases_of(one)),
        )

    return Outline(
        text,
        document.title,
        tuple(paragraph.text for paragraph in document.about),
        tuple(point(number, one) for number, one in enumerate(document.points, 1)),
        (*(f"line {one.line}: {one.message}" for one in document.problems), *problems),
        tuple(f"line {one.line}: {one.message}" for one in document.notes),
        tuple(stray),
        tuple(one for one in recounts.counts if one.drift),
    )


def _size(svg: bytes) -> tuple[int, int]:
    """Width and height of a picture, as it says itself."""
    found = re.search(rb'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
    return (round(float(found[1])), round(float(found[2]))) if found else (720, 405)


def _pieces(paragraph: Paragraph, of_link: Mapping[Link, Recount]) -> Iterator[Piece]:
    place = 0
    for link in paragraph.links:
        if link.at > place:
            yield Piece(paragraph.text[place : link.at])
        place = link.at + len(link.text)
        yield Piece(link.text, of_link.get(link), "" if link.kind else link.target)
    if place < len(paragraph.text):
        yield Piece(paragraph.text[place:])


def phrases_of(point: Point) -> Iterator[tuple[str, str]]:
    """Each phrase once, with the first link that says it."""
    found: set[str] = set()
    for link in (*point.counts, *(shot for shot in point.shots if shot.kind in ("find", "picture"))):
        try:
            phrase = asked(link.target).phrase
        except ValueError:
            continue
        if phrase not in found:
            found.add(phrase)
            yield phrase, link.target
