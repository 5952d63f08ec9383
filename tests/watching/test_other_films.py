"""Films that are no telecasts: nothing is claimed, and nothing breaks."""

from __future__ import annotations

from pathlib import Path

import pytest

from cliplib import watching
from cliplib.media.probe import probe
from cliplib.watching import reading
from tests.media import footage

pytestmark = pytest.mark.xdist_group("telecast")


@pytest.fixture(autouse=True)
def _no_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    """As without the extra: then the clock is left out, and that is said."""
    monkeypatch.setattr(reading, "available", lambda: False)


@pytest.mark.parametrize(
    "kind",
    [
        "silent",
        "mono",
        "variable rate",
        "mpegts from the middle",
        "h264 avi",
        "rotated",
        "interlaced",
        "ten bit",
    ],
)
def test_nothing_is_claimed(kind: str, tmp_path: Path) -> None:
    made = footage.make(kind)
    found = probe(made.path)
    watched = watching.watch(found, tmp_path, 180, 60)
    assert watched.rounds == ()
    assert not [p for p in watched.proposals if p.sureness != "perhaps"]
    assert any("mark" in note for note in watched.notes)
    assert any("extra" in note for note in watched.notes)
    assert len(watched.seen.times) == len(found.timeline)
    learnt, proposals = watching.action(watched, [], [])
    assert not learnt.useful
    assert proposals == ()


def test_the_sound_alone_is_there_first(tmp_path: Path) -> None:
    made = footage.make("mono")
    heard = watching.hear(probe(made.path), tmp_path, 180, 60)
    assert heard.proposals == heard.rounds.rounds == ()
