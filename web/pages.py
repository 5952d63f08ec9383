"""Every page that people open: one table, and the only place that says where it stands.

A page is a view in a module with a blueprint called `page`, and one row here. From the rows come the
navigation, who may open a page, the list that accessibility and sizes are tested by, and which command does
the same without a browser. A page without a row is refused when the application starts.
"""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, Flask

from cliplib import evidence_tables

from .api import breakdowns as api_breakdowns
from .api import evidence as api_evidence
from .api import logging as api_logging
from .api import routes as api
from .api import talk as api_talk
from .api import watching as api_watching
from .care import forget
from .evidence import agreement, tables
from .finding import beside, clip, fight, find, show
from .logging import log, newfight, stretches
from .making import breakdowns, draw, handover, reels, talk, themes
from .site import media, work


@dataclass(frozen=True, slots=True)
class Page:
    """`endpoint`: its view. `part`: the entry of the navigation that is marked while it is open. `command`:
    what does the same on the command line. `samples`: addresses that tests open, in a library whose clips 1
    and 2, fight 1 and reel `made` are there. `logs`: only for those who may log."""

    endpoint: str
    part: str
    command: str
    samples: tuple[str, ...]
    logs: bool = False


NAVIGATION = {
    "Find": "find.find",
    "Fights": "fight.index",
    "Counts": "evidence.tally",
    "Reels": "reels.index",
    "Themes": "themes.index",
    "Breakdowns": "breakdowns.index",
}
"""What stands at the top of every page, and the view that it leads to."""


def _of_tables() -> tuple[Page, ...]:
    """A page for each evidence table that there is now."""
    return tuple(
        Page(f"evidence.{table.name}", "Counts", table.command or table.name, (tables.sample(table),))
        for table in evidence_tables.TABLES
    )


PAGES = (
    Page(
        "find.find",
        "Find",
        "find",
        (
            "/",
            "/?q=counter+to+the+body+after+a+missed+jab",
            "/?q=right+hand+zzgloves&outcome=landed",
            "/?q=jabb",
        ),
    ),
    Page("clip.show", "Find", "clip", ("/clip/1?q=missed+jab",)),
    Page("clip.portable", "Find", "export", ("/clip/1/portable",)),
    Page("draw.show", "Find", "draw add", ("/clip/1/draw",), logs=True),
    Page("show.show", "Find", "find", ("/show/?q=missed+jab", "/show/?of=2,1&at=1")),
    Page("beside.show", "Find", "beside", ("/beside/?of=1,2", "/beside/")),
    Page("fight.index", "Fights", "fights", ("/fights/",)),
    Page("fight.show", "Fights", "fight", ("/fights/1",)),
    Page("new.show", "Fights", "ingest", ("/fights/new",), logs=True),
    Page("log.show", "Fights", "log-import", ("/fights/1/log",), logs=True),
    Page("stretches.show", "Fights", "fight", ("/fights/1/stretches",), logs=True),
    Page("forget.show", "Fights", "forget", ("/fights/1/forget",), logs=True),
    Page("forget.told", "Fights", "forget", (), logs=True),
    *_of_tables(),
    Page("evidence.clips", "Counts", "tally", ("/counts/clips?q=jab&key=total/tried",)),
    Page("agreement.show", "Counts", "agree", ()),
    Page("agreement.clips", "Counts", "agree", ()),
    Page("reels.index", "Reels", "reels", ("/reels/",)),
    Page("reels.show", "Reels", "reels", ("/reels/made/",)),
    Page("reels.arrange", "Reels", "reel", ("/reels/arrange?clips=1,2",), logs=True),
    Page("reels.rearrange", "Reels", "reel", ("/reels/made/arrange",), logs=True),
    Page("handover.show", "Reels", "handover", ("/handover/reel/made/",), logs=True),
    Page(
        "talk.show", "Breakdowns", "breakdown takes", ("/breakdowns/made/points/the-pattern/talk",), logs=True
    ),
    Page("themes.index", "Themes", "themes list", ("/themes/",)),
    Page("themes.new", "Themes", "themes put", ("/themes/new",), logs=True),
    Page("themes.show", "Themes", "themes show", ()),
    Page("breakdowns.index", "Breakdowns", "breakdown list", ("/breakdowns/",)),
    Page("breakdowns.show", "Breakdowns", "breakdown check", ("/breakdowns/made/",)),
    Page("breakdowns.edit", "Breakdowns", "breakdown put", ("/breakdowns/made/edit",), logs=True),
    Page("breakdowns.into", "Breakdowns", "breakdown put", ("/breakdowns/into?q=jab",), logs=True),
    Page(
        "breakdowns.elsewhere",
        "Breakdowns",
        "answers",
        ("/breakdowns/made/points/the-pattern/elsewhere?q=Adeyemi+jab",),
        logs=True,
    ),
    Page("work.watch", "Reels", "reel", ()),
    Page("signin.show", "", "serve", ()),
)

NO_PAGES = frozenset(("breakdowns.download", "fight.did", "handover.download", "work.events"))
"""Views that lead on, send a file or send events, though their address has no ending that says so."""

BLUEPRINTS: tuple[Blueprint, ...] = tuple(
    module.page
    for module in (
        *(find, clip, show, beside, draw, agreement, fight, media, reels, themes, handover, breakdowns),
        *(talk, log, newfight, stretches, forget, work, api, api_logging),
        *(api_breakdowns, api_talk, api_watching),
    )
)


def blueprints() -> tuple[Blueprint, ...]:
    """Everything that is served, with a view for each evidence table that there is now."""
    return (*BLUEPRINTS, tables.pages(), api_evidence.pages())


def rows() -> tuple[Page, ...]:
    """The table, with the pages of evidence tables that came after it was made."""
    listed = {page.endpoint for page in PAGES}
    return (*PAGES, *(page for page in _of_tables() if page.endpoint not in listed))


def only_for_logs() -> frozenset[str]:
    """The views that need the role for logging, though they change nothing."""
    return api_talk.ONLY_FOR_LOGS.union(page.endpoint for page in rows() if page.logs)


def check(app: Flask) -> None:
    """Refuse an application with a page that has no row here, or with a row that has no page."""
    listed = {page.endpoint for page in rows()}
    served = {
        rule.endpoint
        for rule in app.url_map.iter_rules()
        if rule.methods and "GET" in rule.methods and _is_page(rule.rule) and rule.endpoint not in NO_PAGES
    }
    if forgotten := served - listed:
        raise RuntimeError(f"these pages have no row in web/pages.py: {', '.join(sorted(forgotten))}")
    if gone := listed - served:
        raise RuntimeError(f"these rows of web/pages.py have no view: {', '.join(sorted(gone))}")
    if astray := {page.part for page in PAGES} - {*NAVIGATION, ""}:
        raise RuntimeError(f"no entry of the navigation is called {', '.join(sorted(astray))}")


def _is_page(address: str) -> bool:
    """Whether an address is for people: nothing under /api, and no file."""
    return not address.startswith(("/api/", "/static/")) and "." not in address.rpartition("/")[2]
