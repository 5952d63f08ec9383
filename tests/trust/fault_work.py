"""The work that `tests.faults` disturbs: what it is, what it comes to, and what must hold at any moment."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

from cliplib import Library, restore
from cliplib.catalogue.catalogue import Catalogue
from cliplib.ingest.correct import Line
from cliplib.ingest.cut import contents
from cliplib.library.care.forget import mentions
from tests.libraries import ROWS, dump, faults, make_fight, write_log

# Private parts: the whole database is compared, whatever the catalogue says of it.

OLD_SCHEMA = Path(__file__).parents[1] / "catalogue" / "schemas" / "first_tables.sql"
MORE = (*ROWS[:1], "0:05,Brandt,lead hook,landed,", "0:07,Adeyemi,jab,,")
FORGOTTEN = "Quirkbury Hall"
"""The title of the second fight: a name that is nowhere else."""


class Bench:
    """Fights, a library made of them, and places for trials."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.fights = folder / "fights"
        self.base = folder / "base"
        self.used = folder / "used"  # the same after somebody used it: a reel, a line of a log
        self.saved = folder / "saved.tar"
        self.root = folder / "library"
        self.kept = folder / "kept.tar"
        self.acknowledged = folder / "acknowledged"
        make_fight(self.fights / "one")
        make_fight(self.fights / "two", kind="matroska", title=FORGOTTEN, rows=ROWS[:2])

    def prepare(self) -> None:
        """Make what trials begin with. In a process of its own: it leaves threads behind."""
        library = Library(self.base, create=True)
        assert library.logging.ingest([self.fights]).exit_code == 0
        library.finding.find("jab")
        library.finding.words("nice")
        library.close()
        shutil.copytree(self.base, self.used)
        library = Library(self.used)
        library.making.make_reel("jab", title="Jabs")
        library.logging.live.add(2, "JL", 60, "Brandt jab landed", note="said aside")
        library.finding.find("jab")
        library.care.backup(self.saved, clips=True)

    def fresh(self, scenario: str) -> None:
        """The library as it is before a scenario."""
        for pattern in ("library", "kept*", ".kept*", ".backup*", ".restore*", "shadow-*", "again"):
            for place in self.folder.glob(pattern):
                if place.is_dir():
                    shutil.rmtree(place)
                else:
                    place.unlink()
        self.acknowledged.write_text("")
        write_log(self.fights / "one", MORE if scenario == "change" else ROWS)
        if scenario == "upgrade":
            self.root.mkdir()
            raw = sqlite3.connect(self.root / "catalogue.db")
            raw.executescript(OLD_SCHEMA.read_text(encoding="utf-8"))
            raw.close()
        elif scenario not in ("ingest", "restore"):
            shutil.copytree(self.used if scenario == "forget" else self.base, self.root)

    def acknowledge(self, what: str) -> None:
        fd = os.open(self.acknowledged, os.O_WRONLY | os.O_APPEND)
        os.write(fd, f"{what}\n".encode())
        os.close(fd)

    def acknowledgements(self) -> list[str]:
        return self.acknowledged.read_text().split("\n")[:-1]


# --- scenarios --------------------------------------------------------------------------------------------


def _ingest(bench: Bench) -> None:
    report = Library(bench.root, create=True).logging.ingest([bench.fights])
    if report.exit_code:
        raise next(error for fight in report.fights for error in fight.errors)
    bench.acknowledge("ingested")


def _reel(bench: Bench) -> None:
    library = Library(bench.root)
    made = [reel.name for reel in library.making.reels()]
    library.making.make_reel("jab", title="Jabs", again=made[0] if made else None)
    bench.acknowledge("reel")


def _reindex(bench: Bench) -> None:
    library = Library(bench.root)
    library.finding.find("jab")
    library.care.reindex()
    bench.acknowledge("reindexed")


