"""Rounds, replays and action found on a film, for people to decide: `library.logging.watching`.

What is found is proposed and kept apart from every log. What somebody accepts becomes a part of the film, in
the fight's `fight.toml`, as if they had typed it; only then does anything read it.
"""

from __future__ import annotations

import contextlib
import json
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from cliplib.catalogue.proposals import DECISIONS, StoredProposal, same
from cliplib.catalogue.proposals import Watching as Looked
from cliplib.core.errors import BusyError, InputError, LogError, NotFoundError, StorageError
from cliplib.core.models import JSON, FightInfo
from cliplib.core.parts import Part
from cliplib.core.progress import Progress, silent
from cliplib.core.timebase import format_time
from cliplib.fightfolder.rewriting import Row
from cliplib.ingest.lock import only_one
from cliplib.library.desk import Desk
from cliplib.library.filmlock import showing
from cliplib.library.logging.live import logger_name
from cliplib.library.logging.stretches import FightStretches, Stretches, part_row

if TYPE_CHECKING:
    from cliplib.watching import Proposal, Watched

CACHE = "watching"
_OF_ENOUGH = ("sure", "likely")
_FAR_US = 1_000_000


@dataclass(frozen=True, slots=True)
class QuietFilm:
    """What is known of where action is likely. `useful`: False where these signals tell nothing on this film;
    `spans`: seconds in which it is likely; `exchanges`: from how many it was learnt; `may_skip`: whether
    those are enough to do more than play the rest faster; `said`: in sentences."""

    useful: bool
    spans: tuple[tuple[float, float], ...]
    exchanges: int
    may_skip: bool
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FilmProposals:
    """`looked`: how far the film was looked at: None, “sound” or “whole”; `other`: it was other footage, or
    other methods. `notes`: what somebody should know."""

    proposals: tuple[StoredProposal, ...]
    looked: str | None
    other: bool
    notes: tuple[str, ...]
    quiet: QuietFilm | None

    @property
    def open(self) -> tuple[StoredProposal, ...]:
        return tuple(one for one in self.proposals if one.decision is None)


@dataclass(frozen=True, slots=True)
class Counted:
    """How many proposals of a kind and sureness were decided how, over all fights."""

    kind: str
    sureness: str
    open: int
    accepted: int
    changed: int
    refused: int


