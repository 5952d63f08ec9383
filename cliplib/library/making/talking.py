"""What a page needs to play a point's shots while somebody talks over them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from cliplib.breakdowns.document import Link, Point
from cliplib.breakdowns.links import Words, treatment
from cliplib.breakdowns.shots import ShotRecord
from cliplib.breakdowns.take import Take
from cliplib.core.errors import ClipLibError
from cliplib.core.models import JSON
from cliplib.library.making.breakdownshots import ShotFinder

OF_CLIPS = ("clip", "beside", "find")


@dataclass(frozen=True, slots=True)
class Pane:
    """One clip of a shot. `meet_us`: footage time at which the clips of a side by side are in step."""

    clip: int
    meet_us: int | None = None


@dataclass(frozen=True, slots=True)
class TalkShot:
    """A shot as a player shows it: one clip, two at once, or `still`, the target of a chart. `offset`: frames
    by which the second of two is later. `problem`: why it cannot be played; its number stays its own."""

    label: str
    panes: tuple[Pane, ...] = ()
    records: tuple[ShotRecord, ...] = ()
    still: str = ""
    mirror: str = "none"
    offset: int = 0
    problem: str = ""

    def as_json(self) -> JSON:
        return {
            "label": self.label,
            "panes": [{"clip": pane.clip, "meet": pane.meet_us} for pane in self.panes],
            "still": bool(self.still),
            "mirror": self.mirror,
            "offset": self.offset,
            "problem": self.problem,
        }


def shots_of_point(
    point: Point, noted: Mapping[str, tuple[ShotRecord, ...]], finder: ShotFinder
) -> list[TalkShot]:
    """The point's shots as its text has them now, in order."""
    shots: list[TalkShot] = []
    for link in point.shots:
        if link.kind == "picture":
            shots.append(TalkShot(link.text, still=link.target))
            continue
        if link.kind not in OF_CLIPS:
            continue
        try:
            records = noted.get(link.target) or finder.records(link)
            problem = "" if records else "nothing is found that has footage"
        except (ClipLibError, ValueError) as wrong:
            records, problem = (), str(wrong)
        rows = [tuple(records)] if link.kind == "beside" or not records else [(one,) for one in records]
        for number, row in enumerate(rows, 1):
            label = f"{link.text} {number}" if len(rows) > 1 else link.text
            shots.append(_playable(label, row, _words(link), finder, problem))
    return shots


def shots_of_take(take: Take, links: Iterable[Link], finder: ShotFinder) -> list[TalkShot]:
    """The shots that a take was recorded over, in its order."""
    named = {link.target: link for link in links if link.kind in (*OF_CLIPS, "picture")}
    shots: list[TalkShot] = []
    for place, records in enumerate(take.shots):
        still = take.stills.get(place, "")
        if still:
            shots.append(TalkShot(named[still].text if still in named else "a chart", still=still))
            continue
        target = ("beside:" if len(records) > 1 else "clip:") + ",".join(str(r.clip) for r in records)
        link = named.get(target)
        label = link.text if link else (records[0].tells if records else "") or f"shot {place + 1}"
        shots.append(_playable(label, records, _words(link) if link else Words(), finder))
    return shots


def _words(link: Link) -> Words:
    try:
        return treatment(link.title)
    except ValueError:
        return Words()  # the check says it


def _playable(
    label: str, records: Sequence[ShotRecord], words: Words, finder: ShotFinder, problem: str = ""
) -> TalkShot:
    panes = []
    for record in records:
        row = finder.clip_of(record)
        if row is None or row.file is None:
            problem = problem or f"“{label}” (clip {record.clip}) cannot be played here: it is not there"
            break
        panes.append(Pane(row.id, record.moments[-1] if record.moments else None))
    shown = () if problem else tuple(panes)
    return TalkShot(label, shown, tuple(records), "", words.mirror or "none", words.offset, problem)
