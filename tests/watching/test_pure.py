"""What needs no film: fits, chains and shots over arrays made here."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cliplib.watching import bells, clock, rounds, shots
from cliplib.watching.clock import ClockRound, Reading

# Private parts: the arithmetic alone is tried, without film.


def down(zero: float, first: float, last: float, step: float = 1.0) -> list[Reading]:
    """What a clock that rounds up shows, once a second."""
    return [Reading(t, float(np.ceil(zero - t))) for t in np.arange(first, last, step)]


# --- clock ------------------------------------------------------------------------------------------------


@settings(max_examples=30)
@given(st.floats(100, 200), st.integers(0, 2**32 - 1))
def test_a_clock_is_fitted_though_some_readings_are_wrong(zero: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    readings = down(zero, zero - 60, zero - 1)
    for k in rng.choice(len(readings), 8, replace=False):
        readings[k] = Reading(readings[k].time, float(rng.integers(0, 180)))
    best = max(clock.fit(readings, 180), key=lambda s: len(s.readings))
    assert not best.up
    assert abs(best.anchor - zero) <= 0.51
    assert best.low - 1e-6 <= zero <= best.high + 1e-6


def test_a_clock_that_counts_up_is_told_from_one_that_counts_down() -> None:
    readings = [Reading(t, float(np.floor(t - 12.3))) for t in np.arange(13, 60)]
    (only,) = clock.fit(readings, 180)
    assert only.up
    assert only.anchor == pytest.approx(12.3, abs=0.62)


def test_a_time_stop_joins_two_stretches_into_one_round() -> None:
    readings = down(190.4, 11, 80) + [Reading(t, 111.0) for t in range(80, 88)] + down(198.4, 88, 198)
    (only,) = clock.rounds(clock.fit(readings, 180), 180, 60)
    assert only.start == pytest.approx(10.4, abs=0.62)
    assert only.end == pytest.approx(198.4, abs=0.62)
    ((at, length),) = only.stops
    assert at == pytest.approx(80, abs=1.3)
    assert length == pytest.approx(8, abs=0.7)


def test_a_rest_clock_is_no_round() -> None:
    readings = down(190.4, 11, 190) + down(250.4, 191, 250) + down(430.4, 251, 430)
    found = clock.rounds(clock.fit(readings, 180), 180, 60)
    assert [round(r.start) for r in found] == [10, 250]


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("2:47", 167.0),
        ("R2 0:09", 9.0),
        ("1.05", 65.0),
        ("9.3", 9.3),
        ("0:61", None),
        ("ROUND 3", None),
        ("12", None),
    ],
)
def test_times_are_read(text: str, seconds: float | None) -> None:
    read = clock.parse(text, 0.9)
    assert (read[0] if read else None) == seconds


def test_a_poor_reading_is_none() -> None:
    assert clock.parse("2:47", 0.7) is None


def test_noise_does_not_change_at_a_frame() -> None:
    rng = np.random.default_rng(1)
    for _ in range(20):
        assert clock._gains(rng.normal(100, 20, (38, 200))).max() < 0.25


def test_a_digit_changes_at_its_frame() -> None:
    """To the frame, and off by less than half a one where the phase of the seconds drifts against it."""
    times = np.arange(0, 40, 1 / 25)
    rng, zero = np.random.default_rng(2), 35.131
    pictures = rng.normal(0, 2, (100, 9, 24)) * 12 + 100
    shown = np.ceil(zero - times).astype(int)
    digits = (
        (pictures[np.clip(shown, 0, 99)] + rng.normal(0, 6, (len(times), 9, 24)))
        .clip(0, 255)
        .astype(np.uint8)
    )
    (stretch,) = clock.fit([Reading(t, float(np.ceil(zero - t))) for t in np.arange(2, 34)], 60)
    sharp = clock.sharpen(stretch, times, digits)
    assert sharp.exact
    assert abs(sharp.anchor - zero) < 1 / 25


# --- bells ------------------------------------------------------------------------------------------------


def test_bells_make_rounds_by_their_spacing() -> None:
    times = [10.0, 190.3, 250.1, 429.9, 320.0]  # the last is somebody else's
    assert bells.chained(times, 180, 60) == [(10.0, 190.3), (250.1, 429.9)]


def test_a_bell_that_was_missed_leaves_a_gap() -> None:
    assert bells.chained([10.0, 190.0, 250.2], 180, 60) == [(10.0, 190.0), (250.2, None)]


def test_silence_and_noise_hold_no_bell() -> None:
    rng = np.random.default_rng(3)
    assert bells.bells(np.zeros(12_000 * 60, np.int16), 20, 10) == []
    noise = (rng.normal(0, 4000, 12_000 * 60)).astype(np.int16)
    assert not any(one.claimed for one in bells.bells(noise, 20, 10))
    assert bells.bells(np.zeros(0, np.int16), 180, 60) == []


def _bell(times: tuple[float, ...], fitting: int = 4) -> bells.Bell:
    return bells.Bell(times, fitting, np.zeros(290, np.float32))


def _clocked(start: float, end: float, exact: bool = True) -> ClockRound:
    return ClockRound(start, end, (), exact, False, ())


# --- both -------------------------------------------------------------------------------------------------


def test_what_two_witnesses_say() -> None:
    clocked = [_clocked(10.2, 190.2), _clocked(250.3, 430.3)]
    cases = {
        (10.0, 190.0, 250.0, 430.0): ["both", "both"],
        (10.0, 190.0, 250.0): ["both", "bell+clock"],
        (): ["clock only", "clock only"],
        (10.0, 192.5, 250.0, 430.0): ["disagree", "both"],
    }
    for times, verdicts in cases.items():
        found = rounds.together([_bell(times)] if times else [], clocked, 180, 60)
        assert [r.verdict for r in found.rounds] == verdicts, times
        assert [r.number for r in found.rounds] == [1, 2]


def test_the_bell_times_a_round_and_the_offset_is_shown() -> None:
    (first, _) = rounds.together(
        [_bell((10.0, 190.0, 250.0, 430.0))], [_clocked(10.2, 190.2), _clocked(250.3, 430.3)], 180, 60
    ).rounds
    assert (first.start, first.end) == (10.0, 190.0)
    assert first.offsets == (pytest.approx(0.2), pytest.approx(0.2))
    assert "agree to 0.20 s" in " ".join(first.evidence)


def test_nothing_is_chosen_where_they_disagree() -> None:
    found = rounds.together([_bell((10.0, 192.5))], [_clocked(10.2, 190.2)], 180, 60).rounds[0]
    assert found.verdict == "disagree"
    assert found.sureness == "perhaps"
    assert found.bell == (10.0, 192.5)
    assert found.clock == (10.2, 190.2)


def test_a_graphic_that_rounds_down_is_moved_by_a_second() -> None:
    clocked = [_clocked(9.2, 189.2), _clocked(249.3, 429.3)]
    found = rounds.together([_bell((10.0, 190.0, 250.0, 430.0))], clocked, 180, 60)
    assert [r.clock for r in found.rounds] == [(10.2, 190.2), (250.3, 430.3)]
    assert "rounds" in " ".join(found.notes) or "round down" in " ".join(found.notes)


def test_two_bells_without_a_clock_are_asked_about() -> None:
    found = rounds.together(
        [_bell((10.0, 190.0, 250.0, 430.0)), _bell((50.0, 230.0, 290.0, 470.0))], [], 180, 60
    )
    assert found.rounds == ()
    assert "mark" in found.notes[0]


def test_a_ringing_near_a_few_ends_is_no_bell() -> None:
    clocked = [_clocked(10, 190), _clocked(250, 430), _clocked(490, 670)]
    found = rounds.together([_bell((11.2, 251.9), fitting=2)], clocked, 180, 60)
    assert [r.verdict for r in found.rounds] == ["clock only"] * 3


def test_a_round_that_was_not_found_leaves_its_number_out() -> None:
    found = rounds.together([], [_clocked(10, 190), _clocked(490, 670)], 180, 60)
    assert [r.number for r in found.rounds] == [1, 3]


# --- shots ------------------------------------------------------------------------------------------------


def _scene(rng: np.random.Generator, frames: int) -> np.ndarray:
    """A soft picture that goes slowly sideways."""
    y, x = np.mgrid[0:36, 0:64]
    made = np.full((frames, 36, 64), 128.0)
    for _ in range(8):
        along, down, turn = rng.uniform(-0.4, 0.4), rng.uniform(-0.5, 0.5), rng.uniform(0, 6.3)
        steps = np.arange(frames)[:, None, None] * 0.05
        made += 22 * np.sin(along * (x + steps) + down * y + turn)
    return made.clip(0, 255)


def test_cuts_are_found_and_flashes_are_none() -> None:
    rng = np.random.default_rng(4)
    film = np.concatenate([_scene(rng, 80), _scene(rng, 120), _scene(rng, 60)])
    for at in (30, 130, 131):
        film[at] = film[at] * 0.3 + 178
    thumbs = film.astype(np.uint8)
    assert shots.find(thumbs, 25).cuts == (80, 200)
    without = shots.find(thumbs, 25, flashes=False).cuts
    assert set(without) - {80, 200}, "without the flash rule a flash is taken for a cut"


def test_a_dissolve_is_no_cut() -> None:
    rng = np.random.default_rng(5)
    one, two = _scene(rng, 100), _scene(rng, 100)
    share = np.clip((np.arange(100) - 44) / 12, 0, 1)[:, None, None]
    found = shots.find((one * (1 - share) + two * share).astype(np.uint8), 25)
    assert found.cuts == ()
    ((first, last),) = found.gradual
    assert first < 50 < last


def test_a_film_of_one_still_picture_has_one_shot() -> None:
    found = shots.find(np.full((200, 36, 64), 90, np.uint8), 25)
    assert (found.cuts, found.gradual, found.bounds) == ((), (), ((0, 200),))
