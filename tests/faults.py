"""Faults at random moments: `python -m tests.faults --moments 500`.

At a random step (see fault_shim) of an ingest, an ingest after a change, a reel, reindexing, an upgrade,
logging and a backup, the process is killed, the power goes, or the disk refuses. Then:

    at once        every clip and listed reel that is there is whole, and so is what was acknowledged
    run again      gives what an undisturbed run gives, and `check --deep` finds nothing
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import hashlib
import json
import os
import random
import shutil
import sqlite3
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

from cliplib import ingest_cut
from cliplib.catalogue import Catalogue
from cliplib.errors import ClipLibError
from cliplib.ingest_cut import contents
from cliplib.library import Library
from cliplib.library_backup import back_up, restore
from cliplib.media import files
from tests.fault_shim import KINDS, Shim
from tests.libraries import ROWS, dump, make_fight, write_log

OLD_SCHEMA = Path(__file__).parent / "schemas" / "first_tables.sql"
MORE = (*ROWS[:1], "0:05,Brandt,lead hook,landed,", "0:07,Adeyemi,jab,,")
LINES = 5


class Bench:
    """Fights, a library made of them, and places for trials."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.fights = folder / "fights"
        self.base = folder / "base"
        self.root = folder / "library"
        self.acknowledged = folder / "acknowledged"
        make_fight(self.fights / "one")
        make_fight(self.fights / "two", kind="matroska", title="Other", rows=ROWS[:2])

    def fresh(self, scenario: str) -> None:
        """The library as it is before a scenario."""
        for place in (self.root, self.folder / "kept.tar"):
            shutil.rmtree(place, ignore_errors=True)
            place.unlink(missing_ok=True)
        for place in self.folder.glob("shadow-*"):
            shutil.rmtree(place)
        self.acknowledged.write_text("")
        write_log(self.fights / "one", MORE if scenario == "change" else ROWS)
        if scenario == "upgrade":
            self.root.mkdir()
            raw = sqlite3.connect(self.root / "catalogue.db")
            raw.executescript(OLD_SCHEMA.read_text(encoding="utf-8"))
            raw.close()
        elif scenario != "ingest":
            shutil.copytree(self.base, self.root)

    def acknowledge(self, what: str) -> None:
        fd = os.open(self.acknowledged, os.O_WRONLY | os.O_APPEND)
        os.write(fd, f"{what}\n".encode())
        os.close(fd)

    def acknowledgements(self) -> list[str]:
        return self.acknowledged.read_text().split("\n")[:-1]


# --- scenarios: the work, and what it comes to ------------------------------------------------------------


def _ingest(bench: Bench) -> None:
    report = Library(bench.root, create=True).ingest([bench.fights])
    if report.exit_code:
        raise next(error for fight in report.fights for error in fight.errors)
    bench.acknowledge("ingested")


def _reel(bench: Bench) -> None:
    library = Library(bench.root)
    made = [reel.name for reel in library.reels()]
    library.make_reel("jab", title="Jabs", again=made[0] if made else None)
    bench.acknowledge("reel")


def _reindex(bench: Bench) -> None:
    library = Library(bench.root)
    library.find("jab")
    library.reindex()
    bench.acknowledge("reindexed")


def _upgrade(bench: Bench) -> None:
    Catalogue(bench.root / "catalogue.db").close()
    bench.acknowledge("upgraded")


def _live(bench: Bench) -> None:
    library = Library(bench.root)
    there = {line.note for line in library.logging.lines(1, "JL")}
    for number in range(LINES):
        if f"line {number}" not in there:
            library.logging.add(1, "JL", 60 + 20 * number, "Brandt jab landed", note=f"line {number}")
            bench.acknowledge(f"line {number}")


def _backup(bench: Bench) -> None:
    out = bench.folder / "kept.tar"
    if not out.exists():
        back_up(Library(bench.root), out, clips=True)
    bench.acknowledge("backup")


SCENARIOS: dict[str, Callable[[Bench], None]] = {
    "ingest": _ingest,
    "change": _ingest,
    "reel": _reel,
    "reindex": _reindex,
    "upgrade": _upgrade,
    "live": _live,
    "backup": _backup,
}


def outcome(bench: Bench, scenario: str) -> object:
    """What the work comes to, in a form that can be compared."""
    if scenario == "upgrade":
        catalogue = Catalogue(bench.root / "catalogue.db")
        rows = catalogue._store.rows("SELECT type, name, sql FROM sqlite_master ORDER BY type, name")
        notes = [(row.note, row.start_frame) for row in catalogue.clip_rows([1, 2])]
        return json.dumps([rows, notes, catalogue.care.problems()])
    library = Library(bench.root)
    held = dump(bench.root)
    held["found"] = [clip.id for clip in library.find("jab").clips]
    held["words"] = library.words("nice").total
    held["reels"] = [hashlib.sha256(r.file.read_bytes()).hexdigest() for r in library.reels()]
    if scenario == "live":
        held["lines"] = sorted(line.note for line in library.logging.lines(1, "JL"))
        for name in ("exchanges", "actions", "clips"):  # ids depend on how often a line was written
            held[name] = len(held[name])  # type: ignore[arg-type]
        held = {k: v for k, v in held.items() if not k.startswith(("clips/", "posters/"))}
    if scenario == "backup":
        again = bench.folder / "again"
        shutil.rmtree(again, ignore_errors=True)
        restore(bench.folder / "kept.tar", again)
        held["restored"] = {k: v for k, v in dump(again).items() if not k.startswith("working/")}
    return json.dumps(held, default=str, sort_keys=True)


