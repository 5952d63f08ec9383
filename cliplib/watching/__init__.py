"""Rounds, shots, replays and action found on a film by machine, for a person to confirm.

    hear    rounds by the bell alone: the sound first
    watch   rounds by bell and clock, shots, and replays with what they show again
    action  where exchanges are likely, learnt from what was logged of this film

Nothing of it enters a log by itself. It was measured on drawn film only: see `tests/bench/watching.py`.

    seen.py     one pass over a film, kept         bells.py, clock.py, clockplace.py, reading.py   witnesses
    shots.py    cuts, wipes, dissolves             rounds.py   both witnesses held against each other
    replays.py  with matching, wipes, graphic      bursts.py   signals and the fit
    finding.py  all of it over a film              proposals.py  what is proposed
"""

from cliplib.watching.bursts import Action
from cliplib.watching.finding import Watched, action, hear, watch
from cliplib.watching.proposals import VERSION, Moment, Proposal

__all__ = ["VERSION", "Action", "Moment", "Proposal", "Watched", "action", "hear", "watch"]
