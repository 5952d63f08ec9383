"""What the library hands on: a reel's timeline, captions, shot list and bundle."""

from __future__ import annotations

import os
import tempfile
import zipfile
from pathlib import Path

from cliplib.core.errors import InputError, NotFoundError
from cliplib.core.models import Where
from cliplib.core.progress import Progress, silent
from cliplib.library.desk import Desk
from cliplib.library.filmlock import showing
from cliplib.library.making.outside import noted_outside
from cliplib.library.making.reelmaker import ReelMaker
from cliplib.library.making.reels import MadeReel, Shown, Source
from cliplib.library.making.themes import Themes
from cliplib.media.files import replacing
from cliplib.reels import handover
from cliplib.reels.handover import Bundle
from cliplib.reels.parts import ReelSettings

ENDINGS = {
    "captions": "-captions.vtt",
    "chapters": "-chapters.vtt",
    "shots": "-shots.csv",
    "sheet": "-shots.pdf",
    "timeline": ".otio",
    "edl": ".edl",
    "bundle": ".zip",
}
"""How the file of each kind ends; a bundle is packed into one file for a download."""


class HandOver:
    """`library.making.handover`. Raises what `Making.reel` does for the same source."""

    def __init__(self, desk: Desk, maker: ReelMaker, themes: Themes):
        self._desk, self._maker, self._themes = desk, maker, themes
        self.kinds = tuple(ENDINGS)

    def write(
        self,
        kind: str,
        source: Source | MadeReel,
        out: Path,
        *,
        where: Where | None = None,
        settings: ReelSettings | None = None,
        progress: Progress = silent,
    ) -> None:
        """Write one of `HANDOVER_KINDS` for the reel that `Making.reel` would make of `source` and `where`,
        or for a kept one."""
        shown = self._shown(source, settings, where)
        parts = self._maker.parts(shown, progress)
        self._maker.check_out(out)
        handover.hand_over(kind, parts, shown.theme.settings, out)

    def bundle(
        self,
        source: Source | MadeReel,
        folder: Path,
        *,
        where: Where | None = None,
        settings: ReelSettings | None = None,
        progress: Progress = silent,
    ) -> Bundle:
        """A folder with the reel, its clips, all hand-over files and a manifest; see
        `handover.write_bundle`."""
        with showing(self._desk.folder), noted_outside(self._desk.folder, folder.absolute().parent):
            shown = self._shown(source, settings, where)
            parts = self._maker.parts(shown, progress)
            self._maker.check_out(folder / handover.MANIFEST if folder.is_dir() else folder)
            return handover.write_bundle(parts, shown.theme.settings, folder, self._desk.cache, progress)

    def of_reel(self, name: str, kind: str, progress: Progress = silent) -> Path:
        """One of `ENDINGS` for a kept reel as it would be if it were made now, in the library's cache.
        InputError if what the reel was made of is not known."""
        with showing(self._desk.folder):
            shown = self._shown(self._maker.made_reel(name), None)
            return self._kept(f"reel-{name}", kind, shown, progress)

    def of_theme(self, name: str, kind: str, progress: Progress = silent) -> Path:
        """The same for one of the library's own themes."""
        with showing(self._desk.folder):
            shown = self._shown(self._themes.read(name), None)
            return self._kept(f"theme-{name}", kind, shown, progress)

    def _shown(
        self, source: Source | MadeReel, settings: ReelSettings | None, where: Where | None = None
    ) -> Shown:
        """What a reel shows; a kept one as it was made, but with what is in the library now."""
        if not isinstance(source, MadeReel):
            return self._maker.shown(source, settings, where)
        made = source.ingredients()
        return self._maker.shown(
            made["source"], settings or made["settings"], made["where"], made["changes"], made["matching"]
        )

    def ready(self, of: str, name: str, kind: str) -> Path:
        """What `of_reel` (`of` is reel) or `of_theme` (theme) made last; NotFoundError if it is not there."""
        out = self._place(f"{of}-{name}", kind)
        # Written for somebody who sees private fights, perhaps.
        if self._desk.hiding.active or not out.is_file():
            raise NotFoundError("that is not there any more; have it written again")
        return out

    def _place(self, name: str, kind: str) -> Path:
        if kind not in ENDINGS:
            raise InputError(f"“{kind}” cannot be handed over; take one of {', '.join(ENDINGS)}")
        return self._desk.cache / "handover" / f"{name}{ENDINGS[kind]}"

    def _kept(self, name: str, kind: str, shown: Shown, progress: Progress) -> Path:
        out = self._place(name, kind)
        out.parent.mkdir(parents=True, exist_ok=True)
        parts = self._maker.parts(shown, progress)
        if kind != "bundle":
            handover.hand_over(kind, parts, shown.theme.settings, out)
            return out
        with tempfile.TemporaryDirectory(dir=out.parent, prefix=f".bundle-{os.getpid()}-") as folder:
            made = handover.write_bundle(
                parts, shown.theme.settings, Path(folder) / name, self._desk.cache, progress
            )
            with replacing(out) as temporary, zipfile.ZipFile(temporary, "w", zipfile.ZIP_STORED) as packed:
                for file in made.files:
                    packed.write(made.folder / file, f"{name}/{file}")
        return out
