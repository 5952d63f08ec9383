"""One drawn telecast of 40 seconds, looked at once for all tests."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from cliplib.media.probe import Probe, probe
from cliplib.watching import finding, reading
from cliplib.watching.seen import Pass, Place, Seen
from fixtures import telecast


@dataclass(frozen=True)
class Small:
    found: Probe
    truth: dict[str, Any]
    looked: Pass
    sound: npt.NDArray[np.int16]
    place: Place | None
    seen: Seen


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Small:
    folder = tmp_path_factory.mktemp("telecast")
    path, truth = telecast.film("small", folder)
    found = probe(path)
    looked = Pass(found, folder / "cache")
    sound = looked.sound()
    place = finding.clock_place(looked) if reading.available() else None
    return Small(found, truth, looked, sound, place, looked.frames(place, finding.every_s(12.0)))


@pytest.fixture(scope="session")
def film(small: Small) -> Path:
    return small.found.path
