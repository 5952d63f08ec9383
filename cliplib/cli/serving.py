"""Commands about the pages: serving them, pass phrases, and taking a log in as the log page does."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

import click

from cliplib import InputError, Library, MediaError, log_forms
from cliplib.cli import followup, terminal

_PORT = 8321
_HERE = ("127.0.0.1", "localhost", "::1")


@click.command()
@click.option(
    "--host", help="The address to listen on; 127.0.0.1, or with --share every one of this machine."
)
@click.option("--port", type=click.IntRange(1, 65535), default=_PORT, show_default=True)
@click.option(
    "--share", is_flag=True, help="Serve others, too; asks them for a pass phrase (see passphrase)."
)
@click.option(
    "--name", "names", multiple=True, help="A name that browsers may use for this machine. Repeat it."
)
@click.option("--behind-proxy", is_flag=True, help="A proxy on this machine adds TLS and says who asks.")
@click.pass_obj
def serve(
    folder: Path, host: str | None, port: int, share: bool, names: tuple[str, ...], behind_proxy: bool
) -> None:
    """Serve the pages to this machine's browser, or with --share to a gym's network. Ctrl-C stops it."""
    library = Library(folder)  # says what is wrong before anything is started
    roles = library.care.passphrases.roles()
    library.close()
    if share and not roles:
        first = followup.line("passphrase set", [], {"--role": "look"})
        raise InputError(f"set a pass phrase before sharing: {first} (or log)")
    if not share and (host or _HERE[0]) not in _HERE:
        raise InputError(f"{host} can be reached by others; add --share, so that they need a pass phrase")
    # Behind a proxy only the proxy is served, so that nobody gets around it.
    host = host or ("0.0.0.0" if share and not behind_proxy else _HERE[0])  # noqa: S104 - that is what --share is
    try:
        # By name, so that the library itself never needs Flask.
        pages = importlib.import_module("cliplib_web")
    except ModuleNotFoundError as error:
        raise MediaError(
            f"the pages cannot start: {error.name} is not installed; install cliplib again"
        ) from error
    for address in pages.addresses(host, port):
        terminal.say(f"{address}  (Ctrl-C stops)")
    try:
        pages.run(folder, host, port, share=share, names=names, behind_proxy=behind_proxy)
    except OSError as error:
        raise InputError(f"cannot serve on {host}:{port}: {error.strerror}; choose another --port") from error


@click.group()
def passphrase() -> None:
    """The pass phrases that `serve --share` asks for: one to look, one to log."""


@passphrase.command("set")
@click.option("--role", type=click.Choice(["look", "log"]), required=True)
@click.pass_obj
@terminal.doing
def set_(folder: Path, role: str) -> terminal.Done:
    """Give a role a pass phrase; who signed in with the old one has to sign in again.

    It is asked for, or read from standard input; never given on the command line, where others could see it.
    """
    library = Library(folder)
    if sys.stdin.isatty():
        phrase = click.prompt("Pass phrase", hide_input=True, confirmation_prompt=True, err=terminal.asking())
    else:
        phrase = sys.stdin.readline().rstrip("\r\n")
    library.care.passphrases.set(role, phrase)
    terminal.say(f"the role “{role}” has a new pass phrase")
    return terminal.Done(role=role)


@passphrase.command()
@click.option("--role", type=click.Choice(["look", "log"]), required=True)
@click.pass_obj
@terminal.doing
def remove(folder: Path, role: str) -> terminal.Done:
    """Nobody can sign in with that role any more."""
    Library(folder).care.passphrases.remove(role)
    terminal.say(f"the role “{role}” has no pass phrase any more")
    return terminal.Done(role=role)


@passphrase.command("list")
@terminal.json_option
@click.pass_obj
def list_(folder: Path, as_json: bool) -> None:
    """Which roles have a pass phrase."""
    roles = Library(folder).care.passphrases.roles()
    if as_json:
        terminal.print_json([{"role": role} for role in roles])
    else:
        terminal.say("\n".join(roles) if roles else "none is set")


@click.group("signed-in")
def signed_in() -> None:
    """Who is signed in to the pages that `serve --share` serves."""


@signed_in.command("list")
@terminal.json_option
@click.pass_obj
def list_signed_in(folder: Path, as_json: bool) -> None:
    """Everybody who is signed in: number, name, role, since when and when last there."""
    sessions = Library(folder).care.signed_in.all()
    rows = [
        (s.number[:8], s.by, s.role, *(t.isoformat(" ", "minutes") for t in (s.since, s.used)))
        for s in sessions
    ]
    if as_json:
        keys = ("number", "by", "role", "since", "used")
        terminal.print_json([dict(zip(keys, row, strict=True)) for row in rows])
    elif rows:
        terminal.table(("number", "name", "role", "since", "last there"), rows, give=1)
    else:
        terminal.say("nobody is signed in")


@signed_in.command()
@click.argument("numbers", nargs=-1)
@click.option("--all", "everybody", is_flag=True, help="Sign everybody out.")
@click.pass_obj
@terminal.doing
def end(folder: Path, numbers: tuple[str, ...], everybody: bool) -> None:
    """Sign out those with these NUMBERS (see list), or --all; their cookies open nothing any more."""
    if everybody == bool(numbers):
        raise InputError("give the numbers of who is to be signed out (see signed-in list), or --all")
    kept = Library(folder).care.signed_in
    if everybody:
        terminal.say(f"signed out: {kept.end_all()}")
    for number in numbers:
        ended = kept.end_number(number)
        terminal.say(f"signed out: {ended.by} ({ended.role})")


@click.command("log-import")
@click.argument("fight")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--by", required=True, help="Whose log it is to be.")
@click.option("--instead", is_flag=True, help="In place of the lines this person has there.")
@click.pass_obj
@terminal.doing
def log_import(folder: Path, fight: str, file: Path, by: str, instead: bool) -> terminal.Done:
    """Take a log file into the library as somebody's own log of FIGHT, to go on with on the log page."""
    library = Library(folder)
    row = library.finding.fight(fight)
    form = file.suffix.removeprefix(".").casefold()
    try:
        if not file.is_file() or file.stat().st_size > 64 << 20:
            raise InputError(f"{file} is no log file that could be read")
        text = log_forms.text_of(file.read_bytes())
    except OSError as error:
        raise InputError(f"{file}: cannot be read: {error.strerror}") from error
    count = library.logging.live.import_log(row.id, by, text, form, instead=instead)
    terminal.say(
        f"{count} lines are {by}'s log of “{row.title}” now; ingest or the log page cuts their clips"
    )
    return terminal.Done(fight=row.title, by=by, lines=count)


COMMANDS = (serve, passphrase, signed_in, log_import)
