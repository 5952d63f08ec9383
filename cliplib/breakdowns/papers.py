"""What comes out beside the film, as text: a description with chapters and counts, captions, and the sources:
which footage is shown, from where to where, and how much of it."""

from __future__ import annotations

import csv
import io
import itertools
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from cliplib.breakdowns.counts import Recounts
from cliplib.breakdowns.film import FilmPlan
from cliplib.breakdowns.plan import PointPlan
from cliplib.core.timebase import SECOND, format_time
from cliplib.logs.cells import harmless
from cliplib.media.working import Prepared
from cliplib.reels.handover import vtt_time
from cliplib.reels.lettering import clean
from cliplib.reels.plan import CAUTIONS

LINE, LINES = 42, 2
"""Letters of a caption's line, and lines of a caption (common practice)."""

SOURCES_NOTE = (
    "This list is for whoever must ask the owners of the footage, or argue a use by local law.",
    "It is no legal advice: whether a use is allowed differs by country and is decided case by case.",
    "Ask the owner first; ask a lawyer where it matters.",
)


# --- description ------------------------------------------------------------------------------------------


def description(plan: FilmPlan, about: Sequence[str], recounts: Recounts) -> str:
    """Title, chapters as `m:ss heading`, every count with what was counted, fights and dates."""
    lines = [plan.title, "", *(line for said in about for line in (said, ""))]
    chapters = plan.chapters()
    lines += [f"{format_time(int(at * SECOND), 0)} {heading}" for at, heading in chapters]
    counts = [one for one in recounts.counts if one.counted is not None and not one.problem]
    if counts:
        lines += ["", "What is counted"]
        definitions: dict[str, None] = {}
        for one in counts:
            assert one.counted is not None
            fights = ", ".join(f"{title} ({date})" if date else title for title, date in one.counted.fights)
            said = f"* {one.link.text}: {one.counted.said}"
            lines.append(said + (f"; from {fights}" if fights else ""))
            if one.drift:
                lines.append(f"  (counted again when this was made: {one.now})")
            definitions |= dict.fromkeys(one.counted.definitions)
        lines += ["", *definitions]
    shown = dict.fromkeys(_fight(use) for use in uses_of(plan))
    if shown:
        lines += ["", "Film from", *(f"* {fight}" for fight in shown)]
    return "\n".join([*lines, "", *CAUTIONS[1:]]) + "\n"


# --- captions ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Cue:
    """Seconds of the film, and up to two lines."""

    start: Fraction
    end: Fraction
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PointCues:
    """`tapped`: the times come from the take; else from the sentences' lengths alone."""

    heading: str
    tapped: bool
    cues: tuple[Cue, ...]


def cues_of(plan: FilmPlan) -> list[PointCues]:
    """The script of each point over its part of the film."""
    found = []
    for start, part, point in plan.placed():
        assert part.plan is not None
        begin = plan.seconds(start)
        whole = plan.seconds(part.frames)
        spoken = min(whole, Fraction(part.plan.spoken, SECOND)) or whole
        taps = dict[int, Fraction]()
        for us, sentence in point.take.taps if point.take else ():
            if sentence < len(point.sentences):
                taps[sentence] = min(Fraction(us, SECOND), spoken)
        times = _times(point.sentences, taps, spoken)
        cues = [
            Cue(begin + since, begin + until, lines)
            for sentence, (first, last) in zip(point.sentences, times, strict=True)
            for since, until, lines in _split(sentence, first, last)
            if until > since
        ]
        found.append(PointCues(point.heading, bool(taps), tuple(cues)))
    return found


def captions(plan: FilmPlan) -> str:
    """WebVTT (W3C). A note before each point says where its times come from."""
    text = ["WEBVTT\n"]
    for point in cues_of(plan):
        if not point.cues:
            continue
        source = "tapped in the take" if point.tapped else "worked out from the length of the sentences"
        text.append(f"NOTE {_plain(point.heading)}: times {source}\n")
        for cue in point.cues:
            times = f"{vtt_time(cue.start)} --> {vtt_time(cue.end)}"
            text.append("\n".join([times, *map(_escaped, cue.lines), ""]))
    return "\n".join(text)


def _times(
    sentences: Sequence[str], taps: dict[int, Fraction], whole: Fraction
) -> list[tuple[Fraction, Fraction]]:
    """When each sentence is said: from its tap, and between two taps shared out by length."""
    if not sentences:
        return []
    known = {0: Fraction(0), **taps, len(sentences): whole}
    starts = [Fraction(0)] * (len(sentences) + 1)
    places = sorted(known)
    for first, after in itertools.pairwise(places):
        begin = max(known[first], starts[first])
        end = max(begin, known[after])
        lengths = [max(1, len(sentence)) for sentence in sentences[first:after]]
        done = 0
        for n, length in enumerate(lengths):
            starts[first + n] = begin + (end - begin) * done / sum(lengths)
            done += length
        starts[after] = end
    return list(itertools.pairwise(starts))


def _split(
    sentence: str, first: Fraction, last: Fraction
) -> list[tuple[Fraction, Fraction, tuple[str, ...]]]:
    lines = _wrapped(clean(sentence))
    pieces = [tuple(lines[n : n + LINES]) for n in range(0, len(lines), LINES)]
    lengths = [sum(map(len, piece)) for piece in pieces]
    found, done = [], 0
    for piece, length in zip(pieces, lengths, strict=True):
        since = first + (last - first) * done / sum(lengths)
        done += length
        found.append((since, first + (last - first) * done / sum(lengths), piece))
    return found


