"""The description of the HTTP interface: every route is in it, and whatever is sent, the answer is one that it states."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from capture.jobs import JobFolder
from capture.profiles import load_profile
from capture.rerun import rerun
from capture.setup_file import load_setup
from capture.station import Station
from tests.analysis import job_scenarios as s
from tests.capture.live import LONG_S
from tests.fakes.handed import HandedSource
from tests.web.serving import served_in_thread
from tests.web.test_pairing import all_routes
from web.api_doc import document
from web.api_doc.results import Result
from web.app import make_app

STREAMS = sorted((Path(__file__).parents[2] / "recorded_streams").glob("*/stream.jsonl"))

ASIDE = {
    "/api/events": "without end; it has tests of its own",
    "/api/connect/identify": "opens whatever source it is given",
    "/api/connect/use": "opens whatever source it is given",
    "/api/connect/bluetooth": "searches the air",
    "/api/connect/doctor": "looks at this computer, and there is nothing to send",
    "/api/figures/{name}.svg": "starts a program of its own that draws",
}
"""Routes that are not asked at random."""


def test_every_route_is_described_and_nothing_else(tmp_path: Path) -> None:
    from capture.sources.push import PushSource

    push = PushSource()
    station = Station(push, profile=load_profile("json-lines"))
    app = make_app(station, push=push, jobs=JobFolder(tmp_path))
    there = {(m.lower(), p) for m, p in all_routes(app) if p.startswith("/api/")}
    described = set()
    for path, methods in document()["paths"].items():
        filled = path.replace("{job}", "unit-1").replace("{id}", "1").replace("{name}", "1")
        described |= {(method, filled) for method in methods}
    assert there == described


@pytest.mark.parametrize("stream", STREAMS, ids=lambda p: p.parent.name)
def test_what_a_recording_gives_has_the_shape_that_is_described(stream: Path) -> None:
    setup = stream.with_name("setup.toml")
    result = rerun(stream, load_setup(setup) if setup.exists() else None).result()
    Result.model_validate_json(json.dumps(result), strict=True)


def test_the_document_is_served_and_names_nothing_that_is_missing(tmp_path: Path) -> None:
    text = json.dumps(document())
    names = {x.partition('"')[0] for x in text.split("#/components/schemas/")[1:]}
    assert names <= document()["components"]["schemas"].keys()
    said = [o["summary"] for m in document()["paths"].values() for o in m.values()]
    assert all(x.endswith(".") for x in said)
    assert len({o["operationId"] for m in document()["paths"].values() for o in m.values()}) == len(said)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with an invented job."""
    folder = tmp_path_factory.mktemp("api")
    job = JobFolder(folder).new("one")
    job.add_all([(kind, data, None) for kind, data in s.ONE if kind != "close"], "AB")
    return folder


@pytest.fixture
def base(shop: Path, tmp_path: Path) -> Iterator[str]:
    """A real server with that job, and recordings and jobs in a folder of its own."""
    shutil.copytree(shop, tmp_path / "jobs")
    with served_in_thread(HandedSource(), tmp_path / "streams", jobs=JobFolder(tmp_path / "jobs")) as address:
        yield address


api: Any = schemathesis.openapi.from_dict(document())
for path in ASIDE:
    api = api.exclude(path=path)


@api.parametrize()
@settings(
    max_examples=10,
    derandomize=True,
    database=None,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
def test_whatever_is_sent_the_answer_is_one_that_is_described(case: Any, base: str) -> None:
    # Half of the names asked for are those of the job that is there.
    job = case.path_parameters.get("job") if case.path_parameters else None
    if job is not None and len(job) % 2:
        case.path_parameters["job"] = "one"
    case.call_and_validate(
        base_url=base,
        timeout=LONG_S,
        checks=[not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance],
    )