def _upgrade(bench: Bench) -> None:
    Catalogue(bench.root / "catalogue.db").close()
    bench.acknowledge("upgraded")


def _backup(bench: Bench) -> None:
    if not bench.kept.exists():
        Library(bench.root).care.backup(bench.kept, clips=True)
    bench.acknowledge("backup")


def _restore(bench: Bench) -> None:
    if not bench.root.exists():
        restore(bench.saved, bench.root)
    bench.acknowledge("restored")


def _forget(bench: Bench) -> None:
    library = Library(bench.root)
    if len(library.finding.fights()) == 2:
        library.care.forget([2])
        bench.acknowledge("forgotten")
    else:  # it was cut short after the rows had gone
        library.care.check(repair=True)


def _line(library: Library, note: str) -> int:
    return next(line.id for line in library.logging.live.lines(1, "JL") if line.note == note)


def _log(library: Library, note: str, frame: int) -> None:
    library.logging.live.add(1, "JL", frame, "Brandt jab landed", note=note)


def _draw(library: Library) -> None:
    library.making.drawings.add(1, {"kind": "line", "points": [[0.1, 0.2], [0.5, 0.5]]})


def _correct(library: Library) -> None:
    library.logging.corrections.reword(1, [Line("0:02", "Adeyemi", "cross missed")])


LOGGED: tuple[Callable[[Library], object], ...] = (
    lambda lib: _log(lib, "one", 60),
    lambda lib: _log(lib, "two", 80),
    lambda lib: lib.logging.live.change(1, "JL", _line(lib, "one"), note="first"),
    lambda lib: _log(lib, "three", 100),
    lambda lib: lib.logging.live.remove(1, "JL", _line(lib, "two")),
    _draw,
    _correct,
    lambda lib: lib.making.drawings.remove(1, lib.making.drawings.of(1)[0].id),
    lambda lib: lib.making.themes.put('phrase = "jab"\n'),
)
"""What somebody does on the pages, one thing after the other."""

STATES: tuple[frozenset[str], ...] = tuple(
    frozenset(state.split())
    for state in (
        "", "one", "one two", "first two", "first two three", "first three", "first three drawing",
        "first three drawing corrected", "first three corrected", "first three corrected theme",
    )
)  # fmt: skip
"""What is there after so many of them."""


def _state(library: Library) -> frozenset[str]:
    found = {line.note for line in library.logging.live.lines(1, "JL")}
    found |= {"drawing"} if library.making.drawings.of(1) else set()
    found |= {"theme"} if library.making.themes.all() else set()
    return frozenset(found | ({"corrected"} if library.logging.corrections.of(1)[1] else set()))


def _live(bench: Bench) -> None:
    library = Library(bench.root)
    for number in range(STATES.index(_state(library)), len(LOGGED)):
        LOGGED[number](library)
        bench.acknowledge(str(number + 1))


SCENARIOS: dict[str, Callable[[Bench], None]] = {
    "ingest": _ingest,
    "change": _ingest,
    "reel": _reel,
    "reindex": _reindex,
    "upgrade": _upgrade,
    "live": _live,
    "backup": _backup,
    "restore": _restore,
    "forget": _forget,
}


# --- what must hold ---------------------------------------------------------------------------------------