def _wrapped(text: str) -> list[str]:
    """As few lines as fit, about as long as each other: no word is left alone."""
    lines = textwrap.wrap(text, LINE)
    even = (textwrap.wrap(text, width) for width in range(max(1, len(text) // max(1, len(lines))), LINE))
    return next((some for some in even if len(some) == len(lines)), lines)


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _plain(text: str) -> str:
    return clean(text).replace("-->", "–>")


# --- sources ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Use:
    """One shot of a clip in a point: frames [first, last) of its footage are seen in it, on screen for
    `seconds`, from `film` seconds of the film on. `frames`: which."""

    source: Prepared
    fight: str
    date: str
    point: str
    shot: str
    first: int
    last: int
    film: Fraction
    seconds: Fraction
    frames: frozenset[int]


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """A footage. `seconds`: of it that are seen, each counted once; `whole`: how long it is."""

    fight: str
    date: str
    file: str
    fingerprint: str
    uses: tuple[Use, ...]
    seconds: Fraction
    whole: Fraction

    @property
    def share(self) -> Fraction:
        return self.seconds / self.whole if self.whole else Fraction(0)


def uses_of(plan: FilmPlan) -> list[Use]:
    found = []
    for start, part, point in plan.placed():
        assert part.plan is not None
        for number, shot in enumerate(point.shots):
            for pane, clip in enumerate(shot.panes):
                column = part.plan.other if pane else part.plan.frame
                seen = np.flatnonzero(_shows(part.plan, number))
                if not len(seen):
                    continue
                frames = frozenset(column[seen].tolist())
                found.append(
                    Use(
                        clip.source,
                        clip.facts.get("fight", "") or clip.source.original.stem,
                        clip.facts.get("date", ""),
                        point.heading,
                        shot.label,
                        min(frames),
                        max(frames) + 1,
                        plan.seconds(start + int(seen[0])),
                        plan.seconds(len(seen)),
                        frames,
                    )
                )
    return found


def _shows(plan: PointPlan, shot: int) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    looks = [place for place, look in enumerate(plan.looks) if look.shot == shot]
    return np.isin(plan.look, looks)


def sources_of(plan: FilmPlan) -> list[Source]:
    """Every footage that is seen, by its fight."""
    by_footage: dict[str, list[Use]] = {}
    for use in uses_of(plan):
        by_footage.setdefault(use.source.info.fingerprint, []).append(use)
    found = []
    for fingerprint, uses in by_footage.items():
        line = uses[0].source.timeline
        frames = frozenset[int]().union(*(use.frames for use in uses))
        seconds = sum((line.time_of(f + 1) - line.time_of(f) for f in frames), Fraction(0))
        found.append(
            Source(
                uses[0].fight,
                uses[0].date,
                uses[0].source.original.name,
                fingerprint,
                tuple(uses),
                seconds,
                line.time_of(len(line)),
            )
        )
    return sorted(found, key=lambda source: (source.fight, source.date, source.fingerprint))


def sources_text(plan: FilmPlan) -> str:
    """A sheet to read: each footage with every shot, seconds used and the share of the whole."""
    lines = [f"Sources of “{plan.title}”", "", *SOURCES_NOTE]
    for source in sources_of(plan):
        title = f"{source.fight}, {source.date}" if source.date else source.fight
        lines += [
            "",
            title,
            f"  footage: {source.file}, {format_time(int(source.whole * SECOND), 0)} long",
            f"  used: {float(source.seconds):.1f} s of it, {100 * float(source.share):.1f} % of the whole",
        ]
        for use in source.uses:
            times = use.source.timeline
            since, until = (format_time(times.us_of(frame), 2) for frame in (use.first, use.last))
            lines.append(
                f"  {since} to {until}: “{use.shot}” in “{use.point}”, on screen for "
                f"{float(use.seconds):.1f} s from {format_time(int(use.film * SECOND), 1)} of the film on"
            )
    return "\n".join(lines) + "\n"


COLUMNS = (
    "fight", "date", "footage", "fingerprint", "footage_seconds", "seconds_used", "share", "point", "shot",
    "in", "out", "first_frame", "end_frame", "film_in", "seconds_on_screen",
)  # fmt: skip


def sources_csv(plan: FilmPlan) -> str:
    """The same as CSV (RFC 4180), a row for each shot; what is said of a footage stands in each of its
    rows."""
    out = io.StringIO(newline="")
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(COLUMNS)
    for source in sources_of(plan):
        for use in source.uses:
            line = use.source.timeline
            table.writerow(
                [
                    *map(harmless, (source.fight, source.date, source.file, source.fingerprint)),
                    f"{float(source.whole):.3f}",
                    f"{float(source.seconds):.3f}",
                    f"{float(source.share):.4f}",
                    *map(harmless, (use.point, use.shot)),
                    format_time(line.us_of(use.first), 3),
                    format_time(line.us_of(use.last), 3),
                    use.first,
                    use.last,
                    format_time(int(use.film * SECOND), 3),
                    f"{float(use.seconds):.3f}",
                ]
            )
    return out.getvalue()


def _fight(use: Use) -> str:
    return f"{use.fight} ({use.date})" if use.date else use.fight
