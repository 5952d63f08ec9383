"""What is cut, decided without footage: spans, bells, frames, posters, names."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cliplib.core.models import Action, Corner, Exchange, FightInfo, Settings
from cliplib.core.timebase import Timeline
from cliplib.ingest.plan import ToCut, beyond, folder_name, plan_cuts, plan_span, poster_frame

S = 1_000_000
INFO = FightInfo("F", Corner("A"), Corner("B"), round_us=180 * S, round_starts_us=(10 * S, 250 * S))
PLAIN = Settings()


def at(start: float, end: float, round_no: int | None = 1, **more: object) -> Exchange:
    times = (int(start * S), int(end * S))
    return Exchange((Action("jab", "A", times[0]),), round_no, *times, **more)  # type: ignore[arg-type]


def steady(frames: int, rate: Fraction = Fraction(25)) -> Timeline:
    ticks = int(90_000 / rate)
    return Timeline(np.arange(frames, dtype=np.int64) * ticks, frames * ticks, Fraction(1, 90_000))


def span(exchange: Exchange, info: FightInfo = INFO, settings: Settings = PLAIN) -> tuple[float, ...] | None:
    found = plan_span(exchange, info, settings)
    return None if found is None else (found[0] / S, found[1] / S)


def test_lead_in_and_follow_through() -> None:
    assert span(at(100, 103)) == (99, 104.5)
    longer = Settings(lead_in_us=3 * S, follow_through_us=0)
    assert span(at(100, 103), settings=longer) == (97, 103)
    assert span(Exchange((Action("jab", "A"),))) is None


def test_the_bells_of_the_round_end_a_clip() -> None:
    assert span(at(10.3, 12)) == (10, 13.5)
    assert span(at(185, 189)) == (184, 190)
    assert span(at(250.2, 251, 2)) == (250, 252.5)
    # What was logged is shown, also when it happened on the wrong side of a bell.
    assert span(at(185, 191)) == (184, 191)
    assert span(at(9.8, 12)) == (9.8, 13.5)


def test_the_bells_do_not_matter_when_told_so_or_unknown() -> None:
    free = Settings(clamp_to_round=False)
    assert span(at(10.3, 189), settings=free) == (9.3, 190.5)
    assert span(at(0.4, 1), settings=free) == (0, 2.5)
    assert span(at(10.3, 189), replace(INFO, round_starts_us=())) == (9.3, 190.5)
    assert span(at(10.3, 189), replace(INFO, round_us=None)) == (10, 190.5)
    assert span(at(600, 601, 3)) == (599, 602.5)


def test_a_round_that_was_not_said_follows_from_the_time() -> None:
    assert span(at(10.3, 189.5, None)) == (10, 190)
    assert span(at(250.4, 252, None)) == (250, 253.5)
    assert span(at(5, 6, None)) == (4, 7.5)


def test_a_cue_stands_as_it_is() -> None:
    assert span(at(10.3, 12, exact_span=True)) == (10.3, 12)


def test_frames_are_those_shown_from_in_until_out() -> None:
    jobs = plan_cuts([ToCut(1, at(1, 2), 1 * S, 2 * S)], INFO, steady(100), "f")
    assert [(job.first, job.last) for job in jobs] == [(25, 50)]
    ntsc = plan_cuts([ToCut(1, at(1, 2), 1 * S, 2 * S)], INFO, steady(100, Fraction(30000, 1001)), "f")
    # 30 frames last 1.001 s: frame 29 is shown at 0.9676 s, frame 30 at 1.001 s, frame 59 at 1.9686 s.
    assert [(job.first, job.last) for job in ntsc] == [(30, 60)]


def test_the_footage_ends_a_clip() -> None:
    (job,) = plan_cuts([ToCut(1, at(3, 3.5), 2 * S, 9 * S)], INFO, steady(100), "f")
    assert (job.first, job.last, job.out_us) == (50, 100, 4 * S)
    assert plan_cuts([ToCut(1, at(5, 6), 4 * S, 9 * S)], INFO, steady(100), "f") == []


def test_a_span_between_two_frames_shows_the_one_on_screen() -> None:
    (job,) = plan_cuts([ToCut(1, at(1.01, 1.02), 1_010_000, 1_020_000)], INFO, steady(100), "f")
    assert (job.first, job.last, job.in_us, job.out_us) == (25, 26, 1_000_000, 1_040_000)


@given(
    start=st.integers(0, 4_200_000),
    length=st.integers(0, 2_000_000),
    steps=st.lists(st.integers(1, 9_000), min_size=1, max_size=200),
)
def test_any_cut_holds_just_the_frames_of_its_span(start: int, length: int, steps: list[int]) -> None:
    """Against the definition, frame by frame: the frames whose time t satisfies in <= t < out."""
    times = np.concatenate([[0], np.cumsum(steps[:-1])]).astype(np.int64)
    timeline = Timeline(times, int(times[-1]) + steps[-1], Fraction(1, 90_000))
    jobs = plan_cuts([ToCut(1, at(0, 1), start, start + length)], INFO, timeline, "f")
    inside = [
        i for i, t in enumerate(times) if start <= Fraction(int(t), 90_000) * S < min(start + length, 10**12)
    ]
    if inside:
        assert [(job.first, job.last) for job in jobs] == [(inside[0], inside[-1] + 1)]
    elif jobs:
        assert jobs[0].last == jobs[0].first + 1
    else:
        assert start >= timeline.duration_us
    for job in jobs:
        assert job.first <= job.poster < job.last


def test_before_and_after_the_film() -> None:
    """A film that begins after the bell, or ends before the last: what it doesn't show is described, not cut."""
    assert beyond(at(4.0, 5), steady(100))
    assert not beyond(at(3.9, 5), steady(100))
    assert not beyond(Exchange((Action("jab", "A"),)), steady(100))
    assert plan_span(Exchange((Action("jab", "A", -9 * S),), 1, -9 * S, -8 * S), INFO, Settings()) is None
    assert plan_span(Exchange((Action("jab", "A", -S),), 1, -S, S), INFO, Settings()) == (0, 2_500_000)


