"""The first page: say what you look for, see how it was read, watch the clips, collect some into a reel."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, jsonify, make_response, render_template, request, url_for
from flask.typing import ResponseReturnValue

from cliplib import (
    ClipRow,
    FightRow,
    Found,
    InputError,
    Library,
    Reading,
    Unread,
    Where,
    evidence_tables,
)

from ..api.shapes import served_found
from ..site.here import library
from ..site.signin import may_log
from .lists import (
    LONGEST,
    ORDERS,
    PER_PAGE,
    Listed,
    filters_of,
    listed,
    where_from,
)

page = Blueprint("find", __name__)

LONGEST_FACET = 12
MOST_REREAD, MOST_DANGLING = 6, 3
"""Words not understood that are left out with what hangs on them, and how many may hang on one."""
# Facets in the order shown: key in Found.facets and in the address, heading.
FACETS = (
    ("technique", "Action"),
    ("fighter", "Who did it"),
    ("outcome", "Outcome"),
    ("round", "Round"),
    ("stance", "Stance"),
)
# What leaving out one property of a step asks for instead.
WIDER = {
    "outcome": "any outcome",
    "target": "head or body",
    "hand": "either hand",
    "side": "either side",
    "stance": "either stance",
    "fighter": "by anybody",
    "direction": "either way",
    "place": "anywhere",
    "range": "any distance",
    "within": "any time between",
    "technique": "anything",
}

Link = Callable[..., str]


@dataclass(frozen=True)
class FacetValue:
    text: str
    count: int
    chosen: bool
    link: str
    share: int  # percent of the longest bar


@dataclass(frozen=True)
class Facet:
    key: str
    heading: str
    values: tuple[FacetValue, ...]
    more: int  # values not shown


@dataclass(frozen=True)
class Part:
    """A piece of the reading. `without`: link that leaves it out, empty if nothing else would be left.
    `wider`: (English, link) for each property that may be let go."""

    text: str
    without: str
    wider: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Shown:
    """A picture that leads somewhere: `clip` has the picture, None where there is no film."""

    text: str
    under: str
    link: str
    clip: int | None


@dataclass(frozen=True)
class Start:
    """What there is before anything is looked for: phrases that find something, and what is latest."""

    fights: int
    fighters: int
    rows: tuple[tuple[str, tuple[Shown, ...]], ...]


@dataclass(frozen=True)
class FindPage:
    """What find.html shows."""

    phrase: str
    asked: str  # what was typed, if it was misspelt and `phrase` is what was taken for it
    typed_link: str
    mended: str  # the phrase with every misspelt word put right, if there are several
    listed: Listed | None
    ways: tuple[tuple[str, str], ...]  # (what, link): what else the same search leads to
    order: str
    filters: tuple[tuple[str, str, str], ...]  # (name, value, link without it)
    reading: Reading | None
    unread: tuple[tuple[Unread, str, str], ...]  # (word not understood, phrase without it, its link)
    parts: tuple[Part, ...]
    found: Found | None
    highlights: dict[int, tuple[tuple[str, bool], ...]]
    facets: tuple[Facet, ...]
    problem: str
    page_no: int
    pages: int
    logs_link: str
    views_link: str
    previous_link: str
    next_link: str
    orders: tuple[tuple[str, str, str, bool], ...]
    start: Start | None


@page.get("/")
def find() -> ResponseReturnValue:
    lib = library()
    asked = phrase = request.args.get("q", "").strip()[:500]
    order = request.args.get("order", "fit")
    order = order if order in ORDERS else "fit"
    page_no = min(max(1, request.args.get("page", 1, type=int)), 1_000_000)
    filters = filters_of(request.args)
    all_logs = request.args.get("logs") == "all"
    found, problem, whole = None, "", None
    if phrase or filters:
        try:
            if "typed" not in request.args:
                phrase = well_spelt(lib, phrase) or phrase
            whole = listed(lib, {**request.args, "q": phrase})
            where = whole.where if whole else Where()
            filters = dict(whole.filters) if whole else {}
            found = lib.finding.find(
                phrase,
                where=where,
                order=order,
                offset=(page_no - 1) * PER_PAGE,
                limit=PER_PAGE,
                second_opinions=all_logs,
            )
        except InputError as wrong:
            problem = str(wrong)
    reading = found.reading if found else None

    def link(**changes: str | int | None) -> str:
        kept: dict[str, str | int | None] = {"q": phrase, **filters}
        kept |= {"order": order if order != "fit" else None, "logs": "all" if all_logs else None, **changes}
        query = urlencode({k: v for k, v in kept.items() if v})
        return url_for("find.find") + (f"?{query}" if query else "")

    pages = -(-found.total // PER_PAGE) if found else 0
    answer = make_response(
        render_template(
            "find.html",
            longest_reel=LONGEST,
            first=(page_no - 1) * PER_PAGE,
            here=FindPage(
                phrase=phrase,
                asked=asked if asked != phrase else "",
                typed_link=link(q=asked, typed="yes"),
                mended=mended(phrase, reading) if reading else "",
                listed=whole,
                ways=tuple(ways_on(whole)) if whole else (),
                order=order,
                filters=tuple((k, v, link(**{k: None})) for k, v in filters.items()),
                reading=reading,
                unread=tuple(
                    (word, rest, link(q=rest) if rest else "")
                    for word, rest in leaving_out(lib, phrase, reading)
                )
                if reading
                else (),
                parts=tuple(parts_of(reading, link)) if reading else (),
                found=found,
                highlights=highlights(lib, found) if found else {},
                facets=tuple(facets_of(found, filters, link)) if found else (),
                problem=problem,
                page_no=page_no,
                pages=pages,
                logs_link=link(logs=None if all_logs else "all"),
                views_link=link(views="too"),
                previous_link=link(page=page_no - 1) if 1 < page_no <= pages else "",
                next_link=link(page=page_no + 1) if page_no < pages else "",
                orders=tuple((key, text, link(order=key), key == order) for key, text in ORDERS.items()),
                start=start_of(lib) if not found else None,
            ),
        )
    )
    # Not "no-store": the browser may keep the page as it was left, so that going back keeps its place.
    answer.headers["Cache-Control"] = "private, no-cache"
    return answer


PER_ROW = 4
"""Pictures side by side on the first page, and so many lie in a row."""
EXAMPLES = (
    "counter to the body after a missed jab",
    "slips the jab and counters with a cross",
    "lead hook on the ropes",
    "double jab then a cross in the late rounds",
)


def start_of(lib: Library) -> Start:
    fights = lib.finding.fights()
    if not fights:
        return Start(0, 0, ())
    rows = (
        ("Say it as you would in the gym", tuple(_phrases(lib))),
        ("Latest film", tuple(_latest(lib, fights))),
        ("Latest reels", tuple(_reels(lib))),
        ("Themes", tuple(_themes(lib))),
    )
    shown = tuple((heading, row) for heading, row in rows if row)
    return Start(len(fights), len(lib.finding.fighters()), shown)


def _phrases(lib: Library) -> Iterator[Shown]:
    for phrase in EXAMPLES:
        found = lib.finding.find(phrase, limit=1, noted=False)
        if found.total:
            count = f"{found.total} exchange{'' if found.total == 1 else 's'}"
            yield Shown(phrase, count, url_for("find.find", q=phrase), _pictured(found.clips))


def _latest(lib: Library, fights: Sequence[FightRow]) -> Iterator[Shown]:
    for fight in sorted(fights, key=lambda fight: -fight.id)[:PER_ROW]:
        when = fight.info.date.isoformat() if fight.info.date else "no date"
        yield Shown(
            fight.title, when, url_for("fight.show", fight_id=fight.id), lib.finding.picture_of(fight.id)
        )


def _reels(lib: Library) -> Iterator[Shown]:
    for reel in lib.making.reels()[:PER_ROW]:
        clips = lib.finding.clips(reel.shows[:1])
        yield Shown(reel.title, reel.made, url_for("reels.show", name=reel.name), _pictured(clips))


def _themes(lib: Library) -> Iterator[Shown]:
    for theme in [one for one in lib.making.themes.all() if not one.problem][:PER_ROW]:
        under = f"made {theme.last.made}" if theme.reel and theme.last else "no reel yet"
        clips = lib.finding.find(theme.theme.phrase, limit=1, noted=False).clips if theme.theme else ()
        yield Shown(theme.title, under, url_for("themes.show", name=theme.name), _pictured(clips))


def _pictured(clips: Sequence[ClipRow]) -> int | None:
    return next((clip.id for clip in clips if clip.poster), None)


def well_spelt(lib: Library, phrase: str) -> str:
    """The phrase with its words put right, if spelling is all that is wrong with it; else empty.

    A word that stands in a note or a title is no slip, however near it comes to a term."""
    reading = lib.finding.explain(phrase)
    right = mended(phrase, reading, least=1)
    if not right or any(
        not word.meant or lib.finding.words(word.text, limit=1).hits for word in reading.unread
    ):
        return ""
    return "" if lib.finding.explain(right).unread else right


def mended(phrase: str, reading: Reading, least: int = 2) -> str:
    """The phrase with each misspelt word as what was probably meant; empty for fewer than `least` of them."""
    wrong = [word for word in reading.unread if word.meant]
    if len(wrong) < least or any(phrase[word.start : word.end] != word.text for word in wrong):
        return ""
    for word in sorted(wrong, key=lambda word: -word.start):
        phrase = phrase[: word.start] + _nearest(word) + phrase[word.end :]
    return phrase


def _nearest(word: Unread) -> str:
    """Of what may have been meant that which has most letters in common: “jab” for “jabb”, not “jabs”."""
    return max(
        word.meant, key=lambda meant: SequenceMatcher(None, word.text.casefold(), meant.casefold()).ratio()
    )


def ways_on(whole: Listed) -> Iterator[tuple[str, str]]:
    """Where the same search leads in one press, its filters kept: counts, what comes next, a theme."""
    asked: dict[str, Any] = {k: v for k, v in whole.args.items() if k not in ("order", "logs")}
    if whole.phrase:
        for table in evidence_tables.TABLES[:2]:
            yield table.title, url_for(f"evidence.{table.name}", **asked)
    if may_log():
        yield "Keep as a theme", url_for("themes.new", **asked)
        yield "Into a breakdown", url_for("breakdowns.into", **asked)


def parts_of(reading: Reading, link: Link) -> Iterator[Part]:
    """The pieces of the sentence in order, each with what may be let go of it."""
    tops = [(key, text, rest) for key, text, rest in reading.parts if "." not in key]
    for key, text, rest in tops:
        wider = tuple(
            (_wider(which.partition(".")[2], said), link(q=without))
            for which, said, without in reading.parts
            if which.startswith(f"{key}.") and without
        )
        yield Part(text, link(q=rest or None) if len(tops) > 1 else "", wider)


def leaving_out(lib: Library, phrase: str, reading: Reading) -> Iterator[tuple[Unread, str]]:
    """Each word that was not understood, with the phrase without it; empty if nothing is left.

    A word that made sense only beside it, such as “when” before “rushes”, goes along.
    """
    known = {word.text for word in reading.unread}
    for number, word in enumerate(reading.unread):
        rest = without_word(phrase, word)
        for _ in range(MOST_DANGLING if number < MOST_REREAD else 0):
            dangling = (
                next((w for w in lib.finding.explain(rest).unread if w.text not in known), None)
                if rest
                else None
            )
            if dangling is None:
                break
            rest = without_word(rest, dangling)
        yield word, rest


def without_word(phrase: str, word: Unread) -> str:
    """The phrase without a word that was not understood; empty if nothing is left."""
    start = word.start if phrase[word.start : word.end] == word.text else phrase.find(word.text)
    if start < 0 or not word.text:
        return ""
    return " ".join((phrase[:start] + " " + phrase[start + len(word.text) :]).split()).strip(" ,;.")


def _wider(name: str, said: str) -> str:
    if name == "role":
        return f"not only {said}s" if said in ("counter", "lead") else f"{said} or not"
    return WIDER.get(name, f"without “{said}”")


def highlights(lib: Library, found: Found) -> dict[int, tuple[tuple[str, bool], ...]]:
    """By clip: pieces of its note, True for words that were looked for in notes."""
    if not found.reading.unread:
        return {}
    hits = lib.finding.words(" ".join(u.text for u in found.reading.unread), limit=500).hits
    return {hit.exchange_id: hit.snippet for hit in hits if hit.exchange_id is not None}


def facets_of(found: Found, filters: dict[str, str], link: Link) -> Iterator[Facet]:
    for key, heading in FACETS:
        counts = found.facets.get(key, {})
        if not counts:
            continue
        longest = max(counts.values())
        if key == "round":
            rows = sorted(counts.items(), key=lambda kv: (not kv[0].isdecimal(), kv[0].zfill(4)))
        else:
            rows = sorted(counts.items(), key=lambda kv: (-kv[1], kv[0]))
        values = tuple(
            FacetValue(
                text=f"round {value}" if key == "round" and value.isdecimal() else value,
                count=count,
                chosen=filters.get(key) == value,
                link=link(**{key: None if filters.get(key) == value else value}),
                share=max(4, round(100 * count / longest)),
            )
            for value, count in rows[:LONGEST_FACET]
        )
        yield Facet(key, heading, values, max(0, len(rows) - LONGEST_FACET))


@page.get("/api/find")
def api_find() -> ResponseReturnValue:
    """`cliplib find --json` over HTTP: q, the filters, order, offset, limit (at most 200)."""
    from cliplib import found_json

    found = library().finding.find(
        request.args.get("q", "")[:500],
        where=where_from(library(), filters_of(request.args)),
        order=request.args.get("order", "fit"),
        offset=max(0, request.args.get("offset", 0, type=int)),
        limit=min(200, max(0, request.args.get("limit", 24, type=int))),
    )
    return jsonify(served_found(found_json(found)))


@page.get("/api/complete")
def api_complete() -> ResponseReturnValue:
    return jsonify(library().finding.complete(request.args.get("q", "")[:200]))
