"""Names as strangers give them, through the whole path: folders, files, titles, fighters, reels, logs."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest

from cliplib import Library, restore
from cliplib.cli.main import main
from cliplib.core.errors import InputError
from cliplib.fightfolder.reading import read_fight_folder
from tests.libraries import BLUE, RED, faults, make_fight

NAMES = {
    "quotes": 'O\'Dea "the Wall" & <b>Sons</b>',
    "dash": "--help",
    "right to left": "\u05d0\u05d1\u05d2 \u0627\u0644\u0645\u0644\u0627\u0643\u0645",
    "percent": "%s {0} ${HOME} `id` $(id)",
    "path": "../../etc/passwd",
    "emoji": "\U0001f94a Z\u0300\u0301a\u0308lgo",
    "like": "100%_\\*?[a]",
    "long": "N" * 300,
    "formula": "=1+1",
}


def _run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    return int(ended.value.code or 0)


@pytest.mark.parametrize("kind", NAMES)
def test_a_name_goes_through_everything(tmp_path: Path, kind: str, capfd: pytest.CaptureFixture[str]) -> None:
    name = NAMES[kind]
    folder = tmp_path / "fights" / name.replace("/", "_")[:200]
    make_fight(folder, title=name, rows=("0:02,,jab,missed,", "0:06,,cross,landed,"))
    toml = folder / "fight.toml"
    quoted = json.dumps(name, ensure_ascii=False)
    film = "-" + name[:100].replace("/", "_") + ".mp4"
    toml.write_text(
        toml.read_text(encoding="utf-8")
        .replace(f'name = "{RED}"', f"name = {quoted}")
        .replace('file = "fight.mp4"', f"file = {json.dumps(film, ensure_ascii=False)}"),
        encoding="utf-8",
    )
    (folder / "fight.mp4").rename(folder / film)
    log = json.dumps({"time": 2, "fighter": name, "action": "jab", "outcome": "missed", "note": name}) + "\n"
    (folder / "log.jsonl").write_text(log, encoding="utf-8")
    toml.write_text(toml.read_text(encoding="utf-8").replace("log.csv", "log.jsonl"), encoding="utf-8")
    root = tmp_path / "library"

    assert _run("--library", str(root), "ingest", "--", str(folder)) == 0
    library = Library(root)
    (fight,) = library.finding.fights()
    assert (fight.title, fight.info.red.name) == (name, name)
    (clip,) = library.finding.find("jab").clips
    assert clip.actions[0].fighter == name
    assert clip.file is not None
    assert clip.file.is_file()
    assert clip.file.resolve().is_relative_to(root.resolve())
    capfd.readouterr()
    assert _run("--library", str(root), "find", "jab", "--json") == 0
    assert json.loads(capfd.readouterr().out)["clips"][0]["fight"] == name
    for form in ("csv", "vtt", "jsonl"):
        out = tmp_path / f"out.{form}"
        assert _run("--library", str(root), "log", "1", "--format", form, "-o", str(out)) == 0
        assert out.read_text(encoding="utf-8")
    reel = library.making.made_reel(library.making.make_reel("jab", title=name))
    assert reel.title == name
    assert reel.file.parent == root.resolve() / "reels"
    out = tmp_path / ("-" + name[:50].replace("/", "_") + ".mp4")
    library.making.export_clip(clip.id, out)
    assert out.stat().st_size > 0
    library.care.backup(tmp_path / "kept.tar", clips=True)
    restore(tmp_path / "kept.tar", tmp_path / "again")
    assert Library(tmp_path / "again").finding.fights()[0].title == name
    assert faults(library, deep=True) == []
    assert library.care.forget([1]).left == ()
    assert {p.name for p in tmp_path.iterdir()} == {
        "fights", "library", "again", "kept.tar", "out.csv", "out.vtt", "out.jsonl", out.name
    }  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="such names cannot be there")
def test_a_folder_with_a_line_break(tmp_path: Path) -> None:
    folder = make_fight(tmp_path / "a\nb'c\" d")
    os.rename(folder / "fight.mp4", folder / "li\nne.mp4")
    toml = folder / "fight.toml"
    toml.write_text(toml.read_text().replace('file = "fight.mp4"', 'file = "li\\nne.mp4"'))
    with pytest.raises(InputError, match="line break"):
        read_fight_folder(folder)
    os.rename(folder / "li\nne.mp4", folder / "fight.mp4")
    toml.write_text(toml.read_text().replace('file = "li\\nne.mp4"', 'file = "fight.mp4"'))
    library = Library(tmp_path / "lib\nrary", create=True)
    assert library.logging.ingest([folder]).exit_code == 0
    assert library.finding.find("jab").clips[0].file
    assert library.making.made_reel(library.making.make_reel("jab", title="two\nlines")).file.is_file()
    assert BLUE in {f.name for f in library.finding.fighters()}


@pytest.mark.parametrize("bad", ["a\nb", "tab\there", "\u202eevil\u0000", "N" * 301, "", " "])
def test_names_nobody_could_read_are_refused(tmp_path: Path, bad: str) -> None:
    folder = make_fight(tmp_path / "fight", kind=None)
    toml = folder / "fight.toml"
    toml.write_text(toml.read_text().replace('"Adeyemi v Brandt"', json.dumps(bad)))
    with pytest.raises(InputError, match="title"):
        read_fight_folder(folder)
