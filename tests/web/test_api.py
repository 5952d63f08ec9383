"""The JSON under /api against its own description: no 500, no answer that isn't described.

The description is OpenAPI 3.1 (https://spec.openapis.org/oas/v3.1.0), read by schemathesis, which makes up
requests from it. It is held against the routes first, so that nothing can be left out of it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from cliplib import Library
from cliplib_web import create_app
from cliplib_web.api import document as api_doc
from cliplib_web.api import routes as api
from tests import libraries
from tests.libraries import BLUE, RED

KEY = "k" * 24
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("api")
    libraries.make_fight(folder / "fight")
    library = Library(folder / "library", create=True)
    library.logging.ingest([folder / "fight"])
    library.logging.live.add(1, "MK", 100, "jab missed", fighter=RED)
    library.logging.live.add(1, "MK", 110, "overhand", fighter=BLUE, note="wide")
    text = "# T\n\n## P\n\n[1 of 2](count:jab), [3 of 4](count:hook).\n\n- [x](clip:1)\n"
    assert library.making.breakdowns.put(None, text) == "t"
    library.close()
    client = create_app(folder / "library").test_client()
    with client.session_transaction() as session:
        session.update(form_key=KEY, by="MK")
    return client


@pytest.fixture(scope="module")
def description(client: Any) -> Any:
    return schemathesis.openapi.from_wsgi("/api/openapi.json", client.application)


def test_the_description_is_complete(client: Any) -> None:
    with client.application.app_context():
        there = api.known_paths()
    told = {(path, method) for path, item in api_doc.document()["paths"].items() for method in item}
    assert told == there


OPERATIONS = sorted((p, m) for p, item in api_doc.document()["paths"].items() for m in item)


@pytest.mark.parametrize(("path", "method"), OPERATIONS)
def test_every_answer_is_described(client: Any, description: Any, path: str, method: str) -> None:
    cookie = client.get_cookie("cliplib").value

    @settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
    @given(case=description[path][method].as_strategy())
    def ask(case: Any) -> None:
        response = case.call(headers={"X-Form-Key": KEY}, cookies={"cliplib": cookie})
        case.validate_response(response, checks=CHECKS)

    ask()


@pytest.mark.parametrize(("path", "method"), OPERATIONS)
def test_nonsense_is_answered_as_described(client: Any, description: Any, path: str, method: str) -> None:
    """Requests that break the description on purpose: wrong types, missing values, numbers out of reach."""
    cookie = client.get_cookie("cliplib").value
    operation = description[path][method]
    try:
        strategy = operation.as_strategy(generation_mode=GenerationMode.NEGATIVE)
    except Unsatisfiable:
        pytest.skip("nothing of it can be wrong")

    @settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
    @given(case=strategy)
    def ask(case: Any) -> None:
        response = case.call(headers={"X-Form-Key": KEY}, cookies={"cliplib": cookie})
        case.validate_response(response, checks=CHECKS)

    try:
        ask()
    except Unsatisfiable:
        pytest.skip("nothing of it can be wrong")


def get(client: Any, address: str) -> Any:
    answer = client.get(address)
    assert answer.status_code == 200, answer.get_data(as_text=True)
    return answer.get_json()


def test_what_a_script_would_do(client: Any) -> None:
    found = get(client, "/api/find?q=counter to the body after a missed jab")
    assert found["total"] == 1
    (clip,) = found["clips"]
    assert "file" not in clip
    with client.get(clip["video"]) as video, client.get(clip["picture"]) as picture:
        assert (video.status_code, picture.mimetype) == (200, "image/jpeg")
    assert get(client, f"/api/clips/{clip['id']}?q=missed jab")["matches"] == [[0]]
    assert get(client, "/api/explain?q=lead hook")["steps"][0]["technique"] == "hook"
    assert get(client, "/api/fights/1")["red"] == {"name": RED, "stance": "southpaw"}
    assert {one["id"] for one in get(client, f"/api/clips/{clip['id']}/similar")} <= {
        *get(client, "/api/fights/1")["clip_ids"],
        *range(1, 10),
    }
    key = get(client, "/api/session")["form_key"]
    said = {"by": "JP", "frame": 60, "action": "clinch", "fighter": RED}
    made = client.post("/api/fights/1/lines", json=said, headers={"X-Form-Key": key})
    assert made.status_code == 201
    line = made.get_json()["line"]
    assert (line["frame"], line["time"], line["action"]) == (60, 2.4, "clinch")
    assert [one["id"] for one in get(client, "/api/fights/1/lines?by=JP")["lines"]] == [line["id"]]
    address = f"/api/fights/1/lines/{line['id']}"
    moved = client.patch(address, json={"by": "JP", "frame": 61}, headers={"X-Form-Key": key})
    assert moved.get_json()["line"]["frame"] == 61
    assert client.delete(f"{address}?by=JP", headers={"X-Form-Key": key}).status_code == 204
    assert client.delete(f"{address}?by=JP", headers={"X-Form-Key": key}).status_code == 404


@pytest.mark.parametrize(
    "body",
    ["", "[]", "3", '{"frame": 1}', '{"action": "jab"}', '{"frame": "1", "action": "jab"}',
     '{"frame": true, "action": "jab"}', '{"frame": 1e99, "action": "jab"}', '{"frame": 50, "action": 3}',
     '{"frame": 50, "action": "jab", "x": 1}', '{"frame": 99999999999999999999, "action": "jab"}'],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_in_words(client: Any, body: str) -> None:
    answer = client.post(
        "/api/fights/1/lines", data=body, content_type="application/json", headers={"X-Form-Key": KEY}
    )
    assert answer.status_code == 400
    assert answer.get_json()["message"]


def test_where_files_lie_is_not_told(client: Any, tmp_path: Path) -> None:
    root = str(client.application.extensions["library"].folder.parent)
    for address in ("/api/find?q=punch", "/api/clips/1", "/api/fights", "/api/fights/1", "/api/reels"):
        assert root not in client.get(address).get_data(as_text=True)