def whole(bench: Bench, scenario: str) -> None:
    """The moment after: nothing that can be reached is half-written, nothing acknowledged is lost."""
    acknowledged = bench.acknowledgements()
    if "backup" in acknowledged:
        assert bench.kept.exists(), "an acknowledged backup is lost"
    if bench.kept.exists():
        restore(bench.kept, bench.folder / "again")
    if not (bench.root / "catalogue.db").is_file():
        assert not acknowledged, f"{acknowledged} and no catalogue"
        assert scenario != "restore" or not bench.root.exists(), "half a library was restored"
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
    for reel in library.making.reels():
        facts = json.loads(reel.file.with_suffix(".json").read_text())
        assert reel.file.stat().st_size == facts["bytes"], f"reel {reel.name} is half-written"
    if "ingested" in acknowledged or scenario == "restore":
        assert len(library.finding.fights()) == 2, "an acknowledged ingest is lost"
        assert any(kept.kind == "clip" for kept in catalogue.care.files())
    if "reel" in acknowledged or scenario == "restore":
        assert library.making.reels(), "an acknowledged reel is lost"
    if scenario == "live":
        done = int(acknowledged[-1]) if acknowledged else 0
        assert _state(library) in STATES[done : done + 2], (
            f"{done} things were acknowledged and there is {_state(library)}"
        )
    if "forgotten" in acknowledged:
        assert [f.title for f in library.finding.fights()] == ["Adeyemi v Brandt"]
        assert not mentions(bench.root, FORGOTTEN), "what was forgotten is still there"
        assert not list((bench.root / "working").glob("*")), "a forgotten fight's film is still there"


def resume(bench: Bench, scenario: str) -> None:
    """The work again, and what an evening's ingest does anyway; then nothing is wrong."""
    SCENARIOS[scenario](bench)
    if scenario == "upgrade":
        return
    library = Library(bench.root)
    if scenario != "forget":
        library.logging.ingest([bench.fights])
    found = [str(f) for f in faults(library, deep=True)]
    assert found == [], found
    if scenario == "forget":
        assert not mentions(bench.root, FORGOTTEN)
        assert not library.making.reels(), "a reel of it is still there"


def outcome(bench: Bench, scenario: str, kind: str = "") -> str:
    """What the work comes to, in a form that can be compared. A fight whose files could not be read comes in
    after the others, so that after `unreadable` numbers, and names made of them, tell nothing."""
    if scenario == "upgrade":
        catalogue = Catalogue(bench.root / "catalogue.db")
        rows = catalogue._store.rows("SELECT type, name, sql FROM sqlite_master ORDER BY type, name")
        notes = [(row.note, row.start_frame) for row in catalogue.clip_rows([1, 2])]
        return json.dumps([rows, notes, catalogue.care.problems()])
    library = Library(bench.root)
    held = dump(bench.root)
    held["found"] = [clip.id for clip in library.finding.find("jab").clips]
    held["words"] = library.finding.words("nice").total
    held["reels"] = [hashlib.sha256(r.file.read_bytes()).hexdigest() for r in library.making.reels()]
    if scenario == "live":
        held["state"] = sorted(_state(library))
        for name in ("exchanges", "actions", "clips"):  # ids depend on how often a line was written
            held[name] = len(held[name])  # type: ignore[arg-type]
        held["found"] = len(held["found"])  # type: ignore[arg-type]
        held = {k: v for k, v in held.items() if not k.startswith(("clips/", "posters/"))}
    if scenario == "ingest" and kind == "unreadable":
        files = sorted(str(v) for k, v in held.items() if k.startswith(("clips/", "posters/", "working/")))
        tables = ("fighters", "fights", "footage", "logs", "exchanges", "actions", "clips")
        counts = {name: len(held[name]) for name in tables}  # type: ignore[arg-type]
        titles = sorted(fight.title for fight in library.finding.fights())
        held = {"files": files, "counts": counts, "titles": titles, "words": held["words"]}
    if scenario == "backup":
        again = bench.folder / "again"
        shutil.rmtree(again, ignore_errors=True)
        restore(bench.kept, again)
        held["restored"] = {k: v for k, v in dump(again).items() if not k.startswith("working/")}
    return json.dumps(held, default=str, sort_keys=True)


@contextlib.contextmanager
def bench_in_memory() -> Iterator[Path]:
    """A folder for a bench, in memory where the system has such a place: nothing is tested about the disk."""
    import tempfile

    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(
        prefix="faults-", dir=memory if os.access(memory, os.W_OK) else None
    ) as place:
        yield Path(place).resolve()
