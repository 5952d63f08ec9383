"""What every request and answer passes: Host check, cross-site check, security headers."""

from __future__ import annotations

import hmac
import ipaddress
import secrets

from flask import Flask, Response, abort, request, session

LOCAL_HOSTS = ("127.0.0.1", "localhost", "[::1]")

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; "
    "connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


def install(app: Flask, hosts: tuple[str, ...], *, private: bool = False) -> None:
    """`hosts`: names that are answered. `private`: and any literal address of a private network. No name
    stands behind such an address that somebody else could point here (DNS rebinding)."""
    allowed = frozenset(host.lower() for host in hosts)

    @app.before_request
    def check_host() -> None:
        host = host_name(request.host)
        if host not in allowed and not (private and is_private(host)):
            abort(400, "This library answers only under its own address.")

    @app.before_request
    def check_origin() -> None:
        if request.method in ("GET", "HEAD", "OPTIONS"):
            return
        sent = request.headers.get("X-Form-Key") or request.form.get("form_key", "")
        kept = session.get("form_key", "")
        if not kept or not hmac.compare_digest(sent.encode("utf-8", "replace"), kept.encode()):
            abort(403, "This form is out of date or came from another site. Reload the page and try again.")

    @app.after_request
    def headers(answer: Response) -> Response:
        answer.headers.setdefault("Content-Security-Policy", POLICY)
        answer.headers["X-Content-Type-Options"] = "nosniff"
        answer.headers["Referrer-Policy"] = "same-origin"
        answer.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        answer.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        answer.headers.setdefault("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
        if request.endpoint != "static":  # what a library holds is kept by nobody on the way
            kept = answer.cache_control
            if not answer.headers.get("Cache-Control"):
                kept.no_store = True
            elif not kept.no_store:
                kept.private = True
        return answer

    app.context_processor(lambda: {"form_key": form_key})


def host_name(host: str) -> str:
    """The Host header without its port, lower case."""
    host = host.lower()
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0]


def is_private(host: str) -> bool:
    """Whether a host is the literal address of a private network (RFC 1918, RFC 4193, and link-local)."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_private
    except ValueError:
        return False


def form_key() -> str:
    """The secret that a form of this session carries back (cross-site request forgery)."""
    if "form_key" not in session:
        session["form_key"] = secrets.token_urlsafe(24)
    return str(session["form_key"])
