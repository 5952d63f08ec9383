"""A command to go on with, as a line for the shell that says all that the one before it said."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence

import click
from click.core import ParameterSource


def line(command: str, arguments: Sequence[str], options: Mapping[str, object]) -> str:
    """`cliplib COMMAND ARGUMENTS OPTIONS`, quoted for a POSIX shell, with the `--library` that was given.

    `options`: by their names, `--fight`; a list is an option for each of its values, True an option without
    one; None, False and empty ones are left out.
    """
    words = ["cliplib", *library(), *command.split()]
    after: list[str] = []
    for name, value in options.items():
        if value is True:
            after.append(name)
        elif isinstance(value, list | tuple):
            after += [word for one in value for word in (name, str(one))]
        elif value:
            after += [name, str(value)]
    given = [argument for argument in arguments if argument]
    # Behind “--” nothing is taken for an option, whatever it begins with.
    dashes = any(argument.startswith("-") for argument in given)
    return shlex.join([*words, *after, "--", *given] if dashes else [*words, *given, *after])


def library() -> list[str]:
    """`--library FOLDER` as it was given to the command that runs; nothing if it was not."""
    context = click.get_current_context(silent=True)
    root = context.find_root() if context is not None else None
    if root is None or root.get_parameter_source("folder") is not ParameterSource.COMMANDLINE:
        return []
    return ["--library", str(root.params["folder"])]


def filters(given: Mapping[str, object], names: Sequence[click.Parameter]) -> dict[str, object]:
    """The filters in `given` by the names of their options; `names`: the command's parameters."""
    return {
        max(option.opts, key=len): given[option.name]
        for option in names
        if option.name in given and isinstance(option, click.Option)
    }
