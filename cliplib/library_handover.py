"""What the library hands on: a reel's timeline, captions, shot list and bundle, and the reels of themes."""

from __future__ import annotations

from pathlib import Path

from cliplib.library import Library
from cliplib.library_reels import Source
from cliplib.media.working import Prepared
from cliplib.progress import Progress, silent
from cliplib.reels import handover, rebuild
from cliplib.reels.captions import part_for
from cliplib.reels.handover import KINDS as KINDS
from cliplib.reels.handover import Bundle
from cliplib.reels.parts import ReelPart, ReelSettings
from cliplib.reels.rebuild import Rebuilt
from cliplib.reels.rebuild import failed as failed

THEMES = "themes"
"""The folder of a library's own themes."""


def hand_over(
    library: Library,
    kind: str,
    source: Source,
    out: Path,
    *,
    settings: ReelSettings | None = None,
    progress: Progress = silent,
) -> None:
    """Write one of `KINDS` for the reel that `Library.reel` would make of `source`. Raises what that does."""
    parts, chosen = _parts(library, source, settings, progress)
    library.check_out(out)
    handover.hand_over(kind, parts, chosen, out)


def bundle(
    library: Library,
    source: Source,
    folder: Path,
    *,
    settings: ReelSettings | None = None,
    progress: Progress = silent,
) -> Bundle:
    """A folder with the reel, its clips, all hand-over files and a manifest; see `handover.write_bundle`."""
    parts, chosen = _parts(library, source, settings, progress)
    library.check_out(folder / handover.MANIFEST if folder.is_dir() else folder)
    return handover.write_bundle(parts, chosen, folder, library.folder / "cache", progress)


def build_themes(
    library: Library, themes: Path | None = None, out: Path | None = None, progress: Progress = silent
) -> tuple[Rebuilt, ...]:
    """Make the reel of each theme file in `themes` (else the library's own) whose result has changed.

    They go into `out`, else beside the themes; those of the library's own themes into its `reels`.
    """
    return rebuild.rebuild(
        themes or library.folder / THEMES,
        out or themes or library.folder / "reels",
        lambda theme, reel: library.reel(theme, reel, only_if_changed=True, progress=progress),
    )


def _parts(
    library: Library, source: Source, settings: ReelSettings | None, progress: Progress
) -> tuple[list[ReelPart], ReelSettings]:
    shown = library._shown(source, settings, None, (), "")
    prepared: dict[int, Prepared] = {}
    parts = []
    for clip in shown.clips:
        if clip.fight_id not in prepared:
            prepared[clip.fight_id] = library._prepared(clip.fight_id, clip.fight, progress)
        parts.append(part_for(clip, prepared[clip.fight_id], shown.theme))
    return parts, shown.theme.settings
