"""What a view reaches from a request: the library and the running jobs."""

from __future__ import annotations

from typing import cast

from flask import current_app

from cliplib.library import Library

from .jobs import Jobs


def library() -> Library:
    return cast(Library, current_app.extensions["library"])


def jobs() -> Jobs:
    return cast(Jobs, current_app.extensions["jobs"])
