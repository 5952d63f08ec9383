"""What a breakdown remembers of its shots and counts, in a file beside the document (`NAME.notes.json`):

    {"form": "cliplib breakdown notes 1",
     "shots": {"clip:12": [{"clip": 12, "fight": "Adeyemi v Brandt", "date": "2024-05-11",
                            "fingerprint": "9f...", "first": 310, "last": 420, "moments": [12480000],
                            "tells": "Adeyemi jab missed, Brandt counter right uppercut landed"}]},
     "counts": {"count:Adeyemi jab?rounds=1-2": [12, 31, 40]}}

A shot is known by its footage's fingerprint and its frames, so it outlives recutting, a changed log and
another library. Frames are half-open, in presentation order from 0; moments are footage time, microseconds.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from cliplib.core.errors import InputError
from cliplib.core.models import JSON
from cliplib.media.files import replacing

FORM = "cliplib breakdown notes 1"
FORGOTTEN = "a fight that was forgotten"


@dataclass(frozen=True, slots=True)
class ShotRecord:
    """A stretch of film. `fingerprint` empty: its fight was forgotten, and nothing else is known of it."""

    clip: int | None
    fight: str
    date: str
    fingerprint: str
    first: int
    last: int
    moments: tuple[int, ...] = ()
    tells: str = ""

    def differs(self, now: ShotRecord | None) -> str:
        """What is no longer as it was noted, as the end of a sentence; empty if nothing is."""
        if not self.fingerprint:
            return "was of a fight that was forgotten"
        if now is None:
            return f"is not there any more; the breakdown keeps {self.where}"
        if self.fingerprint != now.fingerprint:
            return f"shows other footage now: {now.where} in place of {self.where}"
        if (self.first, self.last) != (now.first, now.last):
            return f"was cut anew: it is {now.where} now, and the breakdown keeps {self.where}"
        if self.tells != now.tells:
            return f"tells another thing now: “{now.tells}” and not “{self.tells}”"
        return ""

    @property
    def where(self) -> str:
        return f"frames {self.first} to {self.last} of “{self.fight}”"

    def without_names(self) -> ShotRecord:
        """What is left when the fight is forgotten."""
        return ShotRecord(self.clip, FORGOTTEN, "", "", self.first, self.last)


@dataclass(frozen=True, slots=True)
class Notes:
    """`shots`: by a link's target. `counts`: the clips behind each, by the link's target."""

    shots: Mapping[str, tuple[ShotRecord, ...]] = field(default_factory=dict)
    counts: Mapping[str, tuple[int, ...]] = field(default_factory=dict)

    @property
    def clips(self) -> frozenset[int]:
        """Every clip that is shown or counted, by number."""
        shown = {one.clip for records in self.shots.values() for one in records if one.clip is not None}
        return frozenset(shown | {clip for clips in self.counts.values() for clip in clips})

    @property
    def shown(self) -> frozenset[int]:
        return frozenset(r.clip for records in self.shots.values() for r in records if r.clip is not None)

    def forgetting(self, fingerprints: frozenset[str], clips: frozenset[int]) -> Notes:
        """Without the names of fights that are forgotten."""
        shots = {
            target: tuple(
                record.without_names()
                if record.fingerprint in fingerprints or record.clip in clips
                else record
                for record in records
            )
            for target, records in self.shots.items()
        }
        return replace(self, shots=shots)


def read_notes(path: Path) -> Notes:
    """Empty if there is no such file. InputError for one that cannot be read: it may hold what is nowhere
    else."""
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        if said["form"] != FORM:
            raise InputError(f"{path} is of another form (“{said['form']}”); open it with a newer cliplib")
        return Notes(
            {str(target): tuple(record_from(one) for one in some) for target, some in said["shots"].items()},
            {str(target): tuple(int(i) for i in some) for target, some in said["counts"].items()},
        )
    except FileNotFoundError:
        return Notes()
    except OSError as problem:
        raise InputError(f"{path} cannot be read: {problem.strerror or problem}") from problem
    except (ValueError, LookupError, TypeError, AttributeError) as problem:
        raise InputError(
            f"{path} cannot be read as notes of a breakdown ({problem}); bring it back from a backup, or "
            "remove it to have the shots taken as they are now"
        ) from problem


def write_notes(path: Path, notes: Notes) -> None:
    said = {
        "form": FORM,
        "shots": {target: [record_json(one) for one in some] for target, some in notes.shots.items()},
        "counts": {target: list(some) for target, some in notes.counts.items()},
    }
    with replacing(path) as temporary:
        temporary.write_text(json.dumps(said, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")


def record_json(record: ShotRecord) -> JSON:
    return {**asdict(record), "moments": list(record.moments)}


def record_from(said: Mapping[str, Any]) -> ShotRecord:
    """Raises ValueError, LookupError or TypeError for what is none."""
    record = ShotRecord(
        None if said.get("clip") is None else int(said["clip"]),
        str(said["fight"]),
        str(said.get("date", "")),
        str(said["fingerprint"]),
        int(said["first"]),
        int(said["last"]),
        tuple(int(us) for us in said.get("moments", ())),
        str(said.get("tells", "")),
    )
    if not 0 <= record.first < record.last:
        raise ValueError(f"frames {record.first} to {record.last} are no stretch of film")
    return record
