"""Writing in pictures read by machine: the one place that knows `rapidocr`. An optional extra; its models are
in its wheel, and nothing is ever fetched.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Grey = npt.NDArray[np.uint8]

_LONGER_SIDE = 960
"""Of what the detector sees, pixels; by itself it enlarges until the shorter one has 736."""


@dataclass(frozen=True, slots=True)
class Line:
    """`box`: left, top, right, bottom in pixels of the picture that was read. `score`: 0 to 1."""

    text: str
    score: float
    box: tuple[float, float, float, float]


def available() -> bool:
    """Whether the extra `watch` is installed."""
    return all(importlib.util.find_spec(name) is not None for name in ("rapidocr", "onnxruntime", "cv2"))


class Reader:
    """Reads grey pictures. Loading takes a second and some 300 MB. Raises ImportError without the extra."""

    def __init__(self) -> None:
        from rapidocr import RapidOCR

        self._engine: Any = RapidOCR(
            params={
                "Global.log_level": "error",
                "Global.text_score": 0.3,
                "Det.limit_side_len": _LONGER_SIDE,
                "Det.limit_type": "max",
                "EngineConfig.onnxruntime.intra_op_num_threads": 1,
                "EngineConfig.onnxruntime.inter_op_num_threads": 1,
            }
        )

    def lines(self, picture: Grey) -> list[Line]:
        """All the writing that is found in a picture."""
        # The three flags stick from call to call, so each call gives them all.
        said = self._engine(_coloured(picture), use_det=True, use_cls=False, use_rec=True)
        if said is None or said.txts is None or said.boxes is None:
            return []
        return [
            Line(str(text), float(score), _bounds(corners))
            for text, score, corners in zip(said.txts, said.scores, said.boxes, strict=True)
        ]

    def line(self, picture: Grey) -> tuple[str, float]:
        """(text, score) of a picture that holds one line and little else."""
        said = self._engine(_coloured(picture), use_det=False, use_cls=False, use_rec=True)
        if said is None or not said.txts:
            return "", 0.0
        return str(said.txts[0]), float(said.scores[0])


def _coloured(picture: Grey) -> Grey:
    return np.ascontiguousarray(np.repeat(picture[..., None], 3, axis=2))


def _bounds(corners: Any) -> tuple[float, float, float, float]:
    points = np.asarray(corners, dtype=float).reshape(-1, 2)
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)
