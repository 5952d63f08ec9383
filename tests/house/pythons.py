"""The main job and the media tests on other Pythons, installed, from the lock; and at both ends of every range.

    python -m tests.house.pythons             on each Python from 3.11 to 3.14 that is on this machine, besides this one
    python -m tests.house.pythons --range     with the lowest and the highest version of each direct dependency, the
                                        highest also with a later SQLite in the place of Python's own

Pythons are looked for on PATH and among pyenv's versions; what was found is said. Each gets an environment of
its own below build/pythons, where cliplib is built and installed, and is tried in a folder that holds the demo,
the tests and nothing else. Exit code 1 if something failed.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]
BUILD = ROOT / "build" / "pythons"
MINORS = range(11, 15)
SOURCE = ("cliplib", "web", "pyproject.toml", "README.md", "LICENSE")
TRIAL = ("tests", "fixtures", "pyproject.toml")
MEDIA = (
    "tests/media",
    "--ignore=tests/media/test_cut_browser.py",  # of the browser, not of the Python
    "--ignore=tests/media/test_cut_real.py",  # of films that are fetched
    "tests/trust/test_hostile_media.py",
    "tests/trust/test_harmful_media.py",
    "tests/trust/test_mistakes.py",
)
TOOLS = ("hypothesis", "pytest", "pytest-rerunfailures", "pytest-timeout", "pytest-xdist")

_LATER_SQLITE = (
    "import sys; sys.modules['sqlite3'] = sys.modules['sqlite3.dbapi2'] = __import__('pysqlite3')\n"
)
_PACKAGE = re.compile(r"^(?P<name>[\w.-]+)==.*(?:\n .*)*", re.MULTILINE)


class Failed(Exception):
    pass


# --- which Pythons are here -------------------------------------------------------------------------------


def others() -> dict[int, str]:
    """Of each minor version but this one's, a Python that can make environments."""
    found: dict[int, str] = {}
    for place in _candidates():
        asked = "import ensurepip, sys, venv; print(sys.implementation.name, *sys.version_info[:2])"
        try:
            done = subprocess.run([place, "-I", "-c", asked], capture_output=True, text=True, timeout=60)
        except (OSError, subprocess.SubprocessError):
            continue
        words = done.stdout.split()
        if done.returncode == 0 and words[:2] == ["cpython", "3"]:
            minor = int(words[2])
            if minor in MINORS and minor != sys.version_info.minor:
                found.setdefault(minor, place)
    return dict(sorted(found.items()))


def _candidates() -> Iterator[str]:
    pyenv = Path(os.environ.get("PYENV_ROOT") or Path.home() / ".pyenv") / "versions"
    for minor in MINORS:
        name = f"python3.{minor}"
        for folder in os.get_exec_path():
            if (place := Path(folder) / name).is_file():
                yield str(place)
        yield from map(str, sorted(pyenv.glob(f"3.{minor}.*/bin/{name}")))


# --- one of them ------------------------------------------------------------------------------------------


