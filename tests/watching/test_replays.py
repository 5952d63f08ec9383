"""Replays: their witnesses over arrays made here, and what they come to on the drawn telecast."""

from __future__ import annotations

import numpy as np
import pytest

from cliplib import watching
from cliplib.watching import graphic, reading, replays, shots, wipes
from cliplib.watching.seen import Seen
from tests.watching.conftest import Small

RATE = 25


def moving(seed: int, frames: int) -> np.ndarray:
    """Blobs that wander over a ring, shape (frames, 36, 64)."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:36, 0:64]
    ground = 90 + 40 * np.sin(x / 9 + seed) * np.cos(y / 7 + 2 * seed)
    t = np.arange(frames)[:, None, None] / RATE
    made = np.repeat(ground[None], frames, 0)
    for _ in range(3):
        a, b, c, d = rng.uniform(0.5, 2.2, 4)
        e, f = rng.uniform(0, 6, 2)
        at_x, at_y = (
            32 + 16 * np.sin(a * t + e) + 4 * np.sin(3 * b * t),
            18 + 6 * np.sin(c * t + f) + 2 * np.sin(3 * d * t),
        )
        made = made + 90 * np.exp(-(((x - at_x) / 5) ** 2) - ((y - at_y) / 6) ** 2)
    return made.clip(0, 255)


def seen_of(pictures: np.ndarray) -> Seen:
    n = len(pictures)
    return Seen(
        np.arange(n) / RATE,
        pictures.astype(np.uint8),
        np.zeros((n, 6), np.float32),
        np.ones(n, np.int32),
        np.zeros(n, bool),
        np.zeros((0, 20, 56), np.uint8),
        np.zeros((0, 0, 0), np.uint8),
        np.zeros(0, np.int64),
    )


def again(pictures: np.ndarray, start: float, length: float, speed: float) -> np.ndarray:
    """A part shown slower, by pictures shown more than once, darker and with a shade of a sign in it."""
    times = start + np.arange(int(length / speed * RATE)) / RATE * speed
    made = pictures[np.floor(times * RATE + 1e-6).astype(int)].copy() * 0.85
    made[:, 2:6, 4:14] += 30
    return made


def test_a_replay_of_a_replay_is_traced_to_the_round() -> None:
    """With the rule that an origin lies in a round and in no replay; without it a test like this one fails."""
    live = moving(1, 20 * RATE)
    other = moving(7, 3 * RATE)
    film = np.concatenate([live, other, again(live, 8, 2, 0.5), other, again(live, 8, 2, 0.4), other])
    seen = seen_of(film)
    found = shots.find(seen.thumbs, RATE)
    rounds = [(0.0, 20.0)]
    first, second = replays.find(seen, found, rounds)
    assert first.start == pytest.approx(23, abs=0.1)
    assert second.start == pytest.approx(30, abs=0.1)
    for one, speed in ((first, 0.5), (second, 0.4)):
        assert one.sureness == "sure"
        assert one.origin == pytest.approx(8, abs=0.2)
        assert one.speed == pytest.approx(speed, abs=0.04)
    loose = replays.find(seen, found, rounds, origin_in_round=False)
    assert any(r.origin is None or abs(r.origin - 8) > 1 for r in loose), "the rule makes no difference"


def test_live_film_of_the_same_ring_is_no_replay() -> None:
    live = moving(3, 30 * RATE)
    film = np.concatenate([live[: 10 * RATE], moving(4, 5 * RATE), live[10 * RATE :]])
    seen = seen_of(film)
    found = replays.find(seen, shots.find(seen.thumbs, RATE), [(0.0, 35.0)])
    assert not [r for r in found if r.sureness != "perhaps"]


def test_wipes_that_look_alike_are_paired_round_a_replay() -> None:
    times = np.arange(6000) / RATE
    runs = [(500, 514), (600, 614), (2000, 2014), (2100, 2114)]
    thumbs = np.zeros((6000, 36, 64), np.uint8)
    sheet = np.random.default_rng(1).integers(0, 255, (14, 36, 64))
    for a, b in runs:
        thumbs[a:b] = sheet
    thumbs[3000:3014] = 99
    groups = wipes.alike(thumbs, [*runs, (3000, 3014)])
    assert groups == [runs]
    pairs = wipes.paired(runs, times, lambda a, b: 0.0)
    assert pairs == [(runs[0], runs[1]), (runs[2], runs[3])]
    # Live film with the clock on it lies between the second and the third.
    assert wipes.paired(runs[1:3], times, lambda a, b: 0.5) == []


def test_a_panel_in_place_of_the_clock_is_no_replay() -> None:
    """The picture has to change at both ends of the clock's absence."""
    times = np.arange(1000) / RATE
    there = np.ones(1000, bool)
    there[200:300] = there[600:700] = False
    changes = [(200, 200), (298, 302), (605, 605)]
    assert graphic.gone(there, times, [(2.0, 38.0)], changes) == [(200, 300)]
    assert graphic.gone(there, times, [(30.0, 38.0)], changes) == []


def test_the_graphic_is_told_from_what_is_behind_it() -> None:
    rng = np.random.default_rng(2)
    n = 1500
    times = np.arange(n) / RATE
    plates = rng.integers(0, 160, (n, 20, 56))
    drawn = rng.integers(0, 2, (10, 40)) * 200 + 40
    truth = np.ones(n, bool)
    truth[700:800] = False
    for f in np.flatnonzero(truth):
        plates[f, 5:15, 8:48] = drawn
        plates[f, 7:13, 36:46] = rng.integers(0, 255)  # the digits
    there = graphic.on_picture(plates.astype(np.uint8), times, [(1.0, 59.0)])
    assert there is not None
    assert (there == truth).mean() > 0.98


@pytest.mark.xdist_group("telecast")
@pytest.mark.skipif(not reading.available(), reason="the extra `watch` is not installed")
def test_the_telecast(small: Small) -> None:
    """Rounds, and every replay at one of the two higher words, one of them enlarged; nothing else."""
    found = watching.watch(small.found, small.looked.folder.parent, 12.0, 10.5)
    rounds = [p for p in found.proposals if p.kind == "round"]
    assert [(p.number, p.verdict, p.sureness) for p in rounds] == [(1, "both", "sure"), (2, "both", "sure")]
    for p, truth in zip(rounds, small.truth["rounds"], strict=True):
        assert p.from_us / 1e6 == pytest.approx(truth["bell"], abs=0.05)
        assert p.until_us / 1e6 == pytest.approx(truth["last_bell"], abs=0.05)
    again = [p for p in found.proposals if p.kind == "replay" and p.sureness != "perhaps"]
    assert len(again) == len(small.truth["replays"])
    for p, truth in zip(again, small.truth["replays"], strict=True):
        assert p.from_us / 1e6 == pytest.approx(truth["from"], abs=0.3)
        assert p.until_us / 1e6 == pytest.approx(truth["until"], abs=0.3)
        if truth["same"]:
            assert p.origin is not None
            gone = (p.from_us / 1e6 - truth["from"]) * truth["speed"]
            assert p.origin.at_us / 1e6 == pytest.approx(truth["origin"] + gone, abs=0.2)
        assert p.evidence
    assert {r["zoom"] for r in small.truth["replays"]} == {1.0, 1.08}
