"""Anything sent to the job routes is answered: taken, or refused with the reason; never a fault of the program, and nothing half written."""

from __future__ import annotations

import asyncio
import json
import string
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from analysis.job.kinds import KINDS
from capture.jobs import JobFolder
from capture.profiles import load_profile
from capture.station import Station
from tests.analysis import job_scenarios as s
from tests.fakes.handed import HandedSource
from web.app import make_app

HOST = "127.0.0.1:8710"

scalars = (
    st.none()
    | st.booleans()
    | st.integers(-(10**30), 10**30)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=12)
    | st.sampled_from(
        [
            "0.1 mm",
            "1e9 mm",
            "-0.0005 in",
            "19 lb·in",
            "21 °C",
            "as-found",
            "trial",
            "final",
            "depth",
            "torqued",
            "0",
            "+14",
            "98",
            "unknown",
        ]
    )
)
values = st.recursive(
    scalars, lambda x: st.lists(x, max_size=4) | st.dictionaries(st.text(max_size=6), x, max_size=3), max_leaves=8
)


@st.composite
def entry(draw: st.DrawFn) -> dict[str, Any]:
    """A body for a new entry: mostly with true names, now and then with none."""
    kind = draw(st.sampled_from(sorted(KINDS)))
    names = st.sampled_from(sorted(KINDS[kind].fields)) | st.text(string.ascii_lowercase, max_size=5)
    body: dict[str, Any] = {"kind": kind, "by": "AB", "data": draw(st.dictionaries(names, values, max_size=5))}
    if draw(st.booleans()):
        body |= draw(st.dictionaries(st.sampled_from(["kind", "by", "data", "corrects", "x"]), values, max_size=2))
    return body


class Shop:
    """One application with an invented job, asked without a network."""

    def __init__(self, folder: Path) -> None:
        self.jobs = JobFolder(folder / "shop")
        self.job = self.jobs.new("one")
        for kind, data in s.ONE:
            if kind != "close":
                self.job.add(kind, data, "AB")
        self.station = Station(HandedSource(), profile=load_profile("text-line"), record_to=folder / "streams")
        self.app = make_app(self.station, jobs=self.jobs)

    def ask(self, method: str, path: str, body: Any = None, raw: bytes | None = None) -> httpx.Response:
        """One request; a fault of the program comes out as it is."""

        async def main() -> httpx.Response:
            transport = httpx.ASGITransport(self.app, raise_app_exceptions=True)
            async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}") as c:
                content = raw if raw is not None else None if body is None else json.dumps(body).encode()
                return await c.request(method, path, content=content)

        return asyncio.run(main())


@pytest.fixture
def shop(tmp_path: Path) -> Any:
    one = Shop(tmp_path)
    yield one
    one.station.close()


ANY = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
ANSWERED = {200, 201, 204, 307, 400, 404, 405, 409, 413, 422}


@ANY
@given(body=entry() | values)
@example(body={"kind": "set", "by": "AB", "data": {"phase": "trial", "stream": "streams/../../x", "seatings": []}})
@example(body={"kind": "backlash", "by": "AB", "data": {"phase": "trial", "stream": "streams/none/stream.jsonl"}})
@example(body={"kind": "fit", "by": "AB", "data": {"place": "depth", "pieces": ["\ud800"]}})
@example(body={"kind": "limit", "by": "AB", "data": {"name": "backlash", "value": "0.1 mm", "page": "1"}})
def test_an_entry_is_taken_or_refused(shop: Shop, body: Any) -> None:
    before = len(shop.job.journal().entries)
    r = shop.ask("POST", "/api/jobs/one/entries", body)
    assert r.status_code in ANSWERED, r.text
    after = len(shop.job.journal().entries)
    assert after > before if r.status_code == 201 else after == before
    if r.status_code == 422:
        assert r.json()["detail"]
    # Whatever was taken, the job can still be read and shown.
    for path in (
        "/api/jobs/one",
        "/api/jobs",
        "/api/jobs/one/next",
        "/api/jobs/one/void",
        "/api/jobs/one/entries",
        "/api/stock",
    ):
        assert shop.ask("GET", path).status_code == 200
    assert all(f.same for f in shop.job.check())


@ANY
@given(body=values, path=st.sampled_from(["sets", "backlash", "end-play"]), known=st.booleans())
def test_an_attachment_is_taken_or_refused(shop: Shop, body: Any, path: str, known: bool) -> None:
    if known and isinstance(body, dict):
        body = {"phase": "trial", "by": "AB", **body}
    r = shop.ask("POST", f"/api/jobs/one/{path}", body)
    assert r.status_code in ANSWERED - {200, 201}, r.text


@ANY
@given(
    raw=st.binary(max_size=60) | st.text(max_size=40).map(lambda x: x.encode("utf-8", "surrogatepass")),
    path=st.sampled_from(["/api/jobs", "/api/bench", "/api/jobs/one/entries", "/api/jobs/one/sets"]),
)
@example(raw=b'{"job": 1e999}', path="/api/jobs")
@example(raw=b'{"job": 1e9999999999999999999}', path="/api/jobs")
@example(
    # written out it would be a milliard digits, and the answer minutes away
    raw=b'{"kind": "gearset", "by": "AB", "data": {"nominal": 1e999999999, "etched": -1e-999999999}}',
    path="/api/jobs/one/entries",
)
@example(raw=b"[" * 3000, path="/api/jobs/one/entries")
@example(raw=b'{"kind": "note", "kind": "x", "by": "AB", "data": {"text": "\\ud800"}}', path="/api/jobs/one/entries")
def test_bytes_that_are_no_request_are_refused(shop: Shop, raw: bytes, path: str) -> None:
    r = shop.ask("POST", path, raw=raw)
    assert r.status_code in ANSWERED, r.text


@ANY
@given(name=st.text(max_size=20), tail=st.sampled_from(["", "/entries", "/next", "/void", "/check", "/sets", "/size"]))
@example(name="a" * 3000, tail="/size")
@example(name="a" * 3000, tail="")
@example(name="..", tail="")
@example(name="one/../one", tail="/check")
@example(name="%2e%2e", tail="/entries")
@example(name="one\x00", tail="")
def test_a_job_s_name_leads_nowhere_else(shop: Shop, name: str, tail: str) -> None:
    from urllib.parse import quote

    r = shop.ask("GET", f"/api/jobs/{quote(name.encode('utf-8', 'surrogatepass'), safe='')}{tail}")
    assert r.status_code in ANSWERED, r.text
    assert r.status_code != 200 or name in ("", "one")


@ANY
@given(body=st.dictionaries(st.sampled_from(["job", "x"]), values, max_size=2))
def test_a_job_is_begun_or_refused(shop: Shop, body: dict[str, Any]) -> None:
    for path in ("/api/jobs", "/api/bench"):
        assert shop.ask("POST", path, body).status_code in ANSWERED
