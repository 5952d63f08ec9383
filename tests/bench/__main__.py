"""`make bench`: every benchmark in turn; each is one interleaved run against what people would do otherwise,
and prints ratios. Takes minutes and wants a quiet machine.

    python -m tests.bench              all
    python -m tests.bench cut reel     some
"""

from __future__ import annotations

import subprocess
import sys

ALL = (
    "cut",
    "ingest",
    "search",
    "logging",
    "reel",
    "breakdown",
    "talking",
    "evidence",
    "pages",
    "hand",
    "watching",
    "start",
)


def main(names: list[str]) -> int:
    unknown = set(names) - set(ALL)
    if unknown:
        print(
            f"no benchmark called {', '.join(sorted(unknown))}; there are {', '.join(ALL)}", file=sys.stderr
        )
        return 2
    missed = []
    for name in names or ALL:
        print(f"\n=== {name} ===", flush=True)
        if subprocess.run([sys.executable, "-m", f"tests.bench.{name}"], check=False).returncode:
            missed.append(name)
    print(f"\nGoals missed in: {', '.join(missed)}" if missed else "\nAll goals met.")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
