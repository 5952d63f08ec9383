"""`library.making`: reels, single clips and stills to hand out; `themes`, `handover`, `drawings`,
`breakdowns`."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from cliplib.core.errors import InputError
from cliplib.core.progress import Progress, silent
from cliplib.library.desk import Desk
from cliplib.library.evidence.evidence import Evidence
from cliplib.library.filmlock import showing
from cliplib.library.finding.finding import Finding
from cliplib.library.making import media
from cliplib.library.making.breakdowns import Breakdowns
from cliplib.library.making.drawings import Drawings
from cliplib.library.making.handover import HandOver
from cliplib.library.making.outside import noted_outside
from cliplib.library.making.reelmaker import ReelMaker
from cliplib.library.making.themes import Themes
from cliplib.library.themefiles import ThemeFiles
from cliplib.media.cut import CutResult
from cliplib.reels.build import build
from cliplib.reels.parts import Beside, ReelReport, ReelSettings, Slow


class Making(ReelMaker):
    """See the top of this file."""

    def __init__(self, desk: Desk, finding: Finding, evidence: Evidence, themes: ThemeFiles):
        super().__init__(desk, finding, Drawings(desk))
        self.themes = Themes(desk, finding, self, themes)
        self.handover = HandOver(desk, self, self.themes)
        self.breakdowns = Breakdowns(desk, finding, evidence, self)

    def beside(
        self,
        first: int,
        second: int,
        out: Path,
        *,
        matching: str = "",
        offset: int = 0,
        mirror: str = "",
        slow: float | None = None,
        settings: ReelSettings | None = None,
        progress: Progress = silent,
    ) -> ReelReport:
        """Make one video of two clips at once, in step at their last actions, or at the last of what
        `matching` matches in them. `offset`: by how many frames the second is shown later; `mirror`: both,
        first or second; `slow`: shown again at that share of the speed. Errors as for `reel`."""
        if first == second:
            raise InputError("choose two clips; one beside itself shows nothing new")
        with showing(self._desk.folder):
            shown = self.shown([first, second], settings, None, (), matching)
            self.check_out(out)
            one, other = self.parts(shown, progress)
            turned = [mirror in ("both", which) for which in ("first", "second")]
            replay = Slow(Fraction(str(slow)).limit_denominator(100)) if slow else None
            other = replace(other, treatment=replace(other.treatment, mirror=turned[1]))
            treatment = replace(one.treatment, mirror=turned[0], slow=replay)
            pair = replace(one, treatment=treatment, beside=Beside(other, offset))
            title = f"{one.title} beside {other.title}" if one.title != other.title else one.title
            return build([replace(pair, title=title)], out, shown.theme.settings, self._desk.cache, progress)

    def export_clip(
        self, clip_id: int, out: Path, *, drawings: bool = False, progress: Progress = silent
    ) -> CutResult:
        """Write a clip as a file that is exact in any player and hides nothing, to hand to somebody.

        `drawings`: with what is drawn on it burnt in; the picture is then encoded anew, at a steady rate.
        Raises InputError for a clip without footage, FootageError when the footage is not where it was.
        """
        clip = self._desk.clip(clip_id)
        if drawings:
            if not self.drawings.shown_on(clip):
                raise InputError(f"nothing is drawn on clip {clip_id}; leave its drawings out, or draw first")
            settings = ReelSettings(preset="archive", captions=False, cards=False)
            self.reel([clip_id], out, settings=settings, progress=progress)
            return CutResult("re-encode", "with what is drawn on it")
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