def whole(bench: Bench, scenario: str) -> None:
    """What must hold the moment after: nothing that can be reached is half-written, nothing is lost."""
    acknowledged = bench.acknowledgements()
    if not (bench.root / "catalogue.db").is_file():
        assert not acknowledged, f"{acknowledged} and no catalogue"
        return
    catalogue = Catalogue(bench.root / "catalogue.db", create=True)
    assert catalogue.care.problems() == []
    for kept in catalogue.care.files():
        path = bench.root / kept.place
        if path.exists() and kept.held is not None:
            assert contents(path) == kept.held, f"{kept.place} is half-written"
    if scenario == "upgrade":
        return
    library = Library(bench.root)
    for reel in library.reels():
        facts = json.loads(reel.file.with_suffix(".json").read_text())
        assert reel.file.stat().st_size == facts["bytes"], f"reel {reel.name} is half-written"
    if "ingested" in acknowledged:
        assert len(library.fights()) == 2, "an acknowledged ingest is lost"
        assert any(kept.kind == "clip" for kept in catalogue.care.files())
    if "reel" in acknowledged:
        assert library.reels(), "an acknowledged reel is lost"
    if scenario == "live":
        there = {line.note for line in library.logging.lines(1, "JL")}
        assert set(acknowledged) <= there, f"lost: {set(acknowledged) - there}"
    if "backup" in acknowledged:
        assert (bench.folder / "kept.tar").exists()


def resume(bench: Bench, scenario: str) -> None:
    """The work again, and what an evening's ingest does anyway."""
    SCENARIOS[scenario](bench)
    if scenario != "upgrade":
        Library(bench.root).ingest([bench.fights])
        found = [str(f) for f in Library(bench.root).check(deep=True) if "MB are free" not in f.what]
        assert found == [], found


# --- trials -----------------------------------------------------------------------------------------------


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


def run(
    moments: int,
    seed: int,
    say: Callable[[str], None] = print,
    *,
    spread: bool = False,
    unsynced: bool = False,
) -> int:
    """Disturb `moments` times; the number of things that went wrong. `spread`: a kind after the other as well
    as a scenario after the other, for a few moments. `unsynced`: power cuts at the end of ingests that do not
    sync their clips, to see the harness notice."""
    rng = random.Random(seed)
    wrong, hit = 0, collections.Counter[str]()
    with tempfile.TemporaryDirectory(prefix="faults-") as place:
        bench = Bench(Path(place).resolve())

        def make_base() -> None:
            library = Library(bench.base, create=True)
            assert library.ingest([bench.fights]).exit_code == 0
            library.find("jab")
            library.words("nice")

        assert _child(make_base) == (0, "")
        steps: dict[str, int] = {}
        wanted: dict[str, str] = {}
        for scenario, work in SCENARIOS.items():
            if unsynced and scenario != "ingest":
                continue
            bench.fresh(scenario)

            def counted(scenario: str = scenario, work: Callable[[Bench], None] = work) -> None:
                shim = Shim(bench.root, "count")
                shim.install()
                work(bench)
                count = shim.steps
                resume(bench, scenario)
                (bench.folder / "steps").write_text(str(count))
                (bench.folder / "wanted").write_text(str(outcome(bench, scenario)))

            code, said = _child(counted)
            assert code == 0, f"{scenario} undisturbed: {said}"
            steps[scenario] = int((bench.folder / "steps").read_text())
            wanted[scenario] = (bench.folder / "wanted").read_text()
        say("steps: " + ", ".join(f"{name} {count}" for name, count in steps.items()))
        names = list(steps)
        for trial in range(moments):
            scenario = names[trial % len(names)]
            kind = KINDS[(trial // len(names)) % len(KINDS)]
            if spread:
                kind = KINDS[trial % len(KINDS)]
            at = rng.randint(1, steps[scenario] + (steps[scenario] // 5 + 1 if kind == "power" else 0))
            if unsynced:
                scenario, kind, at = "ingest", "power", steps["ingest"] * (68 + 3 * trial) // 100
            bench.fresh(scenario)

            def disturbed(
                scenario: str = scenario, kind: str = kind, at: int = at, trial: int = trial
            ) -> None:
                shim = Shim(bench.root, kind, at, seed * 100_000 + trial)
                shim.install()
                if unsynced:
                    shim._log_now = lambda: (0, b"")  # type: ignore[method-assign] # rows stay, files do not
                    ingest_cut.settle = lambda paths: None
                    files.os.fsync = lambda fd: None  # type: ignore[attr-defined]
                with contextlib.suppress(ClipLibError):
                    SCENARIOS[scenario](bench)
                if kind == "power":  # after it was acknowledged
                    shim.cut()

            def after(scenario: str = scenario) -> None:
                whole(bench, scenario)
                resume(bench, scenario)
                assert str(outcome(bench, scenario)) == wanted[scenario], "resumed, it is not the same"

            code, said = _child(disturbed)
            hit[kind] += 1
            problems = [said] if code == 1 and "OSError" not in said.strip().splitlines()[-1] else []
            code, said = _child(after)
            if code:
                problems.append(said or f"ended with {code}")
            for problem in problems:
                wrong += 1
                say(f"moment {trial}: {kind} at step {at} of {scenario}:\n{problem}")
    say(f"{moments} moments ({', '.join(f'{n} {k}' for k, n in hit.items())}): {wrong} wrong")
    return wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--moments", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--spread", action="store_true", help="few moments, but every kind of fault")
    parser.add_argument("--break-sync", action="store_true", help="see it notice what is not synced")
    given = parser.parse_args()
    began = time.monotonic()
    wrong = run(
        given.moments,
        given.seed,
        lambda text: print(text, flush=True),
        spread=given.spread,
        unsynced=given.break_sync,
    )
    print(f"{time.monotonic() - began:.0f} s")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
