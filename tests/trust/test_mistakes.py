"""Our own mistakes are called ours, wherever they happen; and versions that nobody tried are named."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest

from cliplib.cli import main as cli
from cliplib.core import errors as kinds
from cliplib.core.errors import MISTAKES, FaultError
from cliplib.ingest import ingest
from cliplib.media import ffmpeg, versions
from cliplib.media.apart import asking as apart
from cliplib.media.apart import jobs
from tests.libraries import ingest as take_in
from tests.libraries import make_fight

ROOT = Path(__file__).parents[2]
NAMES = [kind.__name__ for kind in MISTAKES]
SENTENCE = r"This is a fault of cliplib itself, not of {}: {}.*\n    with cliplib 0.1.0, Python .*PyAV .*"
BLAMING = re.compile(r"damaged|whole|convert|copy it|broke|crashed")


def mistaken(kind: str) -> jobs.Answer:
    """What the tests have the other process do; so is `Mistaken`."""
    if kind == "ImportError":
        import cliplib.no_such_module  # noqa: F401
    raise {one.__name__: one for one in MISTAKES}[kind]("of ours")


class Mistaken:
    def some(self, kind: str) -> Iterator[jobs.Answer]:
        yield {"n": 0}, b""
        yield mistaken(kind)


@pytest.fixture(autouse=True)
def crew(monkeypatch: pytest.MonkeyPatch) -> Iterator[apart.Crew]:
    """Processes that know this module."""
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    crew = apart.Crew()
    monkeypatch.setattr(apart, "CREW", crew)
    yield crew
    crew.end()


def holds(said: str, at: object, kind: str) -> bool:
    """Whether it is the whole of what is to be said, and blames nobody's file."""
    asked = "to whoever gave you cliplib, so that its maintainers can mend it"
    kind = "ModuleNotFoundError" if kind == "ImportError" else kind
    begins = re.match(SENTENCE.format(re.escape(str(at)), kind), said)
    return bool(begins) and asked in said and not BLAMING.search(said)


def test_they_are_what_the_issue_is_about() -> None:
    assert set(NAMES) == {
        *("TypeError", "AttributeError", "NameError", "ImportError", "AssertionError", "KeyError")
    }
    assert not issubclass(FaultError, kinds.InputError)


@pytest.mark.parametrize("where", ["apart", "here"])
@pytest.mark.parametrize("kind", NAMES)
def test_a_mistake_in_a_job(monkeypatch: pytest.MonkeyPatch, kind: str, where: str) -> None:
    monkeypatch.setattr(apart, "IN_PROCESS", where == "here")
    with pytest.raises(FaultError) as single:
        apart.ask("film.mp4", "tests.trust.test_mistakes:mistaken", kind)
    with apart.Apart("film.mp4", "tests.trust.test_mistakes:Mistaken") as job:
        answers = job.each("some", kind)
        assert next(answers)[0] == {"n": 0}
        with pytest.raises(FaultError) as later:
            next(answers)
    for raised in (single, later):
        assert holds(str(raised.value), "film.mp4", kind), str(raised.value)
        assert "tests.trust.test_mistakes:" in str(raised.value), "where it happened"
        assert str(ROOT) not in str(raised.value), "but nobody's folders"


