"""What can be done with a library that cannot be written, tried from a process that cannot write it.

python -m tests.trust.reading LIBRARY     prints what came of each attempt as JSON, and what changed on the disk
"""

from __future__ import annotations

import json
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cliplib import ClipLibError, Library
from cliplib.cli.main import cli
from tests.libraries import faults
from tests.web.served import serve


def on_disk(folder: Path) -> dict[str, tuple[int, int]]:
    found = {str(p.relative_to(folder)): p.lstat() for p in sorted(folder.rglob("*"))}
    return {name: (status.st_size, status.st_mtime_ns) for name, status in found.items()}


def _elsewhere(ask: Callable[[], Any]) -> Any:
    """Asked from another thread, which has a connection of its own."""
    got: list[Any] = []
    thread = threading.Thread(target=lambda: got.append(ask()))
    thread.start()
    thread.join()
    return got[0]


def refused(do: Callable[[], object]) -> str:
    try:
        do()
    except ClipLibError as error:
        return f"{type(error).__name__}: {error}"
    return "done"


def by_library(folder: Path) -> dict[str, Any]:
    library = Library(folder)
    clip = library.finding.clip(1)
    assert clip.file is not None
    breakdowns, watching = library.making.breakdowns, library.logging.watching
    return {
        "overhand": library.finding.find("overhand").total,
        "find": library.finding.find("jab").total,
        "find in another thread": _elsewhere(lambda: library.finding.find("jab").total),
        "words": library.finding.words("nice").total,
        "tally": library.evidence.tally("punch").table.total.tried,
        "watch": clip.file.read_bytes()[4:8].decode(),
        "check": [f.what for f in faults(library, deep=True)],
        "log": refused(lambda: library.logging.live.add(1, "MK", 60, "overhand", fighter="Jonas Brandt")),
        "breakdown": breakdowns.check("it").well,
        "refused": [
            refused(do)
            for do in (
                lambda: breakdowns.check("it", update=True),
                lambda: breakdowns.put("it", "# Other\n"),
                lambda: breakdowns.new("Another"),
                lambda: breakdowns.remove("it"),
                lambda: breakdowns.build("it"),
                lambda: breakdowns.begin_take("it", "first"),
                lambda: breakdowns.bundle("it", folder.parent / "out"),
                lambda: watching.watch(1),
            )
        ],
        "private": Library(folder, hide_private=True).finding.find("jab").total,
    }


COMMANDS = (
    "find jab",
    "tally jab --by round",
    "words nice",
    "fights",
    "clip 1",
    "check",
    "breakdown check it",
    "watch 1 --list",
)
PAGES = (
    "/",
    "/?q=jab",
    "/clip/1",
    "/clips/1.mp4",
    "/clips/1.jpg",
    "/clip/1/frame/3.jpg",
    "/fights/1",
    "/counts/?q=jab",
    "/reels",
    "/api/find?q=jab",
)


def by_command(folder: Path) -> dict[str, Any]:
    """(exit code, how often it says that nothing is kept)."""
    from click.testing import CliRunner

    found = {}
    for command in COMMANDS:
        done = CliRunner().invoke(cli, ["--library", str(folder), *command.split()])
        found[command] = done.exit_code, done.stderr.count("cannot be written")
    return found


def by_pages(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = {}
    with serve(folder) as address:
        for page in PAGES:
            try:
                with urllib.request.urlopen(address + page, timeout=30) as answer:
                    found[page] = answer.status
            except urllib.error.HTTPError as error:
                found[page] = error.code
    return found


def main() -> int:
    folder = Path(sys.argv[1])
    before = on_disk(folder)
    told: dict[str, Any] = {}
    for name, ask in (("library", by_library), ("commands", by_command), ("pages", by_pages)):
        told[name] = ask(folder)
    after = on_disk(folder)
    told["changed"] = sorted(n for n in {*before, *after} if before.get(n) != after.get(n))
    print(json.dumps(told))
    return 0


if __name__ == "__main__":
    sys.exit(main())
