"""Fuzzing: `python -m tests.trust.fuzz --executions 200000 --seconds 600 [--target csv]`.

Seeds (tests/fuzz_seeds, one folder a target; inputs that once failed are kept there) are mutated: bytes, runs,
numbers, words that the reader knows, two seeds joined. Numbered executions are repeatable: `--start N` begins
with the N-th. With the library atheris installed (`pip install atheris`), `--guided` lets it choose mutations
by the code that they reach.

A finding is any exception but an answer (see fuzz_targets), over one second of processor time, or over 200 MB
of memory more than the readers need at rest. It is written to `--keep` with its traceback.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import random
import resource
import signal
import sys
import time
import traceback
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import NoReturn

from tests.trust.fuzz_targets import ANSWERS, TARGETS, Target

LONGEST_S = 1.0
MOST_BYTES = 200 << 20


class HangError(Exception):
    """More than LONGEST_S of processor time for one input."""


@dataclass
class Outcome:
    """`findings`: (input, what happened). `slowest`: seconds of processor time."""

    executions: int = 0
    answers: int = 0
    slowest: float = 0.0
    findings: list[tuple[bytes, str]] = field(default_factory=list)


def mutate(rng: random.Random, seeds: list[bytes], target: Target) -> bytes:
    """Another input made from the seeds."""
    if target.mutate is not None:
        return target.mutate(rng, rng.choice(seeds))[: target.longest]
    data = bytearray(rng.choice(seeds))
    for _ in range(rng.choice((1, 1, 2, 3, 5, 8))):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(10):
            case 0 if data:
                data[min(at, len(data) - 1)] ^= 1 << rng.randrange(8)
            case 1 if data:
                data[min(at, len(data) - 1)] = rng.choice(
                    (0, 1, 0x7F, 0x80, 0xFF, 10, 34, 44, rng.randrange(256))
                )
            case 2:
                del data[at : at + rng.choice((1, 2, 4, 16, 200))]
            case 3:
                data[at:at] = data[at : at + rng.choice((1, 4, 16, 64))]
            case 4:
                width = rng.choice((1, 2, 4, 8))
                number = rng.choice((0, 1, -1, 1 << (8 * width - 1), rng.getrandbits(8 * width)))
                data[at : at + width] = (number % (1 << 8 * width)).to_bytes(width, "big")
            case 5:
                other = rng.choice(seeds)
                cut = rng.randrange(len(other) + 1)
                data[at:] = other[cut:]
            case 6:
                piece = rng.choice(target.dictionary or (b"0",))
                data[at:at] = piece * rng.choice((1, 1, 1, 2, 50))
            case 7:
                del data[at:]
            case _:
                data[at:at] = rng.choice(target.dictionary or (b"0",))
    return bytes(data[: target.longest])


def _too_long(_: int, __: FrameType | None) -> NoReturn:
    raise HangError(f"more than {LONGEST_S:g} s of processor time")


@contextlib.contextmanager
def guarded() -> Iterator[None]:
    """Memory and time of the block are limited."""
    before = resource.getrlimit(resource.RLIMIT_AS)
    with open("/proc/self/statm", encoding="ascii") as file:
        at_rest = int(file.read().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (at_rest + MOST_BYTES, before[1]))
    old = signal.signal(signal.SIGVTALRM, _too_long)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, old)
        resource.setrlimit(resource.RLIMIT_AS, before)


def once(target: Target, data: bytes, outcome: Outcome) -> None:
    """One execution."""
    outcome.executions += 1
    began = time.process_time()
    try:
        signal.setitimer(signal.ITIMER_VIRTUAL, LONGEST_S)
        target.run(data)
    except ANSWERS:
        outcome.answers += 1
    except Exception:
        outcome.findings.append((data, traceback.format_exc(limit=-6)))
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
    outcome.slowest = max(outcome.slowest, time.process_time() - began)


def fuzz(name: str, executions: int, *, seconds: float = 1e9, start: int = 0, most: int = 5) -> Outcome:
    """Run the seeds as they are and then `executions` mutations of them, for `seconds` at most."""
    target, outcome = TARGETS[name], Outcome()
    seeds = target.seeds(name)
    with contextlib.suppress(*ANSWERS):
        target.run(seeds[0])  # whatever is read once and kept is not the input's memory
    deadline = time.monotonic() + seconds
    with guarded():
        for data in seeds:
            once(target, data, outcome)
        for number in range(start, start + executions):
            once(target, mutate(random.Random(f"{name} {number}"), seeds, target), outcome)
            if len(outcome.findings) >= most or time.monotonic() > deadline:
                break
    return outcome


def guide(name: str, executions: int, seconds: float) -> NoReturn:
    """The same with atheris, which ends the process: findings are its crash files."""
    import atheris  # type: ignore[import-not-found]

    target = TARGETS[name]
    atheris.instrument_all()

    def run(data: bytes) -> None:
        with contextlib.suppress(*ANSWERS):
            target.run(data[: target.longest])

    limits = [f"-runs={executions}", f"-max_total_time={int(seconds)}", "-timeout=2", "-rss_limit_mb=600"]
    atheris.Setup([sys.argv[0], *limits, f"-max_len={target.longest}", str(_corpus(name))], run)
    atheris.Fuzz()
    raise SystemExit(0)


def _corpus(name: str) -> Path:
    """A copy of the seeds that may grow."""
    import tempfile

    folder = Path(tempfile.mkdtemp(prefix=f"fuzz-{name}-"))
    for number, seed in enumerate(TARGETS[name].seeds(name)):
        (folder / f"seed{number}").write_bytes(seed)
    return folder


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--executions", type=int, default=10_000, help="for each target")
    parser.add_argument("--seconds", type=float, default=60, help="for all targets together")
    parser.add_argument("--target", choices=sorted(TARGETS), action="append")
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--keep", type=Path, default=Path("fuzz-findings"))
    parser.add_argument("--guided", action="store_true", help="with atheris; one target")
    given = parser.parse_args()
    names = given.target or list(TARGETS)
    if given.guided:
        guide(names[0], given.executions, given.seconds)
    found = total = 0
    for name in names:
        began = time.monotonic()
        outcome = fuzz(name, given.executions, seconds=given.seconds / len(names), start=given.start)
        total += outcome.executions
        found += len(outcome.findings)
        print(
            f"{name:11} {outcome.executions:>9,} executions in {time.monotonic() - began:6.0f} s, "
            f"{outcome.answers:>9,} refused, slowest {outcome.slowest * 1000:5.0f} ms, "
            f"{len(outcome.findings)} findings",
            flush=True,
        )
        for data, what in outcome.findings:
            given.keep.mkdir(parents=True, exist_ok=True)
            path = given.keep / f"{name}-{hashlib.sha256(data).hexdigest()[:12]}"
            path.write_bytes(data)
            path.with_suffix(".txt").write_text(what, encoding="utf-8", errors="backslashreplace")
            print(f"  {path}: {what.strip().splitlines()[-1][:160]}")
    print(f"{total:,} executions, {found} findings")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
