"""Parts of a film over HTTP, as RFC 9110, section 14, says."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from flask import Flask, send_file
from hypothesis import given
from hypothesis import strategies as st

from cliplib_web.site.ranges import LONGEST_PART, Answer, part_of

SIZE = 10_000


@pytest.fixture
def client(tmp_path: Path) -> Any:
    path = tmp_path / "film.mp4"
    path.write_bytes(bytes(range(250)) * (SIZE // 250))
    long = tmp_path / "long.mp4"
    long.touch()
    with long.open("r+b") as file:
        file.truncate(3 * LONGEST_PART)
    (tmp_path / "empty.mp4").touch()
    app = Flask(__name__)
    app.response_class = Answer

    @app.get("/<name>")
    def film(name: str) -> Any:
        return send_file(tmp_path / name, mimetype="video/mp4", conditional=True)

    return app.test_client()


# The examples of sections 14.1.2 and 14.4, on a file of 10,000 bytes; None: answered as if not asked.
CASES = {
    "bytes=0-499": (0, 500), "bytes=500-999": (500, 1000), "bytes=-500": (9500, 10_000),
    "bytes=9500-": (9500, 10_000), "bytes=0-0": (0, 1), "bytes=9999-12000": (9999, 10_000),
    "bytes=-99999": (0, 10_000), "BYTES=0-1": (0, 2), "bytes=0-" + "9" * 40: (0, 10_000),
    "bytes=5-2": None, "bytes=0-0,-1": None, "bytes=0-,0-,0-": None, "bytes=a-b": None, "lines=1-2": None,
    "bytes=": None, "bytes=-": None, "bytes": None, "bytes=1": None, "bytes=--5": None, "bytes=٣-٥": None,
}  # fmt: skip


@pytest.mark.parametrize(("asked", "sent"), CASES.items())
def test_as_the_standard_says(client: Any, asked: str, sent: tuple[int, int] | None) -> None:
    with client.get("/film.mp4", headers={"Range": asked}) as answer:
        if sent is None:
            assert (answer.status_code, len(answer.data)) == (200, SIZE)
        else:
            first, end = sent
            assert answer.status_code == 206
            assert answer.headers["Content-Range"] == f"bytes {first}-{end - 1}/{SIZE}"
            assert answer.data == (bytes(range(250)) * (SIZE // 250))[first:end]


@pytest.mark.parametrize(
    "asked", ["bytes=10000-", "bytes=10000-10001", "bytes=-0", "bytes=" + "9" * 40 + "-"]
)
def test_what_cannot_be_satisfied(client: Any, asked: str) -> None:
    with client.get("/film.mp4", headers={"Range": asked}) as answer:
        assert answer.status_code == 416
        assert answer.headers["Content-Range"] == f"bytes */{SIZE}"


def test_only_get_has_parts_and_conditions_come_first(client: Any) -> None:
    """Sections 14.2 (a Range is for GET only) and 13.2.2 (If-None-Match before Range); If-Range, 13.1.5."""
    asked = {"Range": "bytes=0-99"}
    with client.head("/film.mp4", headers=asked) as answer:
        assert (answer.status_code, answer.headers["Content-Length"]) == (200, str(SIZE))
        tag = answer.headers["ETag"]
    with client.get("/film.mp4", headers={**asked, "If-None-Match": tag}) as answer:
        assert answer.status_code == 304
    with client.get("/film.mp4", headers={**asked, "If-Range": tag}) as answer:
        assert answer.status_code == 206
    with client.get("/film.mp4", headers={**asked, "If-Range": '"other"'}) as answer:
        assert answer.status_code == 200
    with client.get("/empty.mp4", headers=asked) as answer:
        assert (answer.status_code, answer.data) == (200, b"")


@pytest.mark.parametrize(
    ("asked", "first"),
    [("bytes=0-", 0), ("bytes=100-", 100), ("bytes=-2500000", 3 * LONGEST_PART - 2_500_000)],
)
def test_a_part_has_an_end(client: Any, asked: str, first: int) -> None:
    with client.get("/long.mp4", headers={"Range": asked}) as answer:
        assert (
            answer.headers["Content-Range"] == f"bytes {first}-{first + LONGEST_PART - 1}/{3 * LONGEST_PART}"
        )


@given(st.text(alphabet="bytes=0123456789-, \t", max_size=30), st.integers(1, 5 << 20))
def test_any_header(asked: str, length: int) -> None:
    part = part_of(asked, length)
    if part is not None:
        first, end = part
        assert 0 <= first <= end <= length
        assert end - first <= LONGEST_PART
