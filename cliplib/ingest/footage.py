"""Where a fight's footage is, and what it is: probed once, found again wherever it has moved."""

from __future__ import annotations

import os
import stat
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from cliplib.catalogue.rows import FootageRow
from cliplib.core.errors import FaultError, FootageError
from cliplib.core.models import FootageInfo
from cliplib.core.timebase import Timeline
from cliplib.core.version import __version__
from cliplib.fightfolder.reading import NAME, FightFolder, may_read
from cliplib.logs.source import nearest
from cliplib.media.apart import asking
from cliplib.media.probe import fingerprint, probe


@dataclass(frozen=True, slots=True)
class Located:
    """The footage of a fight.

    `info` and `timeline` are None while no footage was ever seen. `path` is None if it cannot be cut from
    now: it is not there, or `error` says what is wrong with it, or with us. `same`: the catalogue's row
    still holds as it stands.
    """

    path: Path | None = None
    mtime_ns: int = 0
    info: FootageInfo | None = None
    timeline: Timeline | None = None
    same: bool = True
    error: FootageError | FaultError | None = None


def missing(folder: FightFolder) -> str:
    """Why there is no footage to cut from though nothing is wrong with it, and what to do."""
    if folder.footage is None:
        return "its fight.toml names no footage; write [footage] and under it file = …, then ingest again"
    logs = {path.name for path in folder.log_files}
    names = [path.name for path in folder.folder.iterdir() if path.is_file()]
    others = [name for name in names if name not in logs and name != NAME and not name.startswith(".")]
    near = nearest(folder.footage.name, others)
    return (
        f"there is no {folder.footage}{f' (did you mean “{near}”?)' if near else ''}; put the footage there, "
        "or correct file under [footage] in fight.toml, then ingest again"
    )


@dataclass(slots=True)
class FootageFinder:
    """Looks for footage in `roots` (the library's footage_roots and folders given on the command line),
    besides each fight's own folder. Folders are listed once, when first needed."""

    roots: Sequence[Path]
    _by_name: dict[Path, dict[str, list[Path]]] = field(default_factory=dict)

    def locate(self, folder: FightFolder, stored: FootageRow | None) -> Located:
        """The footage a fight folder names, or that of `stored` wherever it is now. Raises nothing but
        StorageError: what is wrong with the footage comes back in `error`, since a log is of use without."""
        refused = FootageError(folder.footage_refused) if folder.footage_refused else None
        if folder.footage is not None and folder.footage.exists():
            return self._look(folder.footage, stored)
        if stored is not None:
            if stored.path.exists() and refused is None:
                found = self._look(stored.path, stored)
                if found.error is None and found.info and found.info.fingerprint == stored.info.fingerprint:
                    return found
            moved = self._find_again(folder, stored)
            if moved is not None:
                mtime_ns = moved.stat().st_mtime_ns
                return Located(moved, mtime_ns, stored.info, stored.timeline, same=False)
            return Located(info=stored.info, timeline=stored.timeline, error=refused)
        if folder.info.footage_file is not None and refused is None:
            name = Path(folder.info.footage_file).name
            for path in self._named(folder.folder, name):
                return self._look(path, None)
        return Located(error=refused)

    def _look(self, path: Path, stored: FootageRow | None) -> Located:
        try:
            status = path.stat()
            if stored is not None:
                as_known = (path, status.st_size, status.st_mtime_ns)
                current = stored.probed_by == __version__
                if current and as_known == (stored.path, stored.size, stored.mtime_ns):
                    return Located(path, status.st_mtime_ns, stored.info, stored.timeline)
                alike = current and status.st_size == stored.size
                if alike and fingerprint(path) == stored.info.fingerprint:
                    return Located(path, status.st_mtime_ns, stored.info, stored.timeline, same=False)
            asking.warm(2)  # what is looked into now is cut and painted next, by two
            found = probe(path)
        except (FootageError, FaultError) as error:
            return self._broken(stored, error)
        except OSError as error:
            return self._broken(stored, FootageError(f"{path}: cannot be read: {error.strerror or error}"))
        return Located(path, status.st_mtime_ns, found.info, found.timeline, same=False)

    def _broken(self, stored: FootageRow | None, error: FootageError | FaultError) -> Located:
        """Clips that were cut before the footage broke stay what they are."""
        if stored is None:
            return Located(error=error)
        return Located(info=stored.info, timeline=stored.timeline, error=error)

    def _find_again(self, folder: FightFolder, stored: FootageRow) -> Path | None:
        """A file of the same size and fingerprint, its old name first."""
        candidates = sorted(
            self._all_files(folder.folder),
            key=lambda path: (path.name != stored.path.name, str(path)),
        )
        for path in candidates:
            try:
                status = path.stat()
                if (
                    stat.S_ISREG(status.st_mode)
                    and status.st_size == stored.size
                    and fingerprint(path) == stored.info.fingerprint
                ):
                    return path
            except (OSError, FootageError):
                continue
        return None

    def _named(self, folder: Path, name: str) -> list[Path]:
        found = (path for root in (folder, *self.roots) for path in self._listed(root).get(name, ()))
        return sorted(path for path in found if may_read(path, folder, self.roots))

    def _all_files(self, folder: Path) -> Iterator[Path]:
        for root in (folder, *self.roots):
            for paths in self._listed(root).values():
                yield from (path for path in paths if may_read(path, folder, self.roots))

    def _listed(self, root: Path) -> dict[str, list[Path]]:
        listed = self._by_name.get(root)
        if listed is None:
            gathered: defaultdict[str, list[Path]] = defaultdict(list)
            if root.is_file():
                gathered[root.name].append(root)
            # Links to folders are not followed: a circle of them would never end.
            for parent, _, names in os.walk(root):
                for name in names:
                    gathered[name].append(Path(parent, name))
            listed = self._by_name[root] = dict(gathered)
        return listed
