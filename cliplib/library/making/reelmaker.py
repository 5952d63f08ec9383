"""Reels: of a phrase, of clips by number, of a theme; and those that are kept in the library."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from cliplib.core.errors import InputError, NotFoundError
from cliplib.core.models import ClipRow, Where
from cliplib.core.progress import Progress, silent
from cliplib.library.desk import Desk
from cliplib.library.filmlock import showing
from cliplib.library.finding.finding import Finding
from cliplib.library.making import reels, targets
from cliplib.library.making.drawings import Drawings
from cliplib.library.making.outside import noted_outside
from cliplib.library.making.reels import MadeReel, Shown, Source
from cliplib.media.working import Prepared
from cliplib.reels.build import build
from cliplib.reels.captions import part_for
from cliplib.reels.parts import Beside, ReelPart, ReelReport, ReelSettings
from cliplib.reels.theme import ClipChange, Theme


class ReelMaker:
    """What it shows is asked of `finding`, what is drawn on it of `drawings`."""

    def __init__(self, desk: Desk, finding: Finding, drawings: Drawings):
        self._desk, self._finding = desk, finding
        self.drawings = drawings

    def reel(
        self,
        source: Source,
        out: Path,
        *,
        where: Where | None = None,
        changes: Sequence[ClipChange] = (),
        matching: str = "",
        settings: ReelSettings | None = None,
        progress: Progress = silent,
        only_if_changed: bool = False,
    ) -> ReelReport:
        """Make one video of a phrase's clips, of clips by number, or of a theme.

        `where` narrows a phrase; `changes` are made to single clips; `matching`: what clips by number were
        picked from, so that captions tell what it matched. Raises InputError when there is nothing to show,
        FootageError when footage is not where it was.
        """
        with showing(self._desk.folder), noted_outside(self._desk.folder, out.absolute().parent):
            shown = self.shown(source, settings, where, changes, matching)
            self.check_out(out)
            return self.build(shown, shown.theme.settings, out, progress, only_if_changed=only_if_changed)

    # --- kept reels ---------------------------------------------------------------------------------------

    def make_reel(
        self,
        source: Source,
        *,
        title: str = "",
        where: Where | None = None,
        changes: Sequence[ClipChange] = (),
        matching: str = "",
        settings: ReelSettings | None = None,
        progress: Progress = silent,
        again: str | None = None,
    ) -> str:
        """The same, kept in the library: its name, for `made_reel`. `again`: take that reel's place."""
        with showing(self._desk.folder):
            shown = self.shown(source, settings, where, changes, matching)
            title = title or shown.theme.settings.title or "Reel"
            settings = replace(shown.theme.settings, title=title)
            told = None if isinstance(source, Theme) else (source, where, changes, matching, settings)
            return reels.keep_reel(
                self._desk.reels,
                title,
                shown.said,
                lambda out: self.build(shown, settings, out, progress),
                recipe=reels.recipe_json(*told) if told else None,
                again=again,
                shows=shown.shows,
            )

    def remake_reel(self, name: str, progress: Progress = silent) -> str:
        """Make a kept reel again from what it was made of, with what is in the library now; its name."""
        return self.make_reel(**self.made_reel(name).ingredients(), progress=progress, again=name)

    def reels(self) -> list[MadeReel]:
        """The reels kept in the library, newest first."""
        return [reel for reel in reels.made_reels(self._desk.reels) if self._may_show(reel)]

    def made_reel(self, name: str) -> MadeReel:
        """One of them; NotFoundError if there is none of that name."""
        reel = reels.made_reel(self._desk.reels, name)
        if not self._may_show(reel):
            raise NotFoundError(f"there is no reel called “{name}” in this library")
        return reel

    def remove_reel(self, name: str) -> None:
        """Throw a kept reel away; its clips stay."""
        reels.remove(self.made_reel(name))

    def _may_show(self, reel: MadeReel) -> bool:
        """Not a reel with clips or names that are hidden, or that does not say what it shows."""
        hiding = self._desk.hiding
        return hiding.all_seen(reel.shows) and not hiding.told_in(f"{reel.title} {reel.said} {reel.recipe}")

    # --- what other films are made with -------------------------------------------------------------------

    def shown(
        self,
        source: Source,
        settings: ReelSettings | None = None,
        where: Where | None = None,
        changes: Sequence[ClipChange] = (),
        matching: str = "",
    ) -> Shown:
        """The clips that `reel` would show. InputError when there are none."""
        if isinstance(source, str | Theme):
            theme = reels.theme_of(source, settings, changes)
            found = self._finding.find(
                theme.phrase,
                where=where,
                order="fit",
                limit=1_000_000,
                strict=theme.strict,
                noted=not isinstance(source, Theme),  # nobody typed a theme's phrase just now
            )
            return reels.chosen(found, theme)
        picked = self._finding.clips(source)
        missing = sorted(set(source) - {clip.id for clip in picked})
        if missing:
            raise NotFoundError(f"there is no clip {', '.join(map(str, missing))} in this library")
        if not picked:
            raise InputError("a reel needs at least one clip")
        if matching:
            picked = self._finding.matched(picked, matching)
        return Shown(reels.theme_of(None, settings, changes), tuple(picked), "")

    def parts(self, shown: Shown, progress: Progress) -> list[ReelPart]:
        """The parts of a reel: each clip with its footage, treatment and what is drawn on it."""
        prepared: dict[int, Prepared] = {}

        def part(clip: ClipRow) -> ReelPart:
            if clip.fight_id not in prepared:
                prepared[clip.fight_id] = self._desk.prepared(clip.fight_id, clip.fight, progress)
            drawn = self.drawings.shown_on(clip)
            return part_for(clip, prepared[clip.fight_id], shown.theme, drawn)

        found = []
        for clip in shown.clips:
            change = shown.theme.change_of(clip.id)
            one = part(clip)
            if change.beside is not None:
                second = self._desk.clip(change.beside)
                if shown.theme.phrase:
                    (second,) = self._finding.matched([second], shown.theme.phrase)
                one = replace(one, beside=Beside(part(second), change.offset))
            found.append(one)
        return found

    def build(
        self,
        shown: Shown,
        settings: ReelSettings,
        out: Path,
        progress: Progress,
        *,
        only_if_changed: bool = False,
    ) -> ReelReport:
        """Write the video of what is shown. Hold `filmlock.showing` from before you ask what there is."""
        parts = self.parts(shown, progress)
        return build(parts, out, settings, self._desk.cache, progress, only_if_changed=only_if_changed)

    # --- where it may go ----------------------------------------------------------------------------------

    def check_out(self, out: Path) -> None:
        """Raise InputError for an output that would land on what a library is made of, or nowhere."""
        targets.check_out(out, self._desk.folder, self._desk.catalogue.fights())

    def check_reel(self, out: Path, *, over: bool = False) -> None:
        """The same for a reel; `over`: it may take the place of a file that is no reel of ours."""
        self.check_out(out)
        targets.check_film(out, over=over)
