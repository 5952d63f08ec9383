"""`library.making`: reels, single clips and stills to hand out; `themes`, `handover`, `drawings`."""

from __future__ import annotations

from pathlib import Path

from cliplib.core.progress import Progress, silent
from cliplib.library.desk import Desk
from cliplib.library.finding.finding import Finding
from cliplib.library.making import media
from cliplib.library.making.drawings import Drawings
from cliplib.library.making.filmlock import showing
from cliplib.library.making.handover import HandOver
from cliplib.library.making.outside import noted_outside
from cliplib.library.making.reelmaker import ReelMaker
from cliplib.library.making.themes import Themes
from cliplib.library.themefiles import ThemeFiles
from cliplib.media.cut import CutResult


class Making(ReelMaker):
    """See the top of this file."""

    def __init__(self, desk: Desk, finding: Finding, themes: ThemeFiles):
        super().__init__(desk, finding, Drawings(desk))
        self.themes = Themes(desk, finding, self, themes)
        self.handover = HandOver(desk, self, self.themes)

    def export_clip(self, clip_id: int, out: Path, *, progress: Progress = silent) -> CutResult:
        """Write a clip as a file that is exact in any player and hides nothing, to hand to somebody.

        Raises InputError for a clip without footage, FootageError when the footage is not where it was.
        """
        clip = self._desk.clip(clip_id)
        self.check_out(out)
        source = self._desk.prepared(clip.fight_id, clip.fight, progress)
        with noted_outside(self._desk.folder, out.absolute().parent):
            return media.export_clip(clip, source, out, progress)

    def portable(self, clip_id: int, progress: Progress = silent) -> Path:
        """The same as a file kept in the library's cache, made once."""
        with showing(self._desk.folder):
            clip = self._desk.clip(clip_id)
            source = self._desk.prepared(clip.fight_id, clip.fight, progress)
            return media.kept_copy(clip, source, self._desk.cache, progress)

    def still(self, fight_id: int, frame: int) -> Path:
        """One frame of a fight's footage as a JPEG; InputError if there is no such frame."""
        with showing(self._desk.folder):
            source = self._desk.prepared(fight_id, self._desk.fight(fight_id).title, silent)
            return media.still(source, frame, self._desk.cache)
