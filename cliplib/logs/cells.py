"""Cells of CSV files that people open in a spreadsheet: a name or note in them is never run as a formula.

A cell that a spreadsheet might take for one is written with an apostrophe before it, and read without it
(CWE-1236; the signs are those of OWASP's page "CSV Injection", from memory). Both directions are exact:
`meant(harmless(text)) == text` for every text.
"""

from __future__ import annotations

import re

# Also what has apostrophes before such a sign already, so that taking one away gives back what was written.
_FORMULA = re.compile(r"'*(?:[=@\t\r＝＠＋－]|[+-](?!(?:\d+(?:\.\d+)?)?\Z))")


def harmless(text: str) -> str:
    """A cell as it is to be written. Plain numbers and a lone dash stay as they are."""
    return f"'{text}" if _FORMULA.match(text) else text


def meant(text: str) -> str:
    """What a cell says that `harmless` wrote."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text
