"""Drawings in the library and on the command line: kept, changed, removed, brought back, measured."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import av
import pytest

from cliplib import InputError, Library
from cliplib.cli import main
from tests import libraries

# Private parts: that nothing was stored is looked up behind the catalogue's back.

LINE: dict[str, Any] = {"kind": "line", "points": [[0.3, 0.2], [0.3, 0.8]]}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("draw")
    libraries.make_fight(root / "fights" / "one")
    assert libraries.ingest(root / "library", root / "fights").exit_code == 0
    return root / "library"


@pytest.fixture
def library(folder: Path) -> Iterator[Library]:
    library = Library(folder)
    yield library
    for kept in library.making.drawings.of(1):
        library.making.drawings.remove(1, kept.id)
    library.close()


def test_drawings_last_when_the_log_changes(tmp_path: Path) -> None:
    fight = libraries.make_fight(tmp_path / "fights" / "one")
    library = Library(tmp_path / "library", create=True)
    library.logging.ingest([fight])
    first, second = library.finding.find("punch", order="round").clips
    kept = library.making.drawings.add(first.id, LINE | {"from": 2.0, "until": 2.5})
    library.making.drawings.add(second.id, LINE)
    # The first exchange goes; another one at its time comes.
    libraries.write_log(fight, ("0:02.1,Brandt,lead hook,landed,", libraries.ROWS[2]))
    library.logging.ingest([fight])
    after = {clip.id: library.making.drawings.of(clip.id) for clip in library.finding.find("punch").clips}
    assert len(after) == 2
    assert first.id not in after
    assert sorted(len(drawn) for drawn in after.values()) == [1, 1]
    assert (kept,) in after.values()
    library.care.forget([library.finding.fights()[0].id])
    assert library.desk.catalogue._rows("SELECT count(*) FROM drawings") == [(0,)]


Run = Callable[..., tuple[int, Any]]


@pytest.fixture
def run(folder: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*arguments: object) -> tuple[int, Any]:
        capsys.readouterr()
        code = main.run(["--library", str(folder), "draw", *map(str, arguments)])
        out, err = capsys.readouterr()
        return code, json.loads(out) if code == 0 else err

    return call


def test_times_of_the_clip_and_of_the_footage_say_the_same(library: Library) -> None:
    """Clip time is footage time less the clip's in, which the catalogue has in microseconds."""
    clip = library.finding.clip(1)
    assert clip.start_us is not None
    assert clip.end_us is not None
    kept = library.making.drawings.add(1, LINE | {"clip_from": 0.4, "clip_until": 1.25})
    assert (kept.drawing.from_us, kept.drawing.until_us) == (
        clip.start_us + 400_000,
        clip.start_us + 1_250_000,
    )
    told = kept.as_json()
    assert (told["clip_from"], told["clip_until"]) == (0.4, 1.25)
    again = library.making.drawings.add(1, {k: v for k, v in told.items() if k != "id"})  # both, in agreement
    assert again.drawing == kept.drawing
    with pytest.raises(InputError, match="clip_from and from say different times"):
        library.making.drawings.add(1, LINE | {"clip_from": 0.4, "from": 0.4})
    length = (clip.end_us - clip.start_us) / 1e6
    for times in (
        {"from": 0.0, "until": clip.start_us / 1e6},
        {"clip_from": length, "clip_until": length + 1},
    ):
        with pytest.raises(InputError, match="would never be seen"):
            library.making.drawings.add(1, LINE | times)


def test_an_export_carries_the_drawings(library: Library, tmp_path: Path) -> None:
    """A box over the whole picture changes every frame of the copy, and none of the one without."""
    with pytest.raises(InputError, match="nothing is drawn on clip 1"):
        library.making.export_clip(1, tmp_path / "none.mp4", drawings=True)
    thick = {"kind": "line", "points": [[0.1, 0.9], [0.9, 0.9]], "width": 0.05, "colour": "#ff00ff"}
    library.making.drawings.add(1, thick)
    result = library.making.export_clip(1, tmp_path / "drawn.mp4", drawings=True)
    assert result.how == "re-encode"
    library.making.export_clip(1, tmp_path / "plain.mp4")

    def pinks(path: Path) -> list[bool]:
        with av.open(str(path)) as film:
            found = []
            for frame in film.decode(video=0):
                picture = frame.to_ndarray(format="rgb24")
                wide = picture.shape[1]
                row = picture[int(0.9 * picture.shape[0]), wide // 5 : 4 * wide // 5].astype(int)
                pink = (row[:, 0] > 180) & (row[:, 2] > 180) & (row[:, 1] < 90)
                found.append(bool(pink.mean() > 0.9))
            return found

    drawn, plain = pinks(tmp_path / "drawn.mp4"), pinks(tmp_path / "plain.mp4")
    assert len(drawn) == len(plain)
    assert all(drawn)
    assert not any(plain)


def test_draw_on_the_command_line(run: Run, tmp_path: Path, library: Library) -> None:
    file = tmp_path / "shapes.json"
    lines = [LINE, {"kind": "line", "points": [[0.5, 0.1], [0.5, 0.9]], "from": 2, "until": 2.5}]
    measure = {"kind": "arrow", "points": [[0.2, 0.9], [0.6, 0.9]], "text": "stance"}
    file.write_text(json.dumps([*lines, measure]))
    code, added = run("add", 1, file)
    assert code == 0
    assert [one["points"] for one in added] == [one["points"] for one in (*lines, measure)]
    assert run("list", 1) == (0, added)
    file.write_text(json.dumps(added))  # what is listed can be added as it is
    ids = [one["id"] for one in added]
    assert run("share", 1, ids[0], ids[1], "--of", ids[2]) == (0, 0.5)
    file.write_text('{"colour": "white", "until": 2.25}')
    code, changed = run("change", 1, ids[1], file)
    assert changed == added[1] | {
        "colour": "white",
        "until": 2.25,
        "clip_until": added[1]["clip_until"] - 0.25,
    }
    assert run("remove", 1, ids[1])[1] == changed
    assert [one["id"] for one in run("list", 1)[1]] == [ids[0], ids[2]]
    assert run("restore", 1, ids[1]) == (0, changed)
    assert run("remove", 1, 999)[0] == 2


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "is not JSON"),
        ("[3]", "is an object"),
        ('{"kind": "lien", "points": [[0, 0], [1, 1]]}', "line"),
        ('{"kind": "angle", "points": [[0, 0], [1, 1]]}', "takes 3 points"),
        ('{"kind": "line", "points": [[0, 0], [1, 7]]}', "from -1 to 2"),
        ('{"kind": "text", "points": [[0, 0]]}', "says nothing"),
        ('{"kind": "line", "points": [[0, 0], [1, 1]], "from": 3, "until": 2}', "after the time it comes"),
        ('{"kind": "line", "points": [[0, 0], [1, 1]], "colour": "url(x)"}', "colour"),
    ],
)
def test_a_drawing_that_cannot_be_is_refused(
    run: Run, tmp_path: Path, text: str, said: str, library: Library
) -> None:
    file = tmp_path / "shape.json"
    file.write_text(text)
    code, told = run("add", 1, file)
    assert code == 2
    assert said in told
    assert library.making.drawings.of(1) == ()