class FilmWatching:
    """NotFoundError for a fight or proposal that is not there."""

    def __init__(self, desk: Desk, stretches: FightStretches):
        self._desk, self._stretches = desk, stretches

    @property
    def at_ingest(self) -> bool:
        """Whether the library's settings want films looked at when they come in."""
        return self._desk.settings.watch

    # --- looking ------------------------------------------------------------------------------------------

    def watch(self, fight_id: int, progress: Progress = silent) -> FilmProposals:
        """Look at a fight's film: the sound first, whose rounds are proposed at once, then all of it.

        It may be stopped at any moment, and goes on where it was. What was decided stays and is not asked
        again. Forgetting a fight waits until it is stopped or done. InputError where round_seconds or
        rest_seconds are not said, BusyError while somebody else looks at this film or a fight is being
        forgotten, FootageError, StorageError, and what `progress` raises.
        """
        from cliplib.media.probe import Probe
        from cliplib.watching import VERSION, hear, watch

        self._desk.catalogue.must_write()
        with showing(self._desk.folder), self._alone(fight_id) as folder:
            fight = self._desk.fight(fight_id)
            round_s, rest_s = _lengths(fight.info)
            row = self._desk.footage(fight_id, fight.title)
            found = Probe(row.path, row.info, row.timeline)
            looked = self._desk.catalogue.proposals.watching(fight_id)
            this = (row.info.fingerprint, VERSION)
            if looked is None or (looked.fingerprint, looked.version) != this:
                heard = hear(found, folder, round_s, rest_s, progress)
                self._keep(fight_id, heard.proposals, Looked(*this, "sound", heard.notes))
            watched = watch(found, folder, round_s, rest_s, progress)
            self._keep(fight_id, watched.proposals, Looked(*this, "whole", watched.notes))
            self._learn(fight_id, watched, folder / f"action-{fight_id}.json")
        return self.of(fight_id)

    def of(self, fight_id: int) -> FilmProposals:
        """What is proposed of a fight's film, and what was decided, in order of time."""
        fight, kept = self._desk.fight(fight_id), self._desk.catalogue.proposals
        looked, proposals = kept.watching(fight_id), tuple(kept.of(fight_id))
        other = looked is not None and not _is_of(looked, self._desk.catalogue.fingerprints().get(fight_id))
        return FilmProposals(
            proposals,
            None if looked is None else looked.stage,
            other,
            (*(looked.notes if looked else ()), *_not_written(proposals, fight.info)),
            None if other or looked is None else self._quiet(fight_id),
        )

    def wanted(self) -> list[int]:
        """Fights with footage that was not looked at whole, by number."""
        catalogue, found = self._desk.catalogue, []
        for fight_id, fingerprint in sorted(catalogue.fingerprints().items()):
            looked = catalogue.proposals.watching(fight_id)
            if looked is None or looked.stage != "whole" or not _is_of(looked, fingerprint):
                found.append(fight_id)
        return found

    # --- deciding -----------------------------------------------------------------------------------------

    def accept(
        self, fight_id: int, proposal_id: int, by: str, span_us: tuple[int, int] | None = None
    ) -> StoredProposal:
        """Say that it is so, or so with another beginning and end: it becomes a part of the film.

        A round becomes one when all rounds before it have. What somebody took out of fight.toml by hand is
        not written again for another decision. BusyError if somebody decided it before; InputError,
        FightFolderError and StorageError if fight.toml cannot hold it: then it is open again.
        """
        kept = self._desk.catalogue.proposals
        one = next((p for p in kept.of(fight_id) if p.id == proposal_id), None)
        moved = span_us is not None and one is not None and span_us != (one.from_us, one.until_us)
        if span_us is not None and not 0 <= span_us[0] < span_us[1]:
            raise InputError("a part of the film ends after it begins")
        by = logger_name(by)
        done = kept.decide(
            fight_id, proposal_id, "changed" if moved else "accepted", by, span_us if moved else None
        )
        try:
            self._say(fight_id, [done])
        except BaseException:
            kept.reopen(fight_id, proposal_id)
            raise
        return done

    def accept_both(self, fight_id: int, by: str) -> int:
        """Accept all that both sources say: open rounds on which bell and clock agree. How many they were."""
        both = [one for one in self.of(fight_id).open if one.kind == "round" and one.verdict == "both"]
        by = logger_name(by)
        kept = self._desk.catalogue.proposals
        done: list[StoredProposal] = []
        try:
            for one in both:
                with contextlib.suppress(BusyError, NotFoundError):  # somebody was quicker
                    done.append(kept.decide(fight_id, one.id, "accepted", by))
            self._say(fight_id, done)
        except BaseException:
            for one in done:
                kept.reopen(fight_id, one.id)
            raise
        return len(done)

    def refuse(self, fight_id: int, proposal_id: int, by: str) -> StoredProposal:
        """Say that it is not so; it is not asked again. BusyError if somebody decided it before."""
        return self._desk.catalogue.proposals.decide(fight_id, proposal_id, "refused", logger_name(by))

    def take_back(self, fight_id: int, proposal_id: int) -> None:
        """Undo a decision; what it made of the film goes, if it still stands there as it was made. The rounds
        behind a round go with it, since rounds are numbered by their order; they stay accepted, and come back
        with it. InputError, FightFolderError, BusyError and StorageError where they cannot go: then the
        decision stands."""
        kept = self._desk.catalogue.proposals
        proposals = kept.of(fight_id)
        was = next((one for one in proposals if one.id == proposal_id), None)
        there = None
        if was is not None and was.decision in _SO:
            there = self._stretches.parts(fight_id)
            left = _without(was, proposals, there)
            if len(left) < len(there.rows):
                with _rows_of_logs("Where rows lie in this round: take the rounds before it back first."):
                    self._stretches.put(fight_id, "part", left, seen=there.seen)
            else:
                there = None
        try:
            kept.reopen(fight_id, proposal_id)
        except BaseException:
            if there is not None:
                self._stretches.put(fight_id, "part", there.rows)
            raise

    def report(self) -> tuple[Counted, ...]:
        """How many proposals were decided how, by kind and sureness, over all fights."""
        counts = self._desk.catalogue.proposals.counts()
        return tuple(
            Counted(kind, sureness, *(of[name] for name in ("open", *DECISIONS)))
            for (kind, sureness), of in counts.items()
        )

    # --- how ----------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _alone(self, fight_id: int) -> Iterator[Path]:
        """The folder of what is kept between runs, for one process at a time a fight."""
        folder = self._desk.cache / CACHE
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StorageError(f"{folder}: {error.strerror or error}; free some space first") from error
        with only_one(folder / f"fight-{fight_id}.lock"):
            yield folder
            self._sweep(folder)

    def _sweep(self, folder: Path) -> None:
        """Take away what was kept of footage that no fight has any more."""
        prints = set(self._desk.catalogue.fingerprints().values())
        for path in folder.iterdir():
            if path.is_dir() and not any(path.name.startswith(f"{one}-") for one in prints):
                shutil.rmtree(path, ignore_errors=True)

    def _keep(self, fight_id: int, found: Sequence[Proposal], looked: Looked) -> None:
        info = self._desk.fight(fight_id).info
        notes = list(looked.notes)
        said = [part for part in info.parts if part.kind in ("round", "replay")]
        bells = info.round_starts_us if not any(p.kind == "round" for p in said) else ()
        if bells:
            notes += _differing(found, bells)
        stored = [_stored(one) for one in found if not (one.kind == "round" and bells)]
        known = [_as_proposal(part) for part in said]
        asked = [one for one in stored if not any(same(one, other) for other in known)]
        self._desk.catalogue.proposals.put(
            fight_id, asked, Looked(looked.fingerprint, looked.version, looked.stage, tuple(notes))
        )

    def _learn(self, fight_id: int, watched: Watched, out: Path) -> None:
        """Where action is likely, from what is logged by now."""
        from cliplib.watching import action

        told = [e.exchange for e in self._desk.catalogue.exchanges(fight_id) if e.counts]
        spans = [(e.start_us / 1e6, e.end_us / 1e6) for e in told if e.start_us is not None and e.end_us]
        whole = [
            (max(r.start, 0.0), max([last for first, last in spans if r.start <= first < r.end], default=0.0))
            for r in watched.rounds
        ]
        learnt, _ = action(watched, spans, [span for span in whole if span[1] > span[0]])
        quiet = QuietFilm(learnt.useful, learnt.spans, learnt.exchanges, learnt.may_skip, learnt.said)
        try:
            out.write_text(json.dumps(asdict(quiet)), encoding="utf-8")
        except OSError as error:
            raise StorageError(f"{out}: {error.strerror or error}") from error

    def _quiet(self, fight_id: int) -> QuietFilm | None:
        try:
            text = (self._desk.cache / CACHE / f"action-{fight_id}.json").read_text(encoding="utf-8")
            told = json.loads(text)
            spans = tuple((float(a), float(b)) for a, b in told["spans"])
            return QuietFilm(told["useful"], spans, told["exchanges"], told["may_skip"], tuple(told["said"]))
        except (OSError, ValueError, KeyError, TypeError):  # it can be made again
            return None

    def _say(self, fight_id: int, decided: Sequence[StoredProposal]) -> None:
        """Write what was just accepted into fight.toml: replays, and rounds, each when all before it are
        there, with those behind it that were accepted and waited for it."""
        there = self._stretches.parts(fight_id)
        known = [_as_proposal(part) for part in there.info.parts]
        rows = [
            row
            for one in decided
            if one.kind == "replay" and not any(same(one, other) for other in known)
            for row in _rows(one)
        ]
        number = sum(part.kind == "round" for part in there.info.parts) + 1
        if any(one.kind == "round" and one.number == number for one in decided):
            accepted = {
                one.number: one
                for one in self._desk.catalogue.proposals.of(fight_id)
                if one.kind == "round" and one.decision in _SO
            }
            while (following := accepted.get(number)) is not None:
                rows += _rows(following)
                number += 1
        fresh = [row for row in rows if row not in there.rows]
        if fresh:
            with _rows_of_logs(
                f"Where rows lie in round {number}, which is not there yet: accept that first. It waits for "
                "the rounds before it, and is written with them."
            ):
                self._stretches.put(fight_id, "part", [*there.rows, *fresh], seen=there.seen)


