"""The film of a breakdown: in step with its takes, to the frame, and at the loudness that was asked for."""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from cliplib.breakdowns.film import PointFilm, Style, build_film
from cliplib.breakdowns.plan import FilmShot
from cliplib.breakdowns.render import Mix, runs_of
from cliplib.breakdowns.shots import ShotRecord
from cliplib.breakdowns.take import TakeFolder
from cliplib.reels.build import build
from cliplib.reels.parts import Beside, Freeze, ReelSettings, Treatment
from fixtures import framecode
from tests.breakdowns import sessions
from tests.media import footage
from tests.reels.reel_parts import part, pictures

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


WIDE = (2 * footage.WIDTH + 4, footage.HEIGHT)
"""Room for two pictures of the test footage beside each other, each at its own size."""


def both(picture: np.ndarray) -> tuple[int | None, int | None]:
    """The numbers of two pictures beside each other."""
    left, right = (
        framecode.read(picture, x + footage.CODE_X, footage.CODE_Y) for x in (0, footage.WIDTH + 4)
    )
    return left, right


def test_two_clips_in_step(tmp_path: Path) -> None:
    """Both show their matched actions on the same frame; who has not begun, or has ended, stands. 29.97
    frames a second beside 25, by the times and never by counting."""
    one = part("closed gop", 40, 90, moments_us=(2_600_000,))
    other = part("ntsc", 30, 150, moments_us=(3_003_000,))
    pair = replace(one, beside=Beside(other, 3), treatment=Treatment(freeze=Freeze(400_000)))
    settings = ReelSettings(size=WIDE, rate=Fraction(25), cards=False, captions=False)
    out = tmp_path / "pair.mp4"
    build([pair], out, settings, tmp_path / "cache")
    seen = [both(picture) for picture in pictures(out)]
    line, second = footage.make("closed gop").times, footage.make("ntsc").times
    meeting = next(k for k, (left, _) in enumerate(seen) if left == 65)  # 2.6 s: its matched action
    assert abs(second[seen[meeting][1]] - (Fraction(3003, 1000) - Fraction(3, 25))) <= Fraction(1, 25)
    for k, (left, right) in enumerate(seen[:meeting]):
        back = Fraction(meeting - k, 25)
        assert abs(line[left] - max(line[40], line[65] - back)) <= Fraction(1, 25)
        assert abs(second[right] - max(second[30], second[seen[meeting][1]] - back)) <= Fraction(1, 25)
    assert seen.count(seen[meeting]) >= 10  # it is held there
    assert {left for left, _ in seen[-20:]} == {89}  # the shorter one has ended


