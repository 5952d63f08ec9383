"""A reel in Chromium: the right frame first, on both sides of every join, and at the end."""

from __future__ import annotations

import dataclasses
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from cliplib.reels.build import build
from tests.media import footage
from tests.media.test_cut_browser import clips, page, pytestmark
from tests.reels.reel_parts import SMALL, part, planned_numbers

__all__ = ["clips", "page", "pytestmark"]


@pytest.mark.parametrize("rate", [Fraction(25), footage.NTSC])
def test_chromium_shows_every_join_to_the_frame(
    page: Any,
    clips: tuple[Path, str],
    tmp_path: Path,
    rate: Fraction,
) -> None:
    folder, address = clips
    kinds = ["closed gop", "ntsc", "hevc", "interlaced", "open gop", "variable rate", "closed gop"]
    parts = [part(kind, 31 + n, 52 + 3 * n) for n, kind in enumerate(kinds)]
    chosen = dataclasses.replace(SMALL, rate=rate)
    report = build(parts, folder / f"reel-{rate.denominator}.mp4", chosen, tmp_path)
    planned = planned_numbers(parts, kinds, chosen)
    frames = sorted({f for row in report.parts for f in (row.start, row.start + row.frames - 1)})
    halves = [float((Fraction(frame) + Fraction(1, 2)) / rate) for frame in frames]
    seen = page.evaluate("([source, times]) => look(source, times)", [address + report.out.name, halves])
    assert seen["first"] == planned[0]
    assert seen["seeks"] == [planned[frame] for frame in frames]
    assert seen["last"] == planned[-1]
    assert seen["duration"] == pytest.approx(float(report.frames / rate), abs=0.025)
