"""Every error that cliplib raises on purpose, and what it means to a shell and to a browser.

    ClipLibError                     something went wrong; exit 1, HTTP 500
    ├── InputError                   what was given is wrong; exit 2, HTTP 400
    │   ├── LogError                 rows of a log that cannot be read (carries every problem)
    │   ├── FightFolderError         fight.toml or the folder around it
    │   ├── FootageError             a file that is not footage, or is damaged
    │   ├── PhraseError              a phrase with words nobody understood, under --strict
    │   ├── ThemeError               a theme file
    │   ├── SettingsError            settings.toml or the library's own terms
    │   └── NotFoundError            no such fight, clip, reel or theme; HTTP 404
    ├── BusyError                    another process holds what this one needs; HTTP 409
    ├── MediaError                   ffmpeg or the cutter failed on good input
    ├── StorageError                 the disk is full, read-only or broken; HTTP 507
    ├── FaultError                   a mistake in cliplib itself (see `media.versions`); HTTP 500
    └── Cancelled                    somebody pressed Ctrl-C or the cancel button; exit 130, HTTP 409

A message says what failed, where, and what to do next.
"""

from __future__ import annotations

from dataclasses import dataclass


class ClipLibError(Exception):
    """Base of everything cliplib raises on purpose."""

    exit_code = 1
    http_status = 500


class InputError(ClipLibError):
    exit_code = 2
    http_status = 400


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a text file, with its place.

    `line` and `column` count from 1; `column` 0 means the whole line. `source` is the line's text, under
    which the caret is drawn; `meant` is what was probably meant, or empty. Of a very long line `source` is
    only a stretch; `source_from` is the column it begins at.
    """

    file: str
    line: int
    column: int
    message: str
    source: str = ""
    meant: str = ""
    source_from: int = 1

    def __str__(self) -> str:
        text = f"{self.file}:{self.line}:{self.column}: {self.message}"
        if self.meant:
            text += f" (did you mean “{self.meant}”?)"
        if self.source:
            text += f"\n    {self.source}"
            if self.column:
                text += "\n    " + " " * (self.column - self.source_from) + "^"
        return text


class LogError(InputError):
    """A log with rows that cannot be read; nothing of that fight was changed."""

    def __init__(self, problems: tuple[Problem, ...]):
        self.problems = problems
        super().__init__("\n".join(str(p) for p in problems))


class FightFolderError(InputError):
    pass


class FootageError(InputError):
    pass


class PhraseError(InputError):
    pass


class ThemeError(InputError):
    pass


class SettingsError(InputError):
    pass


class NotFoundError(InputError):
    http_status = 404


class BusyError(ClipLibError):
    http_status = 409


class MediaError(ClipLibError):
    pass


class StorageError(ClipLibError):
    http_status = 507


class FaultError(ClipLibError):
    pass


MISTAKES = (TypeError, AttributeError, NameError, ImportError, AssertionError, KeyError)
"""What only a mistake in a program raises: a FaultError, and never a message about somebody's file."""


class Cancelled(ClipLibError):
    exit_code = 130
    http_status = 409
