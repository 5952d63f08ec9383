"""How exchanges of a library often begin is offered in one entry, and reads back to just that."""

from __future__ import annotations

from pathlib import Path

from cliplib import Library
from tests import libraries


def test_what_often_opens_an_exchange_is_offered_whole(tmp_path: Path) -> None:
    """Three times a jab that missed is answered by a right uppercut to the body that landed, once by a hook."""
    rows = [
        row
        for at in (2, 3.5, 5)
        for row in (
            f"0:0{at},Adeyemi,jab,missed,",
            f"0:0{at + 0.2:.1f},Brandt,rear uppercut to the body,landed,",
        )
    ]
    rows += ["0:06.5,Adeyemi,jab,missed,", "0:06.7,Brandt,lead hook,blocked,"]
    folder = libraries.make_fight(tmp_path / "fight", kind=None, rows=rows)
    text = (folder / "log.csv").read_text().splitlines()
    numbered = [f"{line},{'exchange' if not i else (i + 1) // 2}" for i, line in enumerate(text)]
    (folder / "log.csv").write_text("\n".join(numbered) + "\n")
    library = Library(tmp_path / "library", create=True)
    assert library.logging.ingest([folder]).exit_code == 0
    assert library.logging.next_lines.patterns(1) == (
        (
            "Emeka Adeyemi jab missed, Jonas Brandt rear uppercut to the body landed",
            "Jonas Brandt jab missed, Emeka Adeyemi rear uppercut to the body landed",
        ),
    )
    library.close()
