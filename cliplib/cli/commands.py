"""Every command of `cliplib`: its name, the module that has it, and what it does in a line.

A command's module is imported when the command is asked for. The lines stand here so that `--help` needs
none of them; a test compares them with what the commands say of themselves.
"""

from __future__ import annotations

import importlib
import textwrap

import click

COMMANDS: dict[str, tuple[str, str]] = {
    "explain": ("finding", "Say how a phrase is read."),
    "find": ("finding", "Find the exchanges that a phrase describes, in all fights, with counts."),
    "clip": ("finding", "Show one clip: where it is from, what happens in it, its file."),
    "fights": ("finding", "List the fights."),
    "ingest": ("logging", "Bring fight folders, or folders of them, into the library: read, cut, index."),
    "watch": (
        "watching",
        "Have a fight's film looked at: rounds and replays that are found are proposed; nothing is logged.",
    ),
    "log": ("logging", "Write a fight's log in any of the forms of logs."),
    "fight": (
        "fights",
        "Show a fight: its exchanges by round, who did what how often, where its log has gaps.",
    ),
    "recut": ("fights", "Give a clip another in and out, by frame."),
    "correct": (
        "fights",
        "Correct what happens in a clip; its log's file stays as it is, and `log` writes the corrected one.",
    ),
    "alike": ("fights", "More like this: clips with a like course of actions, the nearest first."),
    "reels": ("fights", "List the reels that are kept in the library."),
    "remake": ("fights", "Make a kept reel again with what is in the library now."),
    "words": ("words", "Find notes and titles with all these words; “quoted words” side by side."),
    "complete": (
        "words",
        "Carry on a phrase as the search box does: what was searched before first, a line each.",
    ),
    "reel": ("making", "Make one video of the clips that a phrase finds: an .mp4."),
    "export": (
        "making",
        "Write a clip as a file to hand to somebody: exact in any player, nothing hidden around it.",
    ),
    "handover": (
        "making",
        "Write what belongs to a reel: captions or chapters (WebVTT), shots (CSV), sheet (a PDF to "
        "print), timeline (OpenTimelineIO) or edl (CMX 3600).",
    ),
    "bundle": (
        "making",
        "Write a folder with a reel, its clips, captions, shot list, timelines and a manifest.",
    ),
    "themes": ("making", "Reels that follow the library."),
    "draw": (
        "drawing",
        "Lines, arrows, circles, boxes, angles, paths and texts on a clip, shown with it and in its reels.",
    ),
    "breakdown": (
        "breakdowns",
        "An argument in points, each said and shown: a Markdown file that links to clips and "
        "counts, and the film of it.",
    ),
    "beside": ("breakdowns", "Make a video of two clips at once, in step at their last matched actions."),
    "tally": (
        "evidence",
        "Count what a phrase finds: tried, landed, blocked, missed; how often a minute; with intervals.",
    ),
    "next": (
        "evidence",
        "What comes after a phrase: what the same fighter and the opponent do next, how often, how fast.",
    ),
    "answers": (
        "evidence",
        "Which answers beat an attack, by stance match; with --defence, what a defence is caught by.",
    ),
    "compare": ("evidence", "Two fighters, fights, rounds, dates or periods beside each other."),
    "change": (
        "evidence",
        "When did it change in a fight, and what was done instead? FIGHT is its number or part of its title.",
    ),
    "agree": ("evidence", "How far two logs of a fight agree, where they do not, and one log agreed on."),
    "report": (
        "evidence",
        "A report of a fight or a fighter as one HTML or PDF file, with charts and their tables.",
    ),
    "check": (
        "care",
        "Look for damage: catalogue, footage, clips, posters, working copies, reels, indexes, leftovers.",
    ),
    "backup": (
        "care",
        "Copy the library into OUT (a .tar file, or a new folder) while people go on logging.",
    ),
    "restore": ("care", "Make a library of a backup, at --library, where there must be none yet."),
    "forget": (
        "care",
        "Take a fight, or a fighter with all fights, out of the library: rows, clips, reels, every name.",
    ),
    "reindex": ("care", "Make everything that is derived from the catalogue anew."),
    "serve": ("serving", "Serve the pages to this machine's browser, or with --share to a gym's network."),
    "passphrase": ("serving", "The pass phrases that `serve --share` asks for: one to look, one to log."),
    "signed-in": ("serving", "Who is signed in to the pages that `serve --share` serves."),
    "log-import": (
        "serving",
        "Take a log file into the library as somebody's own log of FIGHT, to go on with on the log page.",
    ),
}


class Commands(click.Group):
    """A group whose commands are imported when they are asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted({*COMMANDS, *super().list_commands(ctx)})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in COMMANDS and cmd_name not in self.commands:
            module = importlib.import_module(f"cliplib.cli.{COMMANDS[cmd_name][0]}")
            self.add_command({command.name: command for command in module.COMMANDS}[cmd_name])
        return super().get_command(ctx, cmd_name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        names = self.list_commands(ctx)
        limit = formatter.width - 6 - max(map(len, names))  # as click counts it
        lines = {name: COMMANDS[name][1] for name in names if name in COMMANDS}
        with formatter.section("Commands"):
            formatter.write_dl(
                [(name, textwrap.shorten(line, limit, placeholder="...")) for name, line in lines.items()]
            )
