"""Takes in the OpenAPI document: a point's shots, and recording over them."""

from __future__ import annotations

from .document_words import (
    MAYBE_TEXT,
    MAYBE_WHOLE,
    TEXT,
    WHOLE,
    YES_NO,
    Shape,
    in_path,
    in_query,
    many,
    operation,
    ref,
    thing,
)

_FROM_0: Shape = {"type": "integer", "minimum": 0, "maximum": 14_400_000_000}

SHAPES: dict[str, Shape] = {
    "Pane": thing(clip=WHOLE, meet=MAYBE_WHOLE, video=TEXT, frames=TEXT, poster=TEXT),
    "TalkShot": thing(
        label=TEXT, panes=many(ref("Pane")), still=MAYBE_TEXT, mirror=TEXT, offset=WHOLE, problem=TEXT
    ),
    "TakeInfo": thing(
        take=TEXT, seconds={"type": "number"}, recordings=WHOLE, sound_file=YES_NO, chosen=YES_NO,
        notes=many(TEXT),
    ),
    "Take": thing(
        take=TEXT, length=WHOLE, sound_file=YES_NO, shots=many(ref("TalkShot")),
        recordings=many(
            thing(begins=WHOLE, length=WHOLE, sound_begins=WHOLE, kind=TEXT, pieces=WHOLE, ended=YES_NO)
        ),
        used=many(many(WHOLE, minItems=3, maxItems=3)), notes=many(TEXT),
    ),
    "NewTake": thing(("upload", "file"), upload=TEXT, file=TEXT),
    "TakeName": thing(take=TEXT),
    "NewRecording": thing(("at", "kind", "sound_begins"), at=_FROM_0, kind=TEXT, sound_begins=_FROM_0),
    "RecordingNumber": thing(recording=WHOLE),
    "PictureLines": thing(first=_FROM_0, lines=many({"type": "object"})),
    "Stored": thing(stored=WHOLE),
    "RecordingLength": thing(length=_FROM_0),
}  # fmt: skip


def _binary(about: str, kind: str, *parameters: Shape) -> Shape:
    said = operation(about, None, *parameters)
    for code in ("200", "206"):
        said["responses"][code] = {
            "description": about,
            "content": {kind: {"schema": {"type": "string", "format": "binary"}}},
        }
    return said


def parts() -> tuple[dict[str, Shape], dict[str, Shape]]:
    """(paths, schemas)."""
    named = tuple(_text_in_path(name) for name in ("name", "key"))
    take, number = _text_in_path("take"), in_path("recording")
    place, begun = "/api/breakdowns/{name}/points/{key}", (*named, take)
    at = f"{place}/takes/{{take}}"
    one = f"{at}/recordings/{{recording}}"
    recorded = (*begun, number)
    return {
        f"{place}/shots": {
            "get": operation("What can be talked over, in order.", many(ref("TalkShot")), *named)
        },
        f"{place}/takes": {
            "get": operation("The takes of a point.", many(ref("TakeInfo")), *named),
            "post": operation(
                "A take to record into, or a sound file that was sent before (see /api/uploads) as one.",
                ref("TakeName"), *named, body="NewTake", status="201", changes=True,
            ),
        },
        at: {
            "get": operation(
                "A take: `used` is [from, until, recording], in microseconds of the take.",
                ref("Take"), *begun,
            ),
            "delete": operation("Throw it away.", None, *begun, status="204", changes=True),
        },
        f"{at}/choose": {
            "post": operation("Have it used in the film.", None, *begun, status="204", changes=True)
        },
        f"{at}/recordings": {
            "post": operation(
                "Begin a recording at a moment of the take, microseconds.",
                ref("RecordingNumber"), *begun, body="NewRecording", status="201", changes=True,
            )
        },
        f"{one}/sound": {
            "get": _binary("A recording's sound as one file.", "audio/*", *recorded),
            "post": {
                **operation(
                    "The next piece of sound, at most 1 MiB; `clock` is when it came, microseconds of the "
                    "recording. Answered when it is on the disk.",
                    ref("Stored"),
                    *recorded,
                    in_query("piece", "Its number, from 0.", _FROM_0, needed=True),
                    in_query("clock", "When it came.", _FROM_0, needed=True),
                    changes=True,
                ),
                "requestBody": {
                    "required": True,
                    "content": {
                        "application/octet-stream": {"schema": {"type": "string", "format": "binary"}}
                    },
                },
            },
        },
        f"{one}/picture": {
            "get": _binary("What was on the picture, a line of JSON each.", "application/jsonl", *recorded),
            "post": operation(
                "Lines of picture data; `first` is the number of the first of them.",
                ref("Stored"), *recorded, body="PictureLines", changes=True,
            ),
        },
        f"{one}/end": {
            "post": operation(
                "The recording ended.", None, *recorded, body="RecordingLength", status="204", changes=True
            )
        },
    }, SHAPES  # fmt: skip


def _text_in_path(name: str) -> Shape:
    return {"name": name, "in": "path", "required": True, "schema": {"type": "string", "minLength": 1}}
