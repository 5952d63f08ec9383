"""Reels: clips in order, made into one video.

`read_theme` says what is wanted, `select` which clips of a search and in which order, `part_for` how each is
shown, `build` makes the video.
"""

from cliplib.reels.build import build, digest_of
from cliplib.reels.captions import part_for
from cliplib.reels.parts import ReelPart, ReelReport, ReelSettings
from cliplib.reels.select import select
from cliplib.reels.theme import Theme
from cliplib.reels.theme_reading import read_theme, theme_from

__all__ = [
    "ReelPart",
    "ReelReport",
    "ReelSettings",
    "Theme",
    "build",
    "digest_of",
    "part_for",
    "read_theme",
    "select",
    "theme_from",
]
