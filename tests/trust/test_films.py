"""One bad film never stops the others. More of them: `python -m tests.trust.films`."""

from __future__ import annotations

import errno
import shutil
import subprocess
from pathlib import Path

import pytest

from cliplib.core.errors import FaultError, StorageError
from cliplib.ingest import cut as ingest_cut
from cliplib.ingest.ingest import Ingest
from cliplib.media import ffmpeg
from tests import libraries
from tests.trust import films


def test_films_with_wrong_tables_stop_nobody(tmp_path: Path) -> None:
    wrong, became = films.beside_a_good_one([films.endless(), *(films.film(n) for n in range(4))], tmp_path)
    assert wrong == ""
    assert became.total() == 6
    assert became["our fault"] == 0


@pytest.mark.parametrize(
    "mistake",
    [
        ValueError("v"), OverflowError("o"), IndexError("i"), RecursionError("r"), MemoryError(), RuntimeError("x"),
        UnicodeDecodeError("utf-8", b"\xff", 0, 1, "u"), ZeroDivisionError(), ExceptionGroup("g", [ValueError("w")]),
        OSError(errno.EIO, "Input/output error"),
    ],
    ids=lambda mistake: type(mistake).__name__,
)  # fmt: skip
@pytest.mark.parametrize("step", ["_read", "_plan", "_cut", "_sweep"])
def test_any_error_on_one_fight_is_that_fights(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mistake: Exception, step: str
) -> None:
    for name in ("aa", "bb", "cc"):
        libraries.make_fight(tmp_path / "fights" / name, title=f"Fight {name}")
    honest = getattr(Ingest, step)

    def clumsy(self: Ingest, fight: object, *more: object) -> object:
        if "Fight bb" in str(fight):
            raise mistake
        return honest(self, fight, *more)

    monkeypatch.setattr(Ingest, step, clumsy)
    report = libraries.ingest(tmp_path / "library", tmp_path / "fights")
    assert report.exit_code != 0
    told = {fight.title: fight for fight in report.fights}
    assert told["Fight bb"].errors
    if not isinstance(mistake, OSError):
        assert isinstance(told["Fight bb"].errors[0], FaultError)
        assert type(mistake).__name__ in str(told["Fight bb"].errors[0])
    for name in ("Fight aa", "Fight cc"):
        assert (told[name].errors, sum(told[name].cut.values())) == ([], 2)


def test_a_full_disk_stops_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No other fight would fare better."""
    for name in ("aa", "bb"):
        libraries.make_fight(tmp_path / "fights" / name, title=f"Fight {name}")

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(ingest_cut, "carry_out", full)
    with pytest.raises(StorageError, match="free some space"):
        libraries.ingest(tmp_path / "library", tmp_path / "fights")


def test_a_folder_that_goes_while_it_is_ingested_is_that_fights(tmp_path: Path) -> None:
    for name in ("aa", "bb"):
        libraries.make_fight(tmp_path / "fights" / name, kind=None, title=f"Fight {name}")

    def progress(stage: str, done: int, total: int) -> None:
        if stage == "reading logs" and done == 2:
            shutil.rmtree(tmp_path / "fights" / "aa")

    report = libraries.ingest(tmp_path / "library", tmp_path / "fights", progress=progress)
    told = {fight.title: fight for fight in report.fights}
    assert told["Fight aa"].errors
    assert not told["Fight bb"].errors


@pytest.mark.parametrize("real", [True, False])
def test_an_encrypted_film_is_named_as_such(tmp_path: Path, real: bool) -> None:
    """Common Encryption renames the sample entry to `encv` (ISO/IEC 23001-7); FFmpeg writes it."""
    fight = libraries.make_fight(tmp_path / "fight")
    film = fight / "fight.mp4"
    if real:
        plain = film.rename(tmp_path / "plain.mp4")
        key = ["-encryption_scheme", "cenc-aes-ctr", "-encryption_key", "76a6c65c5ea762046bd749a2e632ccbb"]
        key += ["-encryption_kid", "a7e61c373e219033c21091fa607bf3b8"]
        command = [ffmpeg.binary(), "-v", "error", "-i", plain, "-c", "copy", *key, film]
        subprocess.run(command, check=True)
    else:
        film.write_bytes(film.read_bytes().replace(b"avc1\0\0\0\0\0\0", b"encv\0\0\0\0\0\0"))
    report = libraries.ingest(tmp_path / "library", fight)
    (told,) = report.fights[0].errors
    assert "is encrypted" in str(told)
    assert report.fights[0].exchanges == 2
