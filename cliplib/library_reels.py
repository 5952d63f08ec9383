"""The reels kept in a library: each a file and, beside it, what it shows."""

from __future__ import annotations

import datetime
import json
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from cliplib.errors import NotFoundError, StorageError
from cliplib.reels.parts import ReelReport
from cliplib.timebase import SECOND

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,79}")


@dataclass(frozen=True, slots=True)
class MadeReel:
    """A finished reel. `said`: the search it shows, in plain English, or empty; `made`: to the minute."""

    name: str
    title: str
    said: str
    clips: int
    duration_us: int
    made: str
    file: Path


def keep_reel(folder: Path, title: str, said: str, build: Callable[[Path], ReelReport]) -> str:
    """Build a reel under a name of its own and return the name; it is listed once the file is whole."""
    folder.mkdir(parents=True, exist_ok=True)
    name = _free_name(folder, title)
    file = folder / f"{name}.mp4"
    try:
        report = build(file)
        facts = {
            "title": title,
            "said": said,
            "clips": sum(part.clip is not None for part in report.parts),
            "duration_us": int(report.frames / report.rate * SECOND),
            "made": datetime.datetime.now().strftime("%Y-%m-%d %H:%M"),
        }
        temporary = folder / f".{name}.part.json"
        temporary.write_text(json.dumps(facts, ensure_ascii=False), encoding="utf-8")
        temporary.replace(folder / f"{name}.json")
    except BaseException:
        file.unlink(missing_ok=True)
        raise
    finally:
        (folder / f".{name}.taken").unlink(missing_ok=True)
    return name


def made_reels(folder: Path) -> list[MadeReel]:
    """The reels of a library, newest first."""
    found = [reel for path in folder.glob("*.json") if (reel := _read(path)) is not None]
    return sorted(found, key=lambda reel: (reel.made, reel.name), reverse=True)


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
        )
    except (OSError, ValueError, KeyError, TypeError):
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
            (folder / f".{name}.taken").touch(exist_ok=False)
        except FileExistsError:
            continue
        except OSError as error:
            raise StorageError(f"cannot write into {folder}: {error.strerror or error}") from error
        return name
    raise StorageError(f"there are too many reels called “{title}” in {folder}; give this one another title")
