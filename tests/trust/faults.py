"""Faults at random moments: `python -m tests.trust.faults --moments 500 --results faults.jsonl`.

At a random step (see fault_shim) of the work in fault_work (an ingest, an ingest after a change, a reel,
reindexing, an upgrade, logging and correcting, a backup, a restore, forgetting), the process is killed, the
power goes, or the disk refuses. Then:

    at once        every clip and listed reel that is there is whole, and so is what was acknowledged
    run again      gives what an undisturbed run gives, and `check --deep` finds nothing

Moments are numbered and repeatable; with `--results` they are noted as they are done, and a run that was
stopped goes on behind the last one noted. `--every` goes through every kind at every step instead. Nothing
depends on how long anything takes: a moment is a step or a share of the processor time.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import importlib
import json
import os
import random
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from cliplib.core.errors import ClipLibError
from cliplib.ingest import cut as ingest_cut
from cliplib.media import files
from cliplib.media.apart import asking, jobs
from tests.trust.fault_shim import KINDS, STEPS, Shim
from tests.trust.fault_work import SCENARIOS, Bench, bench_in_memory, outcome, resume, whole

LEAST_ROOM, MOST_ROOM = 9, 20
"""Powers of two: the longest file there is room for, from less than a page to more than any that is made."""


@dataclass(frozen=True)
class Undisturbed:
    """What a scenario takes when it is left in peace, and what it comes to."""

    steps: int
    reads: int
    microseconds: int  # of processor time
    wanted: dict[str, str]  # by kind of fault


@dataclass(frozen=True)
class Moment:
    number: int
    scenario: str
    kind: str
    at: int

    def __str__(self) -> str:
        of = {"room": "bytes in", "moment": "microseconds of", "unreadable": "reads of"}.get(
            self.kind, "step of"
        )
        return f"moment {self.number}: {self.kind} at {self.at} {of} {self.scenario}"


def moment(number: int, seed: int, known: dict[str, Undisturbed]) -> Moment:
    """The `number`-th random moment: scenarios and kinds in turn, so that each meets each."""
    rng = random.Random(f"{seed} {number}")
    names = list(known)
    scenario = names[number % len(names)]
    kind = KINDS[(number + number // len(names)) % len(KINDS)]
    undisturbed = known[scenario]
    if kind == "room":
        return Moment(number, scenario, kind, int(2 ** rng.uniform(LEAST_ROOM, MOST_ROOM)))
    if kind == "moment":
        return Moment(number, scenario, kind, rng.randint(1000, undisturbed.microseconds))
    if kind == "unreadable":
        return Moment(number, scenario, kind, rng.randint(1, max(1, undisturbed.reads)))
    late = undisturbed.steps // 5 + 1 if kind == "power" else 0  # power also goes when all is done
    return Moment(number, scenario, kind, rng.randint(1, undisturbed.steps + late))


def every(known: dict[str, Undisturbed]) -> Iterator[Moment]:
    """Every kind of fault at every step."""
    number = 0
    for scenario, undisturbed in known.items():
        for kind in (*STEPS, "unreadable"):
            last = undisturbed.reads if kind == "unreadable" else undisturbed.steps + (kind == "power")
            for at in range(1, last + 1):
                yield Moment(number, scenario, kind, at)
                number += 1


def _child(work: Callable[[], None]) -> tuple[int, str]:
    """Do it in a child: (0 or the signal or 1, what went wrong)."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        said = ""
        try:
            work()
        except BaseException:
            said = traceback.format_exc(limit=-5)[-1500:]
        with contextlib.suppress(OSError):
            os.write(write, said.encode("utf-8", "replace"))
        os._exit(1 if said else 0)
    os.close(write)
    with os.fdopen(read, "rb") as pipe:
        text = pipe.read().decode("utf-8", "replace")
    _, status = os.waitpid(child, 0)
    return (-os.WTERMSIG(status) if os.WIFSIGNALED(status) else os.WEXITSTATUS(status)), text


def undisturbed(bench: Bench, scenario: str) -> Undisturbed:
    """Do a scenario once in peace."""
    bench.fresh(scenario)
    note = bench.folder / "note"

    def work() -> None:
        shim = Shim(bench.root, "count")
        shim.install()
        began = time.process_time()
        SCENARIOS[scenario](bench)
        took = int((time.process_time() - began) * 1e6)
        steps, reads = shim.steps, shim.reads
        whole(bench, scenario)
        resume(bench, scenario)
        wanted = {kind: outcome(bench, scenario, kind) for kind in KINDS}
        note.write_text(json.dumps([steps, reads, took, wanted]))

    code, said = _child(work)
    assert code == 0, f"{scenario} undisturbed: {said}"
    return Undisturbed(*json.loads(note.read_text()))


