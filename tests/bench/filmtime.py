"""How long a logger has to watch a film: rests and replays passed over, quiet stretches at double speed.

    python -m tests.bench.filmtime                   a drawn telecast with rounds three times as long as rests
    python -m tests.bench.filmtime "twelve minutes"  of a fight's length: half an hour to draw

Arithmetic, not a person: who watches is taken to confirm what is found at the two higher words, to watch all
else of the rounds once, to pass over rests and confirmed replays, and to have logged the first half of the
rounds before the quiet stretches of the others are known. Nothing inside a round is skipped. Stopping to type,
stepping back and looking twice come on top. Drawn film: exchanges lie as the drawing has them.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from cliplib.media.probe import probe
from cliplib.watching import Watched, action, watch
from fixtures import telecast
from tests.bench.watching import FOLDER, HIGHER

Span = tuple[float, float]


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.filmtime", description=__doc__.split("\n")[0]
    )
    parser.add_argument("names", nargs="*", default=["a fight's shape"])
    parser.add_argument("--folder", type=Path, default=FOLDER)
    wishes = parser.parse_args(argv)
    for name in wishes.names:
        began = time.monotonic()
        path, truth = telecast.film(name, wishes.folder)
        drawn = time.monotonic() - began
        began = time.process_time()
        watched = watch(probe(path), wishes.folder / "watched", truth["round_s"], truth["rest_s"])
        spent = time.process_time() - began
        print(f"{name}: {truth['length']:.0f} s of film, drawn in {drawn:.0f} s, looked at in {spent:.0f} s")
        report(watched, truth)
    return 0


def report(watched: Watched, truth: dict[str, Any]) -> None:
    length = float(truth["length"])
    rounds = [(r.start, r.end) for r in watched.rounds]
    replays = [
        (p.from_us / 1e6, p.until_us / 1e6)
        for p in watched.proposals
        if p.kind == "replay" and p.sureness in HIGHER
    ]
    half = len(rounds) // 2 or 1
    logged = [e for e in truth["exchanges"] if any(a <= e[0] < b for a, b in rounds[:half])]
    learnt, _ = action(watched, logged, rounds[:half])
    live = sum(b - a for a, b in rounds)
    shown = live - sum(shared(r, p) for r in rounds for p in replays)
    fast = 0.0
    if learnt.useful:
        later = sum(b - a for a, b in rounds[half:])
        hidden = sum(shared(r, p) for r in rounds[half:] for p in replays)
        lively = sum(shared(r, s) for r in rounds[half:] for s in learnt.spans)
        fast = max(0.0, later - hidden - lively)
    played = shown - fast / 2
    print(f"  rounds {live / length:.2f} of the film; without replays {shown / length:.2f}")
    print(
        f"  action {'useful' if learnt.useful else 'useless'} (AUC {learnt.auc:.2f}), from {len(logged)} exchanges"
    )
    print(f"  film time {played / length:.3f} of the film, with nothing inside a round skipped (goal 0.62)")
    print(f"  counted when rounds and replays alone are confirmed: {shown / length:.2f}")


def shared(a: Span, b: Span) -> float:
    return max(0.0, min(a[1], b[1]) - max(a[0], b[0]))


if __name__ == "__main__":
    raise SystemExit(main())
