"""What a reel shows, and the reels kept in a library: each a file and, beside it, what it is made of."""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from cliplib.core.errors import InputError, NotFoundError, StorageError
from cliplib.core.models import JSON, ClipRow, Found, Where
from cliplib.core.timebase import SECOND
from cliplib.media.files import replacing, settle
from cliplib.reels.parts import ReelReport, ReelSettings
from cliplib.reels.select import select
from cliplib.reels.theme import ClipChange, Theme

Source = str | Sequence[int] | Theme
"""What a reel shows: a phrase, clips by number in that order, or a theme."""

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,79}")


@dataclass(frozen=True, slots=True)
class Shown:
    """The clips of a reel in order. `said`: the search they come from, in plain English, or empty."""

    theme: Theme
    clips: tuple[ClipRow, ...]
    said: str

    @property
    def shows(self) -> tuple[int, ...]:
        """Every clip that is seen, by number: also those shown beside others."""
        seconds = (self.theme.change_of(clip.id).beside for clip in self.clips)
        return tuple(dict.fromkeys([*(c.id for c in self.clips), *(i for i in seconds if i is not None)]))


def theme_of(
    source: str | Theme | None, settings: ReelSettings | None, changes: Sequence[ClipChange]
) -> Theme:
    """The theme that a phrase, or (None) a choice of clips, amounts to."""
    if isinstance(source, Theme):
        theme = source
    else:
        # Exchanges close to each other share lead-in and follow-through; each is an example all the same.
        title = "Picked clips" if source is None else source
        theme = Theme(
            source or "", ReelSettings(title=title), order="fit" if source is None else "date", overlap=True
        )
    if settings is not None:
        theme = replace(theme, settings=settings)
    return replace(theme, changes=(*theme.changes, *changes)) if changes else theme


def chosen(found: Found, theme: Theme) -> Shown:
    """What `theme` shows of a whole result; InputError if there is nothing."""
    clips = select(found.clips, theme)
    if not clips:
        raise InputError(
            f"no clip to show was found for “{theme.phrase}”, read as "
            + (f"“{found.reading.said}”" if found.reading.said else "words to be found in notes")
            + (f"; {found.total} are waiting for their footage" if found.total else "")
        )
    return Shown(theme, clips, found.reading.said)


@dataclass(frozen=True, slots=True)
class MadeReel:
    """A finished reel. `said`: the search it shows, in plain English, or empty; `made`: to the minute.
    `recipe`: what it was made of (see `recipe_json`), None for a theme's or an older one."""

    name: str
    title: str
    said: str
    clips: int
    duration_us: int
    made: str
    file: Path
    recipe: JSON | None = None
    shows: tuple[int, ...] = ()  # clips, by number
    notes: tuple[str, ...] = ()  # what is not as one might expect, by part

    def ingredients(self) -> dict[str, Any]:
        """The arguments with which `Making.make_reel` makes it again; InputError if nobody noted them."""
        r = self.recipe
        if r is None:
            raise InputError(
                f"what “{self.title}” was made of is not known; make it anew from its theme or search"
            )
        try:
            where = {**r["where"], "rounds": tuple(r["where"].get("rounds", ()))} if r["where"] else {}
            changes = [{**c, "caption": tuple(c["caption"]) if c["caption"] else None} for c in r["changes"]]
            return {
                "source": r["phrase"] if r["clips"] is None else list(r["clips"]),
                "title": self.title,
                "where": Where(**where),
                "changes": tuple(ClipChange(**change) for change in changes),
                "matching": r["matching"],
                "settings": ReelSettings(title=self.title, **r["settings"]),
            }
        except (LookupError, TypeError, AttributeError) as error:
            raise InputError(
                f"what “{self.title}” was made of is noted in a way that cannot be read ({error!r}); make it "
                "anew from its theme or search"
            ) from error


