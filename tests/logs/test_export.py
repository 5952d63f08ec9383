"""A fight that is exported and ingested again, in another form, is the same fight."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from cliplib import Library
from cliplib.core.models import ClipRow

FIGHT = """\
title = "Adeyemi v Brandt"
rounds = 6
round_seconds = 180
rest_seconds = 60
[red]
name = "Emeka Adeyemi"
stance = "southpaw"
[blue]
name = "Jonas Brandt"
stance = "orthodox"
[footage]
first_bell = "0:12.4"
[[log]]
file = "{file}"
"""

LOG = """\
time,fighter,action,note
0:12.9,Adeyemi,jab missed,quick off the bell
0:13.5,Brandt,"slip to the right, counter right uppercut to the body",
0:40.125,Adeyemi,"hand feint, lead hook to the head landed",
0:42.1,Brandt,clinches on the ropes,
0:50,Adeyemi,switches stance,
0:51,Adeyemi,jab,
3:12,Brandt,overhand knockdown,on the bell
"""


def ingested(folder: Path, file: str, text: str) -> Library:
    fight = folder / "fight"
    fight.mkdir(parents=True)
    (fight / "fight.toml").write_text(FIGHT.format(file=file))
    (fight / file).write_bytes(text.encode())
    library = Library(folder / "library", create=True)
    library.logging.ingest([fight], cut=False)
    return library


def clips(library: Library) -> list[ClipRow]:
    return list(library.finding.find("punch", limit=100).clips)


def seen(clip: ClipRow) -> tuple[object, ...]:
    """What somebody sees of a clip."""
    said = [
        (one.fighter, one.technique, one.time_us, one.hand, one.side, one.target, one.outcome, one.direction,
         one.stance, one.place, one.roles, one.answers, one.note)
        for one in clip.actions
    ]  # fmt: skip
    return clip.round, clip.start_us, clip.end_us, said, clip.note


@pytest.mark.parametrize("form", ["csv", "vtt", "jsonl"])
def test_the_clips_are_the_same(tmp_path: Path, form: str) -> None:
    with closing(ingested(tmp_path / "first", "log.csv", LOG)) as first:
        before = [seen(clip) for clip in clips(first)]
        fight_id = clips(first)[0].fight_id
        text = first.logging.export_log(fight_id, form)  # type: ignore[arg-type]
    assert len(before) == 4
    with closing(ingested(tmp_path / "second", f"log.{form}", text)) as second:
        assert [seen(clip) for clip in clips(second)] == before
        fight_id = clips(second)[0].fight_id
        assert second.logging.export_log(fight_id, form) == text  # type: ignore[arg-type]
