"""The command line: parse, ask the library, print.

Exit codes: 0 done; 2 something wrong with what was given; 1 something failed; 130 cancelled. Results go to
standard output, everything else to standard error.

What a command needs is imported when that command is asked for: `--help` waits for none of it.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NoReturn

import click

from cliplib import ClipLibError
from cliplib.cli.commands import Commands

_DEFAULT = Path("cliplib-library")


def _versions(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    from cliplib.cli import terminal

    terminal.versions(context, _, wanted)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.option(
    "--library",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=_DEFAULT,
    envvar="CLIPLIB_LIBRARY",
    show_envvar=True,
    show_default=True,
    help="The folder of the library.",
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_versions,
    help="Show the version, and of what it stands on, and exit.",
)
@click.pass_context
def cli(context: click.Context, folder: Path) -> None:
    """A clip library for boxing film study: footage and a log in; searchable clips and reels out."""
    from cliplib import medium

    context.obj = folder
    if medium.is_read_only(folder):
        _complain(f"note: {medium.READ_ONLY.format(folder)}")


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """The `cliplib` command."""
    # What starting makes stays; looking through it for garbage again and again took a sixth of a start.
    gc.set_threshold(50_000, 20, 20)
    for stream in (sys.stdout, sys.stderr):
        # A name that the terminal cannot show must not stop the command.
        reconfigure: Callable[..., None] | None = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")
    sys.exit(run(arguments))


def run(arguments: Sequence[str] | None) -> int:
    try:
        code = cli.main(args=arguments, prog_name="cliplib", standalone_mode=False)
        sys.stdout.flush()
    except ClipLibError as error:
        _complain(str(error))
        return error.exit_code
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        _complain("stopped; what was done so far is kept, run it again to go on")
        return 130
    except BrokenPipeError:
        # Whoever read our output has seen enough; click ends with 1 when it notices that, and so do we.
        # Python would complain once more when it closes the stream.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except OSError as error:
        _complain(f"{error.filename or 'cliplib'}: {error.strerror or error}")
        return 1
    except Exception as problem:  # noqa: BLE001  whatever it is, somebody has to hear of it
        from cliplib import versions

        _complain(str(versions.fault(versions.told(problem))))
        return 1
    return code if isinstance(code, int) else 0


def _complain(message: str) -> None:
    from cliplib.cli import terminal

    terminal.say(f"cliplib: {message}", err=True)
