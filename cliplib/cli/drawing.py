"""The commands for what is drawn on clips: `draw add, change, list, remove, restore, share`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TextIO

import click

from cliplib import InputError, Library
from cliplib.cli import terminal

_clip = click.argument("clip_id", type=int, metavar="CLIP")
_id = click.argument("drawing_id", type=int, metavar="DRAWING")
_shape = click.argument("shape", type=click.File(encoding="utf-8"), metavar="JSON")
_json = click.option("--json", is_flag=True, expose_value=False, help="Print JSON, as it does anyway.")


@click.group()
def draw() -> None:
    """Lines, arrows, circles, boxes, angles, paths and texts on a clip, shown with it and in its reels.

    A drawing is a JSON object: {"kind": "arrow", "points": [[0.4, 0.5], [0.6, 0.4]], "from": 70.2, "until":
    71.0, "colour": "#ffd400", "width": 0.006, "text": "", "shots": []}. Points are shares of the picture's
    width and height from its upper left. from and until are seconds of footage time; clip_from and clip_until
    say the same in seconds from the clip's first frame. Without times it is shown as long as the clip; a time
    that the clip never shows is an error.
    """


@draw.command()
@_clip
@_shape
@_json
@click.pass_obj
def add(folder: Path, clip_id: int, shape: TextIO) -> None:
    """Draw on a clip what a JSON file (- is the input) says, one drawing or a list; print them as kept."""
    library = Library(folder)
    given = _read(shape)
    many = given if isinstance(given, list) else [given]
    kept = [library.making.drawings.add(clip_id, one).as_json() for one in many]
    terminal.print_json(kept if isinstance(given, list) else kept[0])


@draw.command()
@_clip
@_id
@_shape
@_json
@click.pass_obj
def change(folder: Path, clip_id: int, drawing_id: int, shape: TextIO) -> None:
    """Give a drawing other values: those in the JSON replace the ones it has, the others stay."""
    library = Library(folder)
    given = _read(shape)
    if not isinstance(given, Mapping):
        raise InputError(f"{shape.name} must hold one drawing, in braces")
    values = library.making.drawings.one(clip_id, drawing_id).as_json() | dict(given)
    for one, other in (("from", "clip_from"), ("until", "clip_until")):  # one of them is enough
        if one in given or other in given:
            values = {key: value for key, value in values.items() if key not in (one, other) or key in given}
    terminal.print_json(library.making.drawings.change(clip_id, drawing_id, values).as_json())


@draw.command("list")
@_clip
@_json
@click.pass_obj
def list_(folder: Path, clip_id: int) -> None:
    """Print what is drawn on a clip, as JSON."""
    terminal.print_json([kept.as_json() for kept in Library(folder).making.drawings.of(clip_id)])


@draw.command()
@_clip
@_id
@_json
@click.pass_obj
def remove(folder: Path, clip_id: int, drawing_id: int) -> None:
    """Take a drawing off a clip; “restore” undoes that."""
    terminal.print_json(Library(folder).making.drawings.remove(clip_id, drawing_id).as_json())


@draw.command()
@_clip
@_id
@_json
@click.pass_obj
def restore(folder: Path, clip_id: int, drawing_id: int) -> None:
    """Bring a removed drawing back."""
    terminal.print_json(Library(folder).making.drawings.bring_back(clip_id, drawing_id).as_json())


@draw.command()
@_clip
@click.argument("first", type=int)
@click.argument("second", type=int)
@click.option(
    "--of", "measure", type=int, required=True, help="The line along the stance’s width or the height."
)
@click.pass_obj
@terminal.doing
def share(folder: Path, clip_id: int, first: int, second: int, measure: int) -> terminal.Done:
    """How far two drawn lines lie apart from left to right, as a share of a third one. It is measured in the
    picture: not metres, and it knows nothing of depth."""
    found = Library(folder).making.drawings.share(clip_id, first, second, measure)
    terminal.say(f"{found:.3f}")
    return terminal.Done(share=float(found))


def _read(file: TextIO) -> Any:
    try:
        return json.load(file)
    except (ValueError, RecursionError) as problem:
        raise InputError(
            f"{file.name} is not JSON ({problem}); see what “cliplib draw list” prints"
        ) from problem


COMMANDS = (draw,)