def test_a_process_apart_that_cannot_begin(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Something that it stands on is not there, or not what it should be."""
    (tmp_path / "sitecustomize.py").write_text("import sys; sys.modules['av'] = None\n")
    monkeypatch.setenv("PYTHONPATH", f"{tmp_path}:{ROOT}")
    with pytest.raises(FaultError) as raised:
        apart.ask("film.mp4", "cliplib.media.apart.probing:answer", "film.mp4")
    assert holds(str(raised.value), "film.mp4", "ImportError"), str(raised.value)
    (tmp_path / "sitecustomize.py").write_text("import sys; sys.modules['cliplib.core.errors'] = None\n")
    with pytest.raises(FaultError, match=r"This is a fault of cliplib itself, not of film.mp4"):
        apart.ask("film.mp4", "cliplib.media.apart.probing:answer", "film.mp4")


@pytest.mark.parametrize("kind", NAMES)
@pytest.mark.parametrize("where", ["probing apart", "cutting apart", "reading a log"])
def test_the_other_fights_go_on(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, kind: str, where: str
) -> None:
    a, b, c = (make_fight(tmp_path / name, title=name) for name in ("one", "two", "three"))
    asked, read = apart.ask, ingest.read_log
    prepare = ingest.prepare

    def ask(what: object, target: str, *args: Any, **more: Any) -> jobs.Answer:
        if where == "probing apart" and Path(str(what)).parent == b:
            return asked(what, "tests.trust.test_mistakes:mistaken", kind, **more)
        return asked(what, target, *args, **more)

    def prepared(probe: Any, *args: Any) -> Any:
        if where == "cutting apart" and probe.path.parent == b:
            asked(probe.path, "tests.trust.test_mistakes:mistaken", kind)
        return prepare(probe, *args)

    def read_log(path: Path, *args: Any, **more: Any) -> Any:
        if where == "reading a log" and path.parent == b:
            mistaken(kind)
        return read(path, *args, **more)

    monkeypatch.setattr(apart, "ask", ask)
    monkeypatch.setattr(ingest, "prepare", prepared)
    monkeypatch.setattr(ingest, "read_log", read_log)
    report = take_in(tmp_path / "library", a, b, c)
    assert report.exit_code == 1
    one, two, three = report.fights
    for fine in (one, three):
        assert (fine.status, sum(fine.cut.values()), fine.problems) == ("added", 2, [])
    assert two.status == "failed"
    (said,) = two.problems
    assert holds(said, b if where == "reading a log" else b / "fight.mp4", kind), said
    assert two.exchanges == (0 if where == "reading a log" else 2), "a log is of use without footage"
    monkeypatch.undo()
    assert take_in(tmp_path / "library", a, b, c).exit_code == 0, "nothing was noted as the file's for good"


@pytest.mark.parametrize("kind", [*NAMES, "ZeroDivisionError"])
def test_a_mistake_in_a_command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    def fails() -> None:
        if kind == "ZeroDivisionError":
            raise ZeroDivisionError("of ours")
        mistaken(kind)

    monkeypatch.setitem(cli.cli.commands, "fails", click.Command("fails", callback=fails))
    assert cli.run(["fails"]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert holds(err.removeprefix("cliplib: "), "what it was given", kind), err


# --- versions ---------------------------------------------------------------------------------------------


def test_version_names_all_that_it_stands_on(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["--version"]) == 0
    lines = [line.split(" ", 1) for line in capsys.readouterr().out.splitlines()]
    assert [name for name, _ in lines] == ["cliplib", "Python", "PyAV", "ffmpeg", "SQLite"]
    assert all(re.search(r"\d", version) for _, version in lines)
    assert dict(lines)["ffmpeg"] == ffmpeg.capabilities().version


@pytest.mark.parametrize(
    ("version", "within"),
    [("5.1", True), ("5.1.9-0+deb12u1", True), ("n7.0.2-static", True), ("9.0.9", True), ("6", False)]
    + [
        ("5.0.3", False),
        ("9.1", False),
        ("10.0", False),
        ("N-109542-g1bf1222", False),
        ("(not found)", False),
    ],
)
def test_within(version: str, within: bool) -> None:
    assert versions.within(version, "5.1", "9.0") is within


def test_check_names_what_nobody_tried(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    library = tmp_path / "library"
    cli.run(["--library", str(library), "ingest", str(make_fight(tmp_path / "one", kind=None))])
    for tried in (versions.TRIED, {**versions.TRIED, "SQLite": ("3.0", "3.1"), "Python": ("2.7", "2.7")}):
        monkeypatch.setattr(versions, "TRIED", tried)
        capsys.readouterr()
        assert cli.run(["--library", str(library), "check"]) == 0, "it is no damage"
        out, _ = capsys.readouterr()
        assert ("is outside what was tried (3.0 to 3.1)" in out) == (
            "Python" in tried and tried["Python"][0] == "2.7"
        )
        assert out.endswith("all is well\n")
