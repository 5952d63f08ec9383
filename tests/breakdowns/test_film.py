"""The film of a breakdown: in step with its takes, to the frame, and at the loudness that was asked for."""

from __future__ import annotations

import random
from fractions import Fraction
from pathlib import Path

import pytest

from cliplib.breakdowns.film import PointFilm, Style, build_film
from cliplib.breakdowns.render import Mix
from cliplib.reels import ReelSettings
from tests.breakdowns import sessions
from tests.media import footage

SMALL = Style(
    ReelSettings(size=(footage.WIDTH, footage.HEIGHT), rate=Fraction(25), cards=False, captions=False)
)
SHOTS = [("closed gop", 20, 150), ("open gop", 0, 120), ("ntsc", 40, 200)]


def numbers(film: Path) -> list[int | None]:
    return footage.numbers(film)


@pytest.mark.slow
def test_in_step(tmp_path: Path) -> None:
    """At 200 moments drawn at random the film shows the frame that was on the picture, or its neighbour in
    time; no click is further off than EBU R 37 allows (40 ms early to 60 ms late, as tabled beside ITU-R
    BT.1359)."""
    session = sessions.wander(sessions.Player(SHOTS), 11, 40_000_000)
    seconds = session.us / 1e6
    at = [0.5 + 1.7 * n for n in range(int(seconds / 1.7) - 1)]
    data = sessions.webm(sessions.clicks(seconds, at))
    pieces = sessions.pieces_of(data, random.Random(4))
    take = sessions.store(session, tmp_path / "takes", pieces).take()
    point = PointFilm("point", "Point", sessions.film_shots(session), take, mix=Mix(-16, None))
    report, _ = build_film("T", [point], SMALL, tmp_path / "film.mp4", tmp_path / "cache")
    shown = numbers(report.out)
    assert len(shown) == report.frames == -(-session.us * 25 // 1_000_000)
    rng, off = random.Random(3), 0
    for _ in range(200):
        us = rng.randrange(session.us - 40_000)
        around = {session.at(max(0, min(session.us, us + d)))[1] for d in range(-40_000, 40_001, 5_000)}
        k = us * 25 // 1_000_000
        assert shown[k] in around, (us, shown[k], session.at(us))
        off += shown[k] != session.at(int((k + 0.5) * 40_000))[1]
    assert off <= 20  # mostly it is the very frame, where the screen's refresh did not round it
    heard = sessions.onsets(report.out)
    assert len(heard) == len(at)
    assert all(-0.040 <= h - a <= 0.060 for h, a in zip(heard, at, strict=True))
