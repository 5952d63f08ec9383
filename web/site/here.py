"""What a view reaches from a request: the library, the running jobs, and what is to be cut."""

from __future__ import annotations

from typing import cast

from flask import current_app, g

from cliplib import Library

from ..logging.cutting import Cuts
from .jobs import Jobs


def library() -> Library:
    """The library; for somebody who may only look, without its private fights."""
    return cast(Library, current_app.extensions["looking" if g.get("looks_only") else "library"])


def jobs() -> Jobs:
    return cast(Jobs, current_app.extensions["jobs"])


def cuts() -> Cuts:
    return cast(Cuts, current_app.extensions["cuts"])
