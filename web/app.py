"""The application factory: settings, guards, pages."""

from __future__ import annotations

import datetime
import secrets
from pathlib import Path

from flask import Flask, Response, render_template, request
from werkzeug.exceptions import HTTPException
from werkzeug.routing import IntegerConverter, Map

from cliplib import ClipLibError, Library, StorageError, __version__, medium

from . import pages
from .logging.cutting import Cuts
from .site import guards, signin, wording
from .site.jobs import Jobs
from .site.ranges import Answer


def create_app(
    folder: Path,
    *,
    hosts: tuple[str, ...] = guards.LOCAL_HOSTS,
    behind_proxy: bool = False,
    share: bool = False,
) -> Flask:
    """Pages over the library in `folder`.

    `hosts`: the Host headers that are answered, without port; any other is refused, so that a page elsewhere
    cannot reach a library through a name of its own (DNS rebinding). `behind_proxy`: send cookies over TLS
    only; what a proxy says of who asks is the server's matter (`site.serve`). `share`: ask for a pass phrase.
    """
    app = Flask(__name__)
    app.url_map.converters["int"] = _Number
    app.config.update(
        SECRET_KEY=_secret(folder),
        SESSION_COOKIE_NAME="cliplib",
        SESSION_COOKIE_HTTPONLY=True,
        # Strict, a link in a message would arrive as from nobody, and ask a whole team to sign in again.
        SESSION_COOKIE_SAMESITE="Lax" if share else "Strict",
        SESSION_COOKIE_SECURE=behind_proxy,
        PERMANENT_SESSION_LIFETIME=datetime.timedelta(days=30),
        MAX_CONTENT_LENGTH=1 << 20,
        MAX_FORM_PARTS=2000,
        TEMPLATES_AUTO_RELOAD=False,
    )
    app.response_class = Answer
    library = Library(folder)
    app.extensions["library"] = library
    if share:
        app.extensions["looking"] = Library(folder, hide_private=True)
    jobs = app.extensions["jobs"] = Jobs()
    app.extensions["cuts"] = Cuts(library, jobs)
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    guards.install(app, hosts, private=share)
    signin.install(app, share=share, only_for_logs=pages.only_for_logs())
    wording.install(app)
    for blueprint in pages.blueprints():
        app.register_blueprint(blueprint)
    pages.check(app)
    parts = {page.endpoint: page.part for page in pages.rows()}
    app.context_processor(
        lambda: {
            "version": __version__,
            "library_name": folder.resolve().name,
            "navigation": pages.NAVIGATION,
            "part": parts.get(request.endpoint or "", ""),
        }
    )
    app.register_error_handler(ClipLibError, _own_error)
    app.register_error_handler(HTTPException, _http_error)
    return app


class _Number(IntegerConverter):
    """A number in an address. Larger ones than SQLite holds name nothing."""

    def __init__(self, url_map: Map) -> None:
        super().__init__(url_map, max=2**53)


def _secret(folder: Path) -> bytes:
    """The key that signs sessions, made once and kept beside the catalogue, readable by its owner only."""
    path = folder / "session.key"
    try:
        key = path.read_bytes()
        if len(key) >= 32:
            return key
    except FileNotFoundError:
        pass
    key = secrets.token_bytes(32)
    try:
        path.touch(mode=0o600, exist_ok=True)
        path.write_bytes(key)
    except OSError as problem:
        if medium.is_read_only(folder):
            return key  # for as long as this server runs
        raise StorageError(f"{path}: cannot keep the session key here ({problem.strerror})") from problem
    return key


def _wants_json() -> bool:
    best = request.accept_mimetypes.best_match(["text/html", "application/json"])
    return request.path.startswith("/api/") or best == "application/json"


def _answer(status: int, title: str, message: str) -> tuple[Response | str, int]:
    if _wants_json():
        from flask import jsonify

        return jsonify({"error": title, "message": message}), status
    return render_template("error.html", title=title, message=message), status


def _own_error(problem: Exception) -> tuple[Response | str, int]:
    assert isinstance(problem, ClipLibError)
    title = {400: "That cannot be read", 404: "Not found", 409: "Busy", 507: "No room"}
    return _answer(problem.http_status, title.get(problem.http_status, "Something failed"), str(problem))


def _http_error(problem: Exception) -> tuple[Response | str, int]:
    assert isinstance(problem, HTTPException)
    if problem.response is not None and problem.code is None:  # a redirect dressed as an error
        return problem.get_response(), 302  # type: ignore[return-value]
    return _answer(problem.code or 500, problem.name, problem.description or "")