@pytest.mark.parametrize(
    ("outcomes", "chosen"),
    [
        (["missed", "missed", "missed"], 2),
        (["landed", "missed", "missed"], 0),
        (["landed", "landed", "blocked"], 1),
        (["knockdown", "landed", "landed"], 0),
        (["hurt", "knockdown", "landed"], 1),
        ([None, "partial", None], 1),
    ],
)
def test_the_poster_tells_most(outcomes: list[str | None], chosen: int) -> None:
    actions = tuple(Action("jab", "A", (1 + i) * S, outcome=outcome) for i, outcome in enumerate(outcomes))
    exchange = Exchange(actions, 1, S, 4 * S)
    assert poster_frame(exchange, steady(200), 0, 200) == 25 * (1 + chosen)
    assert poster_frame(exchange, steady(200), 90, 95) in range(90, 95)


def test_the_middle_of_an_action_that_has_an_end() -> None:
    exchange = Exchange((Action("clinch", "A", 1 * S, 3 * S),), 1, S, 3 * S)
    assert poster_frame(exchange, steady(200), 0, 200) == 50


def test_names_are_readable_and_never_shared() -> None:
    wanted = [ToCut(7, at(148.8, 150), 148 * S, 151 * S), ToCut(8, at(148.8, 150), 148 * S, 151 * S)]
    jobs = plan_cuts(wanted, INFO, steady(10_000), "f")
    # 148.8 s is 138.8 s into round 1: 41.2 s are left.
    assert jobs[0].name.startswith("r01-0m41.2-7-")
    assert len({job.name for job in jobs}) == 2
    other = plan_cuts(wanted[:1], INFO, steady(10_000), "g")
    assert other[0].name != jobs[0].name, "another film's clip is another file"
    unclocked = plan_cuts(
        [ToCut(7, at(125.5, 126, None), 125 * S, 126 * S)], replace(INFO, round_us=None), steady(10_000), "f"
    )
    assert unclocked[0].name.startswith("2m05.5-7-")


@pytest.mark.parametrize(
    ("title", "folder"),
    [
        ("Adeyemi v Brandt", "adeyemi-v-brandt-3"),
        ("Vâlcan’s “night”", "valcans-night-3"),
        ("../../etc", "etc-3"),
        ("קרב", "fight-3"),
        ("x" * 300, "x" * 60 + "-3"),
        ("CON", "con-3"),
    ],
)
def test_folder_names(title: str, folder: str) -> None:
    assert folder_name(title, 3) == folder
