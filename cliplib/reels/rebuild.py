"""Themed reels that follow the library: each theme of a folder, made again when its result has changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from cliplib.core.errors import ClipLibError, InputError, NotFoundError
from cliplib.reels.parts import ReelReport
from cliplib.reels.theme import Theme
from cliplib.reels.theme_reading import read_theme

NAME = "*.toml"


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """What became of one theme. `report` None: it failed, and `problem` says why; its reel is as it was."""

    theme: Path
    reel: Path
    report: ReelReport | None
    problem: str = ""

    def said(self) -> str:
        """One line for a person."""
        name = self.theme.stem
        if self.report is None:
            return f"{name}: {self.problem}"
        count = sum(part.clip is not None for part in self.report.parts)
        size = f"{count} clip{'s' * (count != 1)}"
        if not self.report.changed:
            return f"{name}: unchanged ({size})"
        return f"{name}: {size}; {'; '.join(self.report.changes)}"


def rebuild(folder: Path, out: Path, make: Callable[[Theme, Path], ReelReport]) -> tuple[Rebuilt, ...]:
    """Make the reel of every theme file in `folder`, named after it, in `out`.

    `make` builds one reel and leaves a file alone that is that very reel (`build(only_if_changed=True)`). A
    theme with something wrong is reported and the others are made all the same; other failures, such as a
    full disk or a cancelled run, stop the work. Raises NotFoundError when there is no theme.
    """
    themes = sorted(folder.glob(NAME))
    if not themes:
        raise NotFoundError(f"there is no theme in {folder}; put theme files there, named {NAME}")
    out.mkdir(parents=True, exist_ok=True)
    made = []
    for path in themes:
        reel = out / f"{path.stem}.mp4"
        try:
            made.append(Rebuilt(path, reel, make(read_theme(path), reel)))
        except InputError as problem:
            made.append(Rebuilt(path, reel, None, str(problem)))
    return tuple(made)


def rebuild_problem(made: tuple[Rebuilt, ...]) -> ClipLibError | None:
    """The error to end with when a theme could not be made."""
    bad = [one for one in made if one.report is None]
    return InputError("\n".join(one.said() for one in bad)) if bad else None
