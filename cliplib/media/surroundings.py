"""What a process that works on strangers' footage is told of the one that starts it.

It is what that process needs to run, and no more: a file that takes it over finds nobody's key there.
"""

from __future__ import annotations

import os

NEEDED = frozenset(
    (
        "PATH", "LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH", "SYSTEMROOT",  # to be found and to start
        "PYTHONPATH", "PYTHONHOME", "PYTHONDONTWRITEBYTECODE", "PYTHONPYCACHEPREFIX",
        "LANG", "LC_ALL", "LC_CTYPE", "TZ",  # how names of files are spelt
        "TMPDIR", "TEMP", "TMP", "CLIPLIB_FFMPEG",
    )
)  # fmt: skip


def environment(**more: str) -> dict[str, str]:
    """Of the variables of this process those in `NEEDED`, and `more`."""
    return {name: value for name, value in os.environ.items() if name.upper() in NEEDED} | more