_SO = ("accepted", "changed")


def _is_of(looked: Looked, fingerprint: str | None) -> bool:
    """Whether a look was at this footage, with the methods of today."""
    from cliplib.watching import VERSION

    return (looked.fingerprint, looked.version) == (fingerprint, VERSION)


@contextlib.contextmanager
def _rows_of_logs(cure: str) -> Iterator[None]:
    """Says what to do where rows of a log would lie in no round. Raises InputError for logs that cannot be
    read."""
    try:
        yield
    except LogError as problem:
        raise InputError(f"{problem}\n{cure}") from problem


def _as_proposal(part: Part) -> StoredProposal:
    return StoredProposal(part.kind, part.start_us, part.end_us, "", (), "")


def _not_written(proposals: Sequence[StoredProposal], info: FightInfo) -> Iterator[str]:
    """What to say of rounds that were accepted and are not among the film's parts."""
    there = [_as_proposal(part) for part in info.parts if part.kind == "round"]
    for one in proposals:
        if one.kind != "round" or one.decision not in _SO or any(same(one, other) for other in there):
            continue
        if one.number is not None and one.number > len(there) + 1:
            yield f"round {one.number} is accepted, and waits for round {len(there) + 1}"
        else:
            yield (
                f"round {one.number} is accepted, and somebody took it out of the film's parts; take the "
                "decision back to decide it anew"
            )


