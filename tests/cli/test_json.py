"""Every command that prints something about a library prints it for scripts, too."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from cliplib import Library
from cliplib.cli.main import cli
from tests.libraries import make_fight

NOTHING_TO_PRINT = {"serve": "it runs until it is stopped"}


def commands(group: click.Group = cli, path: str = "") -> Iterator[tuple[str, click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from commands(command, f"{path}{name} ")
        else:
            yield f"{path}{name}", command


@pytest.mark.parametrize(
    ("name", "command"), list(commands()), ids=lambda it: it if isinstance(it, str) else ""
)
def test_every_command_has_json(name: str, command: click.Command) -> None:
    options = {option for parameter in command.params for option in parameter.opts}
    assert ("--json" in options) != (name in NOTHING_TO_PRINT), name


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("json")
    assert Library(root / "library", create=True).logging.ingest([make_fight(root / "fight")]).exit_code == 0
    return root / "library"


def run(library: Path, *words: str, given: str = "", code: int = 0) -> Any:
    done = CliRunner().invoke(
        cli, ["--library", str(library), *words, "--json"], input=given, standalone_mode=False
    )
    assert (done.return_value or 0) == code, (done.output, done.exception)
    return json.loads(done.stdout)


def test_what_was_done_has_one_shape(library: Path, tmp_path: Path) -> None:
    out = tmp_path / "one.mp4"
    said = run(library, "export", "1", "-o", str(out))
    assert (said["done"], said["ok"], said["clip"], said["file"]) == ("export", True, 1, str(out))
    assert said["said"][0].startswith(str(out))
    log = run(library, "log", "1")
    assert (log["done"], log["form"], log["said"]) == ("log", "csv", [])
    assert "jab" in log["text"]
    healthy = run(library, "check")
    assert (healthy["ok"], healthy["findings"], healthy["said"]) == (True, [], ["all is well"])
    kept = run(library, "themes", "put", "-", given='phrase = "jab"\ntitle = "Jabs"\n')
    assert run(library, "themes", "show", kept["name"])["text"].startswith('phrase = "jab"')
    assert run(library, "themes", "remove", kept["name"])["done"] == "themes remove"
    assert (
        run(library, "passphrase", "set", "--role", "look", given="a phrase to look with\n")["role"] == "look"
    )
    assert run(library, "passphrase", "list") == [{"role": "look"}]
    assert [row["action"] for row in run(library, "correct", "1")["rows"]][:1] == ["missed jab"]
    assert run(library, "complete", "jab cr")[0]["phrase"].startswith("jab cr")
    assert run(library, "reels") == []


def test_what_is_left_is_not_ok(library: Path) -> None:
    clip = Library(library).finding.clip(1).file
    assert clip is not None
    kept = clip.read_bytes()
    clip.unlink()
    try:
        found = run(library, "check", code=1)
        assert not found["ok"]
        assert found["findings"]
        assert found["findings"][0]["mended"] is None
    finally:
        clip.write_bytes(kept)


def test_a_phrase_a_line(library: Path, tmp_path: Path) -> None:
    lines = tmp_path / "phrases.txt"
    lines.write_text("jab\nflying knee\n\ncross to the body\n", encoding="utf-8")
    done = CliRunner().invoke(cli, ["--library", str(library), "explain", "--lines", str(lines)])
    assert done.exit_code == 0, done.output
    read = [json.loads(line) for line in done.stdout.splitlines()]
    assert [one["phrase"] for one in read] == ["jab", "flying knee", "", "cross to the body"]
    assert read[3]["steps"][0]["target"] == "body"
    one = CliRunner().invoke(cli, ["--library", str(library), "explain", "jab", "--json"])
    assert json.loads(one.stdout) == read[0]
    typed = CliRunner().invoke(cli, ["--library", str(library), "explain", "--lines", "-"], input="jab\n")
    assert json.loads(typed.stdout) == read[0]
    assert CliRunner().invoke(cli, ["--library", str(library), "explain"]).exit_code == 2
