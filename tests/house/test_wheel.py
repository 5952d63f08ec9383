"""The built wheel, installed into an empty environment and used in an empty folder."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
import sysconfig
import time
import urllib.request
import venv
import zipfile
from pathlib import Path

import pytest

from cliplib.search.patterns.kernel import compiled

BUILT = {".so", ".pyd"}
pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("wheel")]

ROOT = Path(__file__).parents[2]

FIGHT = """\
title = "Okoro v Lindqvist"
[red]
name = "Ada Okoro"
stance = "southpaw"
[blue]
name = "Mia Lindqvist"
stance = "orthodox"
[[log]]
file = "log.csv"
"""
LOG = "time,fighter,action,outcome\n1.0,Okoro,jab,missed\n1.4,Lindqvist,counter cross to the body,landed\n"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    shutil.copytree(
        ROOT,
        source,
        ignore=shutil.ignore_patterns(".git", ".venv", "build", "dist", "*.egg-info", ".*_cache"),
    )
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(source)],
        check=True,
        capture_output=True,
    )
    return next(folder.glob("*.whl"))


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The bin folder of an environment with the wheel; what it depends on is lent from the running one."""
    folder = tmp_path_factory.mktemp("installed") / "env"
    venv.create(folder, with_pip=True)
    subprocess.run(
        [folder / "bin/python", "-m", "pip", "install", "-q", "--no-deps", "--no-index", wheel],
        check=True,
        capture_output=True,
    )
    site = next(folder.glob("lib/python*/site-packages"))
    (site / "lent.pth").write_text(sysconfig.get_paths()["purelib"] + "\n")
    return folder / "bin"


def test_no_module_called_web(wheel: Path) -> None:
    names = {name.split("/")[0] for name in zipfile.ZipFile(wheel).namelist()}
    assert {n for n in names if not n.endswith(".dist-info")} == {"cliplib", "cliplib_web"}


def test_every_file_a_module_needs_is_in_it(wheel: Path) -> None:
    inside = set(zipfile.ZipFile(wheel).namelist())
    wanted = {
        path.relative_to(ROOT).as_posix().replace("web/", "cliplib_web/", 1)
        for pattern in ("cliplib/**/*", "web/**/*")
        for path in ROOT.glob(pattern)
        if path.is_file()
        and "__pycache__" not in path.parts
        and path.name != ".DS_Store"
        and path.suffix not in (".c", *BUILT)
    }
    assert wanted <= inside, wanted - inside
    if compiled():
        assert [
            n for n in inside if n.startswith("cliplib/search/patterns/_kernel") and n.endswith(tuple(BUILT))
        ]


def test_it_works_in_an_empty_folder(installed: Path, tmp_path: Path) -> None:
    fight = tmp_path / "fight"
    fight.mkdir()
    (fight / "fight.toml").write_text(FIGHT)
    (fight / "log.csv").write_text(LOG)

    def cliplib(*words: str) -> str:
        return subprocess.run(
            [installed / "cliplib", *words], cwd=tmp_path, check=True, capture_output=True, text=True
        ).stdout

    assert cliplib("--version").splitlines()[0] == "cliplib 0.1.0"
    where = subprocess.run(
        [installed / "python", "-c", "import cliplib; print(cliplib.__file__)"],
        cwd=tmp_path,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    assert Path(where.strip()).is_relative_to(installed.parent)
    cliplib("ingest", "fight")
    found = json.loads(cliplib("find", "counter to the body after a missed jab", "--json"))
    assert found["total"] == 1
    assert found["clips"][0]["fight"] == "Okoro v Lindqvist"


def test_it_serves_pages(installed: Path, tmp_path: Path) -> None:
    (tmp_path / "fight.toml").write_text(FIGHT)
    (tmp_path / "log.csv").write_text(LOG)
    subprocess.run([installed / "cliplib", "ingest", "."], cwd=tmp_path, check=True, capture_output=True)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = subprocess.Popen([installed / "cliplib", "serve", "--port", str(port)], cwd=tmp_path)
    try:
        for _ in range(100):
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/?q=missed+jab", timeout=5) as answer:
                    page = answer.read().decode()
                break
            except OSError:
                time.sleep(0.1)
        else:
            pytest.fail("the server did not answer within ten seconds")
        assert "Okoro v Lindqvist" in page
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/static/style.css", timeout=5) as answer:
            assert answer.status == 200
    finally:
        server.terminate()
        server.wait(10)