def run(*words: object, cwd: Path) -> str:
    """What it printed. Raises Failed with the end of that."""
    clean = {
        k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL_ENV", "CLIPLIB_LIB"))
    }
    done = subprocess.run(
        [*map(str, words)], cwd=cwd, env=clean, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    if done.returncode:
        tail = "\n".join(done.stdout.splitlines()[-60:])
        raise Failed(f"{' '.join(map(str, words))}\nended with {done.returncode}:\n{tail}")
    return done.stdout


def pip(python: Path, *words: object) -> None:
    run(python, "-m", "pip", "--quiet", "--disable-pip-version-check", "install", *words, cwd=BUILD)


def environment(place: str, name: str) -> Path:
    """The Python of a fresh environment."""
    folder = BUILD / name
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    run(place, "-m", "venv", folder / "env", cwd=folder)
    return folder / "env" / "bin" / "python"


def locked(python: Path) -> None:
    """All that is needed to run and to try it, as pinned: the lock, and from the other one what is for tests."""
    runtime = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    known = {m["name"] for m in _PACKAGE.finditer(runtime)}
    pinned = {m["name"]: m[0] for m in _PACKAGE.finditer((ROOT / "requirements-dev.lock").read_text())}
    wanted = set(TOOLS)
    while True:  # the lock says of each package what needs it
        needed = {
            n for n, text in pinned.items() if wanted & set(re.findall(r"# +(?:via )?([\w.-]+)$", text, re.M))
        }
        if needed <= wanted:
            break
        wanted |= needed
    needs = BUILD / "needs.txt"
    needs.write_text(runtime + "\n".join(pinned[name] for name in sorted(wanted - known)) + "\n")
    pip(python, "--require-hashes", "-r", needs)


def tried(python: Path) -> None:
    """Install cliplib there, do the main job and run the media tests. Raises Failed."""
    folder = python.parents[2]
    copied(SOURCE, folder / "source")
    pip(python, "--no-deps", "--no-build-isolation", folder / "source")
    shutil.rmtree(folder / "source")
    trial = folder / "trial"
    copied(TRIAL, trial)
    where = run(python, "-c", "import cliplib; print(cliplib.__file__)", cwd=trial).strip()
    if not Path(where).is_relative_to(folder / "env"):
        raise Failed(f"cliplib was imported from {where}, and not from the environment")
    print("   ", run(python, "-m", "cliplib", "--version", cwd=trial).strip().replace("\n", ", "), flush=True)
    began = time.monotonic()
    run(python, "-m", "fixtures.walk", "demo", cwd=trial)
    walked = time.monotonic()
    said = run(python, "-m", "pytest", "-q", "-n", "2", "-p", "no:cacheprovider", *MEDIA, cwd=trial)
    print(f"    main job {walked - began:.0f} s; media tests: {said.strip().splitlines()[-1]}", flush=True)


def copied(names: Sequence[str], to: Path) -> None:
    for name in names:
        if (ROOT / name).is_dir():
            shutil.copytree(
                ROOT / name, to / name, ignore=shutil.ignore_patterns("__pycache__", "*.so", "*.pyd")
            )
        else:
            to.mkdir(exist_ok=True)
            shutil.copy2(ROOT / name, to / name)


# --- all of them ------------------------------------------------------------------------------------------


def each_python() -> int:
    here = others()
    names = [f"3.{minor} ({place})" for minor, place in here.items()]
    print(f"Pythons besides this one (3.{sys.version_info.minor}): {', '.join(names) or 'none'}", flush=True)
    failed = 0
    for minor, place in here.items():
        failed += not fine(f"Python 3.{minor}", place, f"3.{minor}", locked)
    return 1 if failed else 0


def both_ends() -> int:
    """The lowest on the oldest Python, the highest on the newest."""
    here = {sys.version_info.minor: sys.executable, **others()}

    def resolved(how: str, *more: str) -> Callable[[Path], None]:
        def install(python: Path) -> None:
            uv = environment(sys.executable, "uv")
            pip(uv, "uv")
            needs = BUILD / f"{how}.txt"
            extras = ("--extra", "demo", "--extra", "handover", "--group", "build")
            asked = ("--resolution", how, "--python", python, *extras, "pyproject.toml", "-o", needs)
            run(uv.parent / "uv", "pip", "compile", "--quiet", "--no-header", *asked, cwd=ROOT)
            pip(python, "-r", needs, *TOOLS, *more)
            if more:
                site = next(python.parents[1].glob("lib/python*/site-packages"))
                (site / "later_sqlite.pth").write_text(_LATER_SQLITE)

        return install

    low, high = min(here), max(here)
    ends = (
        (f"the lowest of each, on Python 3.{low}", here[low], "lowest", resolved("lowest-direct")),
        (
            f"the highest of each, on Python 3.{high}",
            here[high],
            "highest",
            resolved("highest", "pysqlite3-binary"),
        ),
    )
    return 1 if sum(not fine(*end) for end in ends) else 0


def fine(what: str, place: str, name: str, install: Callable[[Path], None]) -> bool:
    began = time.monotonic()
    print(f"{what}:", flush=True)
    try:
        python = environment(place, name)
        install(python)
        tried(python)
    except Failed as failure:
        print(f"    failed\n{failure}", flush=True)
        return False
    print(f"    fine, {time.monotonic() - began:.0f} s", flush=True)
    shutil.rmtree(BUILD / name)
    return True


if __name__ == "__main__":
    BUILD.mkdir(parents=True, exist_ok=True)
    sys.exit(both_ends() if "--range" in sys.argv else each_python())
