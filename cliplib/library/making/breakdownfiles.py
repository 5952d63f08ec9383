"""What lies in a breakdown's folder, and forgetting fights in it: films that show one go, names are taken out
of what is noted, and the text stays as its author wrote it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from cliplib.breakdowns import document as documents
from cliplib.breakdowns.shots import Notes, ShotRecord, read_notes, record_from, record_json, write_notes
from cliplib.core.errors import InputError
from cliplib.library.desk import Desk
from cliplib.media.files import replacing, settle_names

FOLDER, TEXT, NOTES, TAKES, FILM = "breakdowns", "breakdown.md", "breakdown.notes.json", "takes", "film.mp4"
BESIDE, PACKED = "beside.json", "folder.zip"


def text_of(place: Path) -> str:
    """The document, byte for byte: what is no UTF-8 is kept as surrogates."""
    return (place / TEXT).read_bytes().decode("utf-8", "surrogateescape")


def shown(text: str) -> str:
    """The same for reading: what is no UTF-8 is a replacement character."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def beside_of(place: Path) -> list[Path]:
    """The files that came out with the film, as far as they are there."""
    try:
        names = json.loads((place / BESIDE).read_text(encoding="utf-8"))
        return [path for name in names if (path := place / str(name)).is_file()]
    except (OSError, ValueError, TypeError):
        return []


def films_of(desk: Desk, fight_ids: set[int]) -> list[tuple[Path, str]]:
    """(folder, title) of breakdowns with a film that shows one of the fights, or may."""
    return [(place, title) for place, title, shows in _shown(desk, fight_ids) if shows and _made(place)]


def forget_in(desk: Desk, fight_ids: set[int]) -> tuple[str, ...]:
    """Take fights out of all breakdowns; the titles of those whose film went along."""
    gone = []
    prints = frozenset(_fingerprints(desk, fight_ids))
    for place, title, shows in _shown(desk, fight_ids):
        if not shows:
            continue
        if _made(place):
            gone.append(title)
        for path in (place / FILM, *beside_of(place), place / BESIDE):
            path.unlink(missing_ok=True)
        shutil.rmtree(place / "voice", ignore_errors=True)
        try:
            notes = read_notes(place / NOTES)
        except InputError:
            (place / NOTES).unlink()  # it cannot be read, and may hold names
            notes = Notes()
        clips = frozenset(_of(desk, notes.clips, fight_ids))
        if (place / NOTES).exists():
            write_notes(place / NOTES, notes.forgetting(prints, clips))
        for path in place.glob(f"{TAKES}/*/*/take.json"):
            _forget_in_take(desk, path, prints, fight_ids)
        settle_names([place])
    return tuple(gone)


def _shown(desk: Desk, fight_ids: set[int]) -> Iterator[tuple[Path, str, bool]]:
    """(folder, title, whether it shows or counts one of the fights, or nobody knows)."""
    prints = set(_fingerprints(desk, fight_ids))
    for text in sorted((desk.folder / FOLDER).glob(f"*/{TEXT}")):
        place = text.parent
        title = documents.read(text_of(place)).title or place.name
        try:
            notes = read_notes(place / NOTES)
            records = [record for some in notes.shots.values() for record in some]
            records += [r for path in place.glob(f"{TAKES}/*/*/take.json") for r in _records(path)]
            clips = notes.clips | {r.clip for r in records if r.clip is not None}
            shows = any(r.fingerprint in prints for r in records) or bool(_of(desk, clips, fight_ids))
            shows = shows or (_made(place) and not notes.shots)
        except InputError:
            shows = True
        yield place, title, shows


def _made(place: Path) -> bool:
    return (place / FILM).exists() or (place / BESIDE).exists()


def _of(desk: Desk, clips: frozenset[int] | set[int], fight_ids: set[int]) -> set[int]:
    """Those of the clips that are of the fights."""
    return {clip for clip, fight in desk.catalogue.care.clip_fights(clips).items() if fight in fight_ids}


def _fingerprints(desk: Desk, fight_ids: set[int]) -> Iterator[str]:
    for fight_id, fingerprint in desk.catalogue.fingerprints().items():
        if fight_id in fight_ids:
            yield fingerprint


def _records(path: Path) -> list[ShotRecord]:
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        return [record_from(one) for some in said["shots"] for one in some]
    except (OSError, ValueError, LookupError, TypeError) as problem:
        raise InputError(f"{path} cannot be read: {problem}") from problem


def _forget_in_take(desk: Desk, path: Path, prints: frozenset[str], fight_ids: set[int]) -> None:
    try:
        said: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        shots = [[record_from(one) for one in some] for some in said["shots"]]
    except (OSError, ValueError, LookupError, TypeError):
        path.unlink()  # it cannot be read, and may hold names; voice and pictures stay
        return
    clips = _of(desk, {r.clip for some in shots for r in some if r.clip is not None}, fight_ids)
    said["shots"] = [
        [record_json(r.without_names() if r.fingerprint in prints or r.clip in clips else r) for r in some]
        for some in shots
    ]
    with replacing(path) as temporary:
        temporary.write_text(json.dumps(said, ensure_ascii=False, indent=1), encoding="utf-8")