def test_as_it_was_seen(tmp_path: Path) -> None:
    """Mirrored, near, drawn on, and two at once, at the moments at which the take says so."""
    session = sessions.Player([("closed gop", 0, 150)]).end()
    records = [
        *sessions.records(session),
        [*sessions.records(session)[0], ShotRecord(2, "b", "", "b", 0, 200)],
    ]
    folder = TakeFolder.begin(tmp_path / "takes", "point", records)
    number = folder.record(0, "audio/webm")
    box = {"kind": "box", "points": [[0.5, 0.5], [0.9, 0.9]], "colour": "#ff0000", "width": 0.02}
    folder.put_picture(number, 0, [
        {"t": 0, "shot": 0, "frame": 10},
        {"t": 1_000_000, "shot": 0, "frame": 20, "mirror": "both"},
        {"t": 2_000_000, "shot": 0, "frame": 30, "mirror": "none", "region": [0, 0, 0.5, 0.5]},
        {"t": 3_000_000, "drawing": "a", "values": box},
        {"t": 3_000_000, "shot": 0, "frame": 40, "region": None, "drawings": ["a"]},
        {"t": 4_000_000, "shot": 1, "frame": 50, "other": 77, "drawings": []},
        {"t": 5_000_000, "shot": 1, "frame": 51},
    ])  # fmt: skip
    folder.end(number, 6_000_000)
    one = part("closed gop", 0, 150)
    pair = replace(one, beside=Beside(part("ntsc", 0, 200)))
    shots = (FilmShot("one", one), FilmShot("pair", pair))
    take = folder.take()
    style = Style(ReelSettings(size=WIDE, rate=Fraction(25), cards=False, captions=False))
    report, _ = build_film(
        "T", [PointFilm("p", "P", shots, take, captions=False)], style, tmp_path / "f.mp4", tmp_path
    )
    shown = pictures(report.out)
    left = (WIDE[0] - footage.WIDTH) // 2

    def at(seconds: float) -> np.ndarray:
        return shown[int(seconds * 25)]

    def alone(picture: np.ndarray) -> np.ndarray:
        return picture[:, left : left + footage.WIDTH]

    code = (footage.CODE_X, footage.CODE_Y)
    assert framecode.read(alone(at(0.5)), *code) == 10
    assert framecode.read(alone(at(1.5)), *code) is None
    assert framecode.read(alone(at(1.5))[:, ::-1], *code) == 20
    assert framecode.read(alone(at(2.5)), 2 * code[0], 2 * code[1], 16) == 30
    red = alone(at(3.5))[footage.HEIGHT // 2, footage.WIDTH // 2 : footage.WIDTH].astype(int)
    assert (red[:, 0] - red[:, 1] > 60).any()
    before = alone(at(2.5))[footage.HEIGHT // 2, footage.WIDTH // 2 : footage.WIDTH].astype(int)
    assert not (before[:, 0] - before[:, 1] > 60).any()
    assert both(at(4.5)) == (50, 77)
    # Without a frame of its own the second clip is the one in step: both have no matched action, so their
    # middles meet: 3.0 s of the one and 3.337 s of the other.
    first, second = footage.make("closed gop").times, footage.make("ntsc").times
    shown_left, shown_right = both(at(5.5))
    assert shown_left == 51
    assert abs((second[shown_right] - Fraction(200 * 1001, 60000)) - (first[51] - 3)) <= Fraction(1, 25)


def test_a_shot_that_is_missing(tmp_path: Path) -> None:
    session = sessions.Player([("closed gop", 0, 150), ("ntsc", 0, 100)]).end()
    folder = TakeFolder.begin(tmp_path / "takes", "point", sessions.records(session))
    number = folder.record(0, "audio/webm")
    folder.put_picture(number, 0, [{"t": 0, "shot": 0, "frame": 5}, {"t": 1_000_000, "shot": 1, "frame": 7}])
    folder.end(number, 2_000_000)
    shots = (FilmShot("here", part("closed gop", 0, 150)), FilmShot("the lost one"))
    point = PointFilm("p", "P", shots, folder.take())
    report, _ = build_film("T", [point], SMALL, tmp_path / "film.mp4", tmp_path / "cache")
    assert "“the lost one” is missing" in "\n".join(report.notes)
    seen = numbers(report.out)
    assert seen[:25] == [5] * 25
    assert seen[25:] == [None] * 25


def test_stopped_and_gone_on(tmp_path: Path) -> None:
    """Stopped in the middle, the film that was there stays, and what was prepared is used."""

    def point(n: int) -> PointFilm:
        return PointFilm(f"p{n}", f"P{n}", (FilmShot("a", part("closed gop", n * 20, n * 20 + 40)),))

    out, points = tmp_path / "film.mp4", [point(n) for n in range(4)]
    out.write_bytes(b"the film before")

    class Stop(Exception):
        pass

    def stop(stage: str, done: int, total: int) -> None:
        if done > total // 2:
            raise Stop

    with pytest.raises(Stop):
        build_film("T", points, SMALL, out, tmp_path / "cache", stop)
    assert out.read_bytes() == b"the film before"
    report, _ = build_film("T", points, SMALL, out, tmp_path / "cache")
    assert report.made + report.reused == 4


def test_scrubs_are_decoded_in_few_goes() -> None:
    rng = random.Random(6)
    wanted, frame = [], 500
    for k in range(3000):
        frame += rng.randrange(-15, 16)
        wanted.append((k, max(0, frame)))
    runs = runs_of(wanted)
    assert [frame for run in runs for frame in run] == [frame for _, frame in wanted]
    assert all(len(set(run)) <= 48 or run == sorted(run) for run in runs)
    assert len(runs) < 3000 / 20
