"""What is found on a drawn telecast of 40 seconds, against the truth that was drawn.

The truth is the drawing program's own; it knows nothing of how the film is looked at.
"""

from __future__ import annotations

import numpy as np
import pytest

from cliplib.core.errors import Cancelled
from cliplib.watching import bells, finding, reading, shots
from cliplib.watching.seen import Pass
from tests.watching.conftest import Small

pytestmark = pytest.mark.xdist_group("telecast")
needs_reader = pytest.mark.skipif(not reading.available(), reason="the extra `watch` is not installed")


def test_the_pass_has_every_frame_at_its_time(small: Small) -> None:
    seen = small.seen
    assert len(seen.times) == small.truth["frames"] == len(seen.thumbs) == len(seen.motion)
    assert seen.rate == pytest.approx(25, abs=0.01)
    assert seen.keys[0]
    assert (seen.sizes > 0).all()
    assert seen.sizes[seen.keys].mean() > 3 * seen.sizes[~seen.keys].mean()


def test_a_pass_that_was_stopped_goes_on_and_ends_the_same(small: Small, tmp_path) -> None:
    looked = Pass(small.found, tmp_path)

    def stop(stage: str, done: int, total: int) -> None:
        if stage == "looking" and done > 300:
            raise Cancelled("enough")

    with pytest.raises(Cancelled):
        looked.frames(small.place, finding.every_s(12.0), stop)
    done = looked.kept("state")["done"]
    assert 0 < done < small.truth["frames"]
    with open(looked.folder / "thumbs.raw", "ab") as file:
        file.write(b"half of what a killed pass was writing")
    counted = []
    seen = looked.frames(small.place, finding.every_s(12.0), lambda stage, now, total: counted.append(now))
    assert min(n for n in counted if n) > done
    for name in ("thumbs", "motion", "sizes", "keys", "plates", "lines", "of"):
        assert np.array_equal(getattr(seen, name), getattr(small.seen, name)), name


def test_bells_are_found_within_50_ms_and_no_others(small: Small) -> None:
    truth = [t for r in small.truth["rounds"] for t in (r["bell"], r["last_bell"])]
    claimed = [b for b in bells.bells(small.sound, 12.0, 10.5) if b.claimed]
    assert len(claimed) == 1
    assert claimed[0].times == pytest.approx(truth, abs=0.05)


def test_cuts_are_found_to_a_frame(small: Small) -> None:
    found = shots.find(np.asarray(small.seen.thumbs), small.seen.rate)
    assert len(found.cuts) == len(small.truth["cuts"])
    assert np.abs(np.array(found.cuts) - small.truth["cuts"]).max() <= 1
    for change in small.truth["gradual"]:
        frames = change["from"] * 25, change["until"] * 25
        assert any(a <= frames[1] and b >= frames[0] for a, b in found.gradual), change


@needs_reader
def test_the_clock_is_found_and_its_zero_is_to_the_frame(small: Small) -> None:
    assert small.place is not None
    readings = finding.readings(small.looked, small.seen)
    found = finding.clock_rounds(small.seen, small.place, readings, 12.0, 10.5)
    assert len(found) == len(small.truth["rounds"])
    for one, truth in zip(found, small.truth["rounds"], strict=True):
        assert one.exact
        assert abs(one.end - truth["end"]) < 1 / 25
        assert abs(one.start - truth["zero"]) < 1 / 25