def recipe_json(
    source: str | Sequence[int],
    where: Where | None,
    changes: Sequence[ClipChange],
    matching: str,
    settings: ReelSettings,
) -> JSON:
    """What a reel is made of, to be made again. Of each clip's changes the cut and the caption."""
    filters = {k: v for k, v in asdict(where or Where()).items() if v and k != "dates"}
    return {
        "phrase": source if isinstance(source, str) else "",
        "clips": None if isinstance(source, str) else [int(i) for i in source],
        "where": filters,
        "changes": [
            {"id": c.id, "first": c.first, "last": c.last, "caption": c.caption}
            | ({"beside": c.beside, "offset": c.offset} if c.beside is not None else {})
            for c in changes
        ],
        "matching": matching,
        "settings": {
            "subtitle": settings.subtitle,
            "preset": settings.preset,
            "captions": settings.captions,
            "cards": settings.cards,
        },
    }


def keep_reel(
    folder: Path,
    title: str,
    said: str,
    build: Callable[[Path], ReelReport],
    *,
    recipe: JSON | None = None,
    again: str | None = None,
    shows: Sequence[int] = (),
) -> str:
    """Build a reel under a name of its own (or that of `again`) and return the name; it is listed once the
    file is whole, and one that is made again stays as it was until then."""
    folder.mkdir(parents=True, exist_ok=True)
    name = again or _free_name(folder, title)
    file = folder / f"{name}.mp4"
    try:
        report = build(file)
        facts = {
            "title": title,
            "said": said,
            "clips": sum(part.clip is not None for part in report.parts),
            "duration_us": int(report.frames / report.rate * SECOND),
            "made": datetime.datetime.now().strftime("%Y-%m-%d %H:%M"),
            "recipe": recipe,
            "shows": list(shows),
            "notes": list(report.notes),
            "bytes": file.stat().st_size,
        }
        with replacing(folder / f"{name}.json") as temporary:
            temporary.write_text(json.dumps(facts, ensure_ascii=False), encoding="utf-8")
        settle([file, folder / f"{name}.json"])
    except BaseException:
        if again is None:
            for made in (folder / f"{name}.json", file):  # off the list first
                with contextlib.suppress(OSError):
                    made.unlink(missing_ok=True)
        raise
    finally:
        with contextlib.suppress(OSError):  # the next ingest sweeps it up
            (folder / f".{name}.taken").unlink(missing_ok=True)
    return name


def remove(reel: MadeReel) -> None:
    """Take a reel off the list, then its file away."""
    reel.file.with_suffix(".json").unlink(missing_ok=True)
    reel.file.unlink(missing_ok=True)


def made_reels(folder: Path) -> list[MadeReel]:
    """The reels of a library, newest first."""
    found = [reel for path in folder.glob("*.json") if (reel := _read(path)) is not None]
    return sorted(found, key=lambda reel: (reel.made, reel.file.stat().st_mtime_ns), reverse=True)


def made_reel(folder: Path, name: str) -> MadeReel:
    """One reel by name; NotFoundError if there is none. A name never leads outside the folder."""
    reel = _read(folder / f"{name}.json") if _NAME.fullmatch(name) else None
    if reel is None:
        raise NotFoundError(f"there is no reel called “{name}” in this library")
    return reel


def _read(path: Path) -> MadeReel | None:
    file = path.with_suffix(".mp4")
    try:
        facts = json.loads(path.read_text(encoding="utf-8"))
        return MadeReel(
            name=path.stem,
            title=str(facts["title"]),
            said=str(facts["said"]),
            clips=int(facts["clips"]),
            duration_us=int(facts["duration_us"]),
            made=str(facts["made"]),
            file=file.resolve(strict=True),
            recipe=facts.get("recipe"),
            shows=tuple(int(i) for i in facts.get("shows", ())),
            notes=tuple(str(note) for note in facts.get("notes", ())),
        )
    except (OSError, ValueError, KeyError, TypeError, OverflowError):
        return None


def _free_name(folder: Path, title: str) -> str:
    """A name that no other reel has, held by an empty file until the reel is there."""
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().casefold()
    stem = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-") or "reel"
    for number in range(1, 10_000):
        name = stem if number == 1 else f"{stem}-{number}"
        if (folder / f"{name}.json").exists() or (folder / f"{name}.mp4").exists():
            continue
        try:
            with (folder / f".{name}.taken").open("x", encoding="ascii") as taken:
                taken.write(str(os.getpid()))
        except FileExistsError:
            continue
        except OSError as error:
            raise StorageError(f"cannot write into {folder}: {error.strerror or error}") from error
        return name
    raise StorageError(f"there are too many reels called “{title}” in {folder}; give this one another title")
