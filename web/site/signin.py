"""Signing in, when a library is served to others: two roles, a name for the log, few guesses."""

from __future__ import annotations

import contextlib
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable
from typing import cast
from urllib.parse import urlsplit

from flask import (
    Blueprint,
    Flask,
    abort,
    current_app,
    g,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from flask.typing import ResponseReturnValue

from cliplib import InputError, Session

from .here import library

page = Blueprint("signin", __name__)

SAFE = ("GET", "HEAD", "OPTIONS")
OPEN = frozenset(("signin.show", "signin.enter", "static"))
"""What is answered to anybody: the way in, and how it looks."""


TRIES, WINDOW_S = 6, 600.0
EVERYBODY = 60
"""Wrong pass phrases in ten minutes: from one address, and from all of them together."""


def install(app: Flask, *, share: bool, only_for_logs: frozenset[str]) -> None:
    """`only_for_logs`: views that need the role for logging though they change nothing."""
    app.config["SHARE"] = share
    app.config["ONLY_FOR_LOGS"] = only_for_logs
    app.extensions["tries"] = Tries()
    app.register_blueprint(page)
    app.context_processor(lambda: {"role": role(), "shared": share, "may_log": may_log(), "who": by()})
    if share:
        app.before_request(_check_role)


def role() -> str:
    """What this request may do: look or log; empty for somebody who has not signed in."""
    if not current_app.config["SHARE"]:
        return "log"
    known = signed_in()
    return known.role if known else ""


def may_log() -> bool:
    """Whether this request may change anything: make, log, correct, draw, throw away."""
    return role() == "log"


def signed_in() -> Session | None:
    """Who asks, as the server's own table has it; None for nobody, and where nobody needs to sign in."""
    if "signed_in" not in g:
        key = session.get("key", "") if current_app.config["SHARE"] else ""
        g.signed_in = library().care.signed_in.of(str(key)) if key else None
    return cast("Session | None", g.signed_in)


def by() -> str:
    """The name that is logged under: of whoever signed in, else as said before in this session; or empty."""
    known = signed_in()
    return known.by if known else str(session.get("by", ""))


def needed(endpoint: str | None, method: str) -> str:
    """The role that a request needs: "", "look" or "log"."""
    if endpoint in OPEN:
        return ""
    if method not in SAFE and endpoint != "signin.leave":
        return "log"
    return "log" if endpoint in current_app.config["ONLY_FOR_LOGS"] else "look"


def who(given: str = "") -> str:
    """In whose name is logged: of whoever signed in, else as given, else as said before in this session.

    InputError if nobody said it, or if a name is given that is not one's own.
    """
    if current_app.config["SHARE"]:
        own = by()
        if given and library().logging.live.logger_name(given) != own:
            raise InputError(f"you are signed in as “{own}”; sign in anew to log under another name")
        return library().logging.live.logger_name(own)
    return library().logging.live.logger_name(given or by())


def _check_role() -> ResponseReturnValue | None:
    wanted = needed(request.endpoint, request.method)
    has = role()
    g.looks_only = has == "look"
    if not wanted or has == "log" or has == wanted:
        return None
    if has:
        abort(403, "Your pass phrase is for finding and watching; this needs the one for logging.")
    if request.path.startswith("/api/") or request.method not in SAFE:
        abort(401, "Sign in first.")
    return redirect(url_for("signin.show", next=request.full_path.rstrip("?")))


@page.get("/signin")
def show() -> ResponseReturnValue:
    if role():
        return redirect(local(request.args.get("next", "")))
    return render_template("signin.html", next=local(request.args.get("next", "")), problem="")


@page.post("/signin")
def enter() -> ResponseReturnValue:
    if not current_app.config["SHARE"]:
        abort(404)
    target = local(request.form.get("next", ""))
    tries = cast(Tries, current_app.extensions["tries"])
    address = request.remote_addr or ""

    def refuse(problem: str, status: int) -> ResponseReturnValue:
        return render_template("signin.html", next=target, problem=problem), status

    try:
        name = library().logging.live.logger_name(request.form.get("by", ""))
    except InputError as problem:
        return refuse(str(problem), 400)
    wait = tries.begin(address)
    if wait:
        why = f"Too many wrong pass phrases. Try again in {-(-wait // 60)} minutes."
        page = render_template("signin.html", next=target, problem=why)
        return page, 429, {"Retry-After": str(wait)}
    opened = library().care.passphrases.check(request.form.get("phrase", ""))
    if opened is None:
        return refuse("That is not a pass phrase of this library.", 403)
    # Who may only look could guess the other phrase without end, signing in between: no guess but this one is
    # taken back.
    tries.right(address, all_own=opened.role == "log")
    _end()  # a session that somebody else may know (fixation) ends here
    session["key"] = library().care.signed_in.begin(opened.role, opened.seal, name)
    session.permanent = True
    return redirect(target, 303)


@page.post("/signout")
def leave() -> ResponseReturnValue:
    _end()
    return redirect(url_for("signin.show") if current_app.config["SHARE"] else "/", 303)


def _end() -> None:
    if current_app.config["SHARE"] and session.get("key"):
        library().care.signed_in.end(str(session["key"]))
    session.clear()


def local(target: str) -> str:
    """A place on this site to go on to; the first page for anything else (an open redirect helps phishers).

    Browsers read a backslash as a slash and drop control characters, so that neither may occur.
    """
    parts = urlsplit(target) if target.isprintable() and "\\" not in target else None
    if parts is None or parts.scheme or parts.netloc or not target.startswith("/") or target.startswith("//"):
        return url_for("find.find")
    if parts.path in (url_for("signin.show"), "/signout"):
        return url_for("find.find")
    return target


class Tries:
    """Wrong guesses by address, for a while. In memory: guessing is slow anyhow, a phrase costs 60 ms."""

    def __init__(self, clock: Callable[[], float] = time.monotonic):
        self._clock = clock
        self._lock = threading.Lock()
        self._by: OrderedDict[str, deque[float]] = OrderedDict()
        self._all: deque[float] = deque(maxlen=EVERYBODY)

    def begin(self, address: str) -> int:
        """Count a guess before it is tried, so that many at once are no more than one after the other; whole
        seconds until this address may guess if it may not now, and then nothing is counted."""
        with self._lock:
            now = self._clock()
            own = self._by.setdefault(address, deque(maxlen=TRIES))
            self._by.move_to_end(address)
            while len(self._by) > 4096:
                self._by.popitem(last=False)
            free = [now]
            if len(own) >= TRIES:
                free.append(own[0] + WINDOW_S)
            if len(self._all) >= EVERYBODY:
                free.append(self._all[0] + WINDOW_S)
            wait = int(-(-(max(free) - now) // 1))
            if not wait:
                own.append(now)
                self._all.append(now)
            return wait

    def right(self, address: str, *, all_own: bool) -> None:
        """The last guess of an address was right: it counts no more. `all_own`: nor do those before it."""
        with self._lock:
            own = self._by.get(address)
            if own:
                with contextlib.suppress(ValueError):
                    self._all.remove(own.pop())
                if all_own:
                    own.clear()