def _without(was: StoredProposal, proposals: Sequence[StoredProposal], there: Stretches) -> list[Row]:
    """The parts of the film without what a decision made of it, and without the rounds behind it. Raises
    InputError where such a round is not one that was accepted here."""
    gone = _rows(was)
    if gone[0] not in there.rows:  # somebody changed it by hand, or took it out
        return list(there.rows)
    behind = {
        row_of["from"]: rows
        for one in proposals
        if one.kind == was.kind == "round" and one.decision in _SO and one.span_us > was.span_us
        for rows in [_rows(one)]
        for row_of in rows[:1]
    }
    for part, row in zip(there.info.parts, there.rows, strict=True):
        if was.kind == part.kind == "round" and part.start_us > was.span_us[0]:
            rows = behind.get(row["from"], [])
            if row not in rows:
                raise InputError(
                    f"the round that begins at {row['from']} was written or changed by hand, and would get "
                    "another number without this one; change the film's parts themselves"
                )
            gone += rows
    return [row for row in there.rows if row not in gone]


def _lengths(info: FightInfo) -> tuple[float, float]:
    """Round and rest in seconds."""
    if info.round_us is None or info.rest_us is None:
        raise InputError(
            f"“{info.title}”: write round_seconds and rest_seconds into its fight.toml first; bells are told "
            "from other sounds by them"
        )
    return info.round_us / 1e6, info.rest_us / 1e6


def _rows(one: StoredProposal) -> list[dict[str, str]]:
    """A proposal as the tables that fight.toml gets."""
    start, end = one.span_us
    if one.kind == "round":
        made = [Part("round", start, end)]
        made += [Part("stop", at, at + gap) for at, gap in one.stops if gap > 0]
        rows = [part_row(part) for part in made]
    else:
        of = one.of_us if one.of_sureness in _OF_ENOUGH else None
        speed = None if of is None or one.speed is None else Fraction(str(one.speed))
        rows = [part_row(Part("replay", start, end, of_us=of, speed=speed))]
    return [{key: value for key, value in row.items() if value} for row in rows]


def _stored(one: Proposal) -> StoredProposal:
    of = one.origin
    return StoredProposal(
        one.kind, one.from_us, one.until_us, one.sureness, one.evidence, one.version,
        number=one.number, verdict=one.verdict, stops=one.stops,
        of_us=of.at_us if of else None, speed=round(of.speed, 3) if of else None,
        of_sureness=of.sureness if of else "",
    )  # fmt: skip


def _differing(found: Sequence[Proposal], bells: Sequence[int]) -> list[str]:
    """What to say where rounds are known already, and others were found."""
    for one in (p for p in found if p.kind == "round"):
        nearest = min(bells, key=lambda bell: abs(bell - one.from_us))
        if abs(nearest - one.from_us) > _FAR_US:
            return [
                f"a round was found to begin at {format_time(one.from_us, 1)}, and fight.toml has the "
                f"nearest bell at {format_time(nearest, 1)}; look at both"
            ]
    return []


def proposal_json(one: StoredProposal) -> JSON:
    """A proposal; times in seconds of footage time."""
    told: JSON = {
        "id": one.id,
        "kind": one.kind,
        "from": one.from_us / 1e6,
        "until": one.until_us / 1e6,
        "sureness": one.sureness,
        "evidence": list(one.evidence),
        "version": one.version,
        "decision": one.decision,
        "by": one.by or None,
        "at": one.at or None,
    }
    if one.kind == "round":
        told |= {"number": one.number, "verdict": one.verdict}
    if one.kind == "replay":
        told |= {
            "of": None if one.of_us is None else one.of_us / 1e6,
            "speed": one.speed,
            "of_sureness": one.of_sureness or None,
        }
    if one.as_us is not None:
        told |= {"as": [us / 1e6 for us in one.as_us]}
    return told