def disturb(bench: Bench, one: Moment, wanted: str, seed: int, *, unsynced: bool = False) -> list[str]:
    """Go through one moment; what was wrong."""
    bench.fresh(one.scenario)

    def disturbed() -> None:
        shim = Shim(bench.root, one.kind, one.at, seed * 100_000 + one.number)
        shim.install()
        if unsynced:
            shim.log_now = lambda: (0, b"")  # type: ignore[method-assign] # rows stay, files do not
            ingest_cut.settle = lambda paths: None
            files.os.fsync = lambda fd: None  # type: ignore[attr-defined]
        with contextlib.suppress(ClipLibError, OSError):  # said by the command line as they are
            SCENARIOS[one.scenario](bench)
        shim.uninstall()
        if one.kind == "power":  # after it was acknowledged
            shim.cut()

    def after() -> None:
        whole(bench, one.scenario)
        resume(bench, one.scenario)
        assert outcome(bench, one.scenario, one.kind) == wanted, "resumed, it is not the same"

    code, said = _child(disturbed)
    problems = [said] if code == 1 else []
    code, said = _child(after)
    return problems + ([said or f"ended with {code}"] if code else [])


def run(
    moments: int | None,
    seed: int,
    say: Callable[[str], None] = print,
    *,
    results: Path | None = None,
    unsynced: bool = False,
) -> int:
    """Disturb `moments` times (None: every kind at every step); the number of moments at which something went
    wrong. `results`: where each is noted, and how far an earlier run came. `unsynced`: power cuts at the end
    of ingests that do not sync their clips, to see the harness notice."""
    done = _noted(results, seed, moments is None)
    # Every trial is a process; others for each, to look into footage, would double the time.
    asking.IN_PROCESS = True
    for name in jobs.COMMON:
        importlib.import_module(name)
    with bench_in_memory() as place:
        bench = Bench(place)
        assert _child(bench.prepare) == (0, "")
        known = {name: undisturbed(bench, name) for name in (["ingest"] if unsynced else SCENARIOS)}
        say("steps: " + ", ".join(f"{name} {found.steps}" for name, found in known.items()))
        planned = every(known) if moments is None else (moment(n, seed, known) for n in range(moments))
        for one in planned:
            if one.number in done:
                continue
            if unsynced:
                at = known["ingest"].steps * (68 + 3 * one.number) // 100
                one = Moment(one.number, "ingest", "power", at)
            wrong = disturb(bench, one, known[one.scenario].wanted[one.kind], seed, unsynced=unsynced)
            for problem in wrong:
                say(f"{one}:\n{problem}")
            done[one.number] = one.scenario, one.kind, bool(wrong)
            if results is not None:
                with results.open("a", encoding="utf-8") as file:
                    entry = {"seed": seed, "every": moments is None, "number": one.number, "at": one.at}
                    entry |= {"scenario": one.scenario, "kind": one.kind, "wrong": wrong}
                    file.write(json.dumps(entry) + "\n")
    for place_in, what in ((0, "work"), (1, "kind")):
        counted = collections.Counter(str(entry[place_in]) for entry in done.values())
        say(f"by {what}: " + ", ".join(f"{name} {count}" for name, count in counted.items()))
    found = sum(entry[2] for entry in done.values())
    say(f"{len(done)} moments: {found} wrong")
    return found


def _noted(results: Path | None, seed: int, all_of_them: bool) -> dict[int, tuple[str, str, bool]]:
    if results is None or not results.exists():
        return {}
    entries = [json.loads(line) for line in results.read_text(encoding="utf-8").splitlines()]
    return {
        entry["number"]: (entry["scenario"], entry["kind"], bool(entry["wrong"]))
        for entry in entries
        if (entry["seed"], entry["every"]) == (seed, all_of_them)
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--moments", type=int, default=50)
    parser.add_argument("--every", action="store_true", help="every kind of fault at every step")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--results", type=Path, help="note each moment here, and go on from here")
    parser.add_argument("--break-sync", action="store_true", help="see it notice what is not synced")
    given = parser.parse_args()
    began, processor = time.monotonic(), os.times()
    wrong = run(
        None if given.every else given.moments,
        given.seed,
        lambda text: print(text, flush=True),
        results=given.results,
        unsynced=given.break_sync,
    )
    now = os.times()
    used = sum(now[:4]) - sum(processor[:4])
    print(f"{time.monotonic() - began:.0f} s, {used:.0f} s of processor time")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
