"""Back to what the logger said: an exchange without what was derived from its actions."""

from __future__ import annotations

from dataclasses import replace

from cliplib.core.models import Action, Exchange


def as_said(exchange: Exchange) -> Exchange:
    """The exchange as a log reader gives it: said roles only, no answers, no inferred outcome."""
    return replace(exchange, actions=tuple(_as_said(action) for action in exchange.actions))


def _as_said(action: Action) -> Action:
    derived = "outcome" in action.inferred
    return replace(
        action,
        roles=action.said_roles,
        answers=None,
        outcome=None if derived else action.outcome,
        inferred=tuple(name for name in action.inferred if name != "outcome"),
    )
