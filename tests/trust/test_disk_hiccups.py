"""A disk that fails to read once decides nothing for good: found by `tests.faults` as results that differ."""

from __future__ import annotations

import dataclasses
import errno
import os
from pathlib import Path
from typing import Any

import pytest

from cliplib.core.errors import FootageError, StorageError
from cliplib.media import working
from cliplib.media.apart import probing
from cliplib.media.cut import Cutter
from cliplib.media.mp4 import reading
from cliplib.media.probe import probe
from cliplib.media.working import Prepared, prepare
from tests.media import footage

# Private parts: the tables are asked whether a slice was planned.


@pytest.fixture
def made(tmp_path: Path) -> Prepared:
    prepared = prepare(probe(footage.make("matroska").path), tmp_path)
    assert prepared.sliced is not None
    assert prepared.sliced.name.endswith("-copy.mp4")
    return prepared


@pytest.mark.parametrize("how", ["unreadable", "not sliceable"])
def test_a_copy_that_was_not_read_once_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    real, asked = probe, []

    def once(path: Path, *more: Any) -> Any:
        asked.append(path)
        found = real(path, *more)
        if len(asked) > 1:
            return found
        if how == "unreadable":
            raise FootageError(f"{path}: cannot be read: {os.strerror(errno.EIO)}")
        return found.__class__(found.path, _unsliceable(found.info), found.timeline)

    monkeypatch.setattr(working, "probe", once)
    prepared = prepare(real(footage.make("matroska").path), tmp_path)
    assert prepared.sliced is not None
    assert prepared.sliced.name.endswith("-copy.mp4")
    assert len(asked) == 2


def _unsliceable(info: Any) -> Any:
    return dataclasses.replace(info, sliceable=False, why_not="it could not be read")


def test_a_copy_that_is_there_is_looked_at_twice(
    made: Prepared, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, asked = working.table_timeline, []

    def once(path: Path) -> Any:
        asked.append(path)
        if len(asked) == 1:
            raise FootageError("cannot be read")
        return real(path)

    before = made.sliced.stat().st_ino if made.sliced else 0
    monkeypatch.setattr(working, "table_timeline", once)
    again = prepare(probe(footage.make("matroska").path), tmp_path)
    assert again.sliced == made.sliced
    assert again.sliced.stat().st_ino == before


def test_clips_are_not_encoded_because_a_disk_failed(made: Prepared, monkeypatch: pytest.MonkeyPatch) -> None:
    assert made.sliced is not None

    def broken(fd: int) -> os.stat_result:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as patch:
        patch.setattr(reading.os, "fstat", broken)
        with pytest.raises(StorageError, match="run this again"), Cutter(made):
            pass
    with Cutter(made) as cutter:
        assert cutter._tables is not None


def test_footage_that_was_not_read_once_is_not_noted_as_unfit(monkeypatch: pytest.MonkeyPatch) -> None:
    path = footage.make("closed gop").path

    def broken(path: Path) -> Any:
        raise FootageError(f"{path}: cannot be read") from OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as patch:
        patch.setattr(probing.reading, "read_movie", broken)
        with pytest.raises(FootageError, match="cannot be read"):
            probing.probed(path)
    assert probing.probed(path)[0].sliceable
