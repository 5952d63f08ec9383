"""How long tables take over a large archive of our own invention; not a test.

python -m tests.bench.evidence [FIGHTS]
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from time import process_time

from cliplib.core.models import Settings, Step
from cliplib.search.patterns import Columns, Pattern, limits
from cliplib.tally import FightClock, Tries, answers, caught, compare, following, tally, tries_of, watched
from cliplib.vocabulary import load_vocabulary
from tests.search.archive import large_columns

WORDS = load_vocabulary()
PATTERNS = {
    "jab": (Step("jab"),),
    "any punch": (Step("punch"),),
    "counter after a missed jab": (Step("jab", outcome="missed"), Step("punch", by=2, role="counter")),
}


def tries(columns: Columns, steps: tuple[Step, ...]) -> Tries:
    return tries_of(Pattern(steps, columns, WORDS, Settings(), limits((), columns)).match(), WORDS)


def milliseconds(work: Callable[[], object]) -> float:
    times = []
    for _ in range(5):
        begin = process_time()
        work()
        times.append(process_time() - begin)
    return sorted(times)[2] * 1000


def main() -> None:
    fights = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    columns = large_columns(fights)
    clocks = {f.id: FightClock(180_000_000) for f in columns.fights}
    print(
        f"{fights} fights, {columns.actions} actions; medians of 5, search included, in ms of processor time"
    )
    window = Settings().step_window_us
    for name, steps in PATTERNS.items():
        kinds: dict[str, Callable[[], object]] = {
            f"by {by}": lambda steps=steps, by=by: tally(  # type: ignore[misc]
                tries(columns, steps), by.split(" + "), watched(columns, clocks)
            )
            for by in ("round", "fighter", "fighter + round", "technique + outcome", "fight", "stance match")
        }
        kinds["next"] = lambda steps=steps: following(tries(columns, steps))  # type: ignore[misc]
        kinds["answers"] = lambda steps=steps: answers(  # type: ignore[misc]
            tries(columns, steps), window
        )
        kinds["caught"] = lambda steps=steps: caught(  # type: ignore[misc]
            tries(columns, steps), WORDS.is_punch, window
        )
        found = tries(columns, steps)
        one, two = found.only({"round": "1"}), found.only({"round": "2"})
        kinds["compare two rounds"] = lambda one=one, two=two: compare(one, two)  # type: ignore[misc]
        print(f"{name} ({len(found)} tries)")
        for kind, work in kinds.items():
            print(f"  {kind:22} {milliseconds(work):7.1f}")


if __name__ == "__main__":
    main()
