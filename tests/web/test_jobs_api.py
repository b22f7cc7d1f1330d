"""Jobs over HTTP: three invented jobs start to finish, refusals field by field, and nobody from outside."""

from __future__ import annotations

import asyncio
import io
import json
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from capture.jobs import JobFolder
from capture.jobs.journal import NAME
from capture.profiles import load_profile
from capture.sources.typed import TypedSource
from capture.station import Station
from tests.analysis import job_scenarios as s
from tests.capture.test_analyse import record
from tests.capture.test_jobs import STREAM_START
from web.app import make_app

HOST = "127.0.0.1:8710"
IN = 25.4


@asynccontextmanager
async def client(shop: Path, jobs: bool = True) -> AsyncIterator[httpx.AsyncClient]:
    """A client of an application with a folder of jobs."""
    station = Station(TypedSource(io.StringIO("")), profile=load_profile("text-line"))
    app = make_app(station, jobs=JobFolder(shop) if jobs else None)
    await station.start()
    try:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url=f"http://{HOST}") as c:
            yield c
    finally:
        await station.stop()


def run(shop: Path, work: Callable[[httpx.AsyncClient], Awaitable[Any]]) -> Any:
    """What `work` gives."""

    async def main() -> Any:
        async with client(shop) as c:
            return await work(c)

    return asyncio.run(main())


async def write(c: httpx.AsyncClient, job: str, rows: Sequence[s.Row], by: str = "AB") -> dict[str, Any]:
    """Entries one by one; the last answer."""
    answer: dict[str, Any] = {}
    for kind, data in rows:
        r = await c.post(f"/api/jobs/{job}/entries", json={"kind": kind, "data": data, "by": by})
        assert r.status_code == 201, r.text
        answer = r.json()
    return answer


async def begun(c: httpx.AsyncClient, job: str, rows: Sequence[s.Row]) -> dict[str, Any]:
    """State of a new job after these rows."""
    assert (await c.post("/api/jobs", json={"job": job})).status_code == 201
    await write(c, job, rows)
    state: dict[str, Any] = (await c.get(f"/api/jobs/{job}")).json()
    return state


def test_scenario_one(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        v = await begun(c, "one", s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL + s.ONE_BOX)
        assert v["depth"]["error_mm"] == pytest.approx(0.0925, abs=5e-5)
        assert v["shim"]["stack_mm"] == pytest.approx(0.8275, abs=5e-5)
        assert [g["thickness"] for g in v["shim"]["order"]] == ["0.82", "0.80", "0.84"]
        answer = await write(c, "one", s.ONE_DELIVERED[:2])
        assert answer["entry"]["data"]["predicted"]["predicted_mm"] == pytest.approx(61.6355, abs=5e-5)
        answer = await write(c, "one", s.ONE_DELIVERED[2:] + s.ONE_NEW)
        assert answer["next"]["name"] == "pinion-preload"
        await write(c, "one", s.ONE_FINAL + s.ONE_CARRIER)
        v = (await c.get("/api/jobs/one")).json()
        assert (v["carrier"]["left_mm"], v["carrier"]["right_mm"]) == pytest.approx((1.93, 1.73), abs=1e-9)
        answer = await write(c, "one", s.ONE_MOVED + s.ONE_END)
        assert answer["next"] is None
        v = (await c.get("/api/jobs/one")).json()
        assert v["predictions"][0]["closure"]["agrees"] is True
        assert v["ring_moves"][0]["learnt_ratio"] == pytest.approx(0.692, abs=5e-4)
        assert (await c.get("/api/jobs/one/check")).json()["same"] is True
        assert len((await c.get("/api/jobs/one/entries")).json()["entries"]) == len(s.ONE)

    run(tmp_path, work)


def test_scenario_two(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        v = await begun(c, "two", s.TWO_START + s.TWO_TRIAL)
        assert v["depth"]["distance_mm"] / IN == pytest.approx(2.490731, abs=1e-6)
        assert v["shim"]["stack_mm"] / IN == pytest.approx(0.0322, abs=5e-5)
        assert [g["thickness"] for g in v["shim"]["order"]] == ["0.032", "0.031", "0.033"]
        await write(c, "two", s.TWO_DELIVERED + s.TWO_NEW + s.TWO_FINAL + s.TWO_CARRIER + s.TWO_MOVED)
        v = (await c.get("/api/jobs/two")).json()
        assert v["depth"]["error_mm"] / IN == pytest.approx(0.00023, abs=5e-6)
        assert v["ring_moves"][0]["learnt_ratio"] == pytest.approx(0.641, abs=5e-4)
        assert v["next"]["name"] == "pattern"

    run(tmp_path, work)


def test_scenario_three(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        v = await begun(c, "three", s.THREE_START + s.THREE_HOT)
        assert v["depth"] is None
        void = (await c.get("/api/jobs/three/void")).json()
        assert "too far apart" in void["void"][0]["reasons"][0]["reason"]
        assert void["redo"][0]["kind"] == "depth"
        await write(c, "three", s.THREE_COLD)
        v = (await c.get("/api/jobs/three")).json()
        assert v["shim"]["stack_mm"] == pytest.approx(1.2641, abs=1e-9)
        assert [p["id"] for p in v["shim"]["far"]["pieces"]] == ["f1.112"]
        await write(c, "three", s.THREE_FINAL + s.THREE_RING)
        v = (await c.get("/api/jobs/three")).json()
        assert v["depth"]["error_mm"] == pytest.approx(0.0021, abs=1e-9)
        assert v["carrier"]["backlash"]["mean_mm"] == pytest.approx(0.161, abs=5e-4)

    run(tmp_path, work)


def test_a_nut_retorqued_over_http(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await begun(c, "one", s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL)
        answer = await write(c, "one", [("state", {"nut": "torqued"})])
        assert answer["next"]["say"].startswith("Measure the depth again: entry")
        v = (await c.get("/api/jobs/one")).json()
        assert v["depth"] is None
        assert v["shim"] is None

    run(tmp_path, work)


@pytest.mark.parametrize(
    ("body", "field", "allowed"),
    [
        (
            {"kind": "limit", "by": "AB", "data": {"name": "depth-tolerance", "value": 0.03, "page": "1"}},
            "limit.value",
            "the unit with the figure",
        ),
        ({"kind": "limt", "by": "AB", "data": {}}, "kind", "one of "),
        ({"kind": "state", "by": "AB", "data": {"covres": "torqued"}}, "state.covres", "one of nut"),
        ({"kind": "state", "by": "", "data": {"nut": "torqued"}}, "by", "initials"),
        ({"kind": "state", "data": {"nut": "torqued"}}, "by", "initials"),
        ({"kind": "state", "by": 5, "data": {"nut": "torqued"}}, "by", "initials"),
        ({"kind": "state", "by": "AB", "data": []}, "data", "an object"),
        ({"kind": 5, "by": "AB", "data": {}}, "kind", "the kind"),
        ({"kind": "note", "by": "AB", "data": {"text": "x"}, "corrects": "7"}, "corrects", "the number"),
        ({"kind": "note", "by": "AB", "data": {"text": "x"}, "n": 7}, "n", "one of kind"),
        ({"kind": "note", "by": "AB", "data": {"text": "\ud800"}}, "note.text", "control characters"),
        ({"kind": "note", "by": "AB", "data": {"text": "x", "\ud800": 1}}, "note.\\ud800", "one of text"),
        ({"kind": "note", "by": "\ud800", "data": {"text": "x"}}, "by", "initials"),
        ({"kind": "note", "by": "AB", "data": {"text": "x"}, "\ud800": 1}, "\\ud800", "one of kind"),
        (
            {"kind": "set", "by": "AB", "data": {"phase": "trial", "stream": "../x"}},
            "set.stream",
            "a raw stream in the job",
        ),
        ({"kind": "zeroing", "by": "AB", "data": {"when": "after", "reading": "0 mm"}}, "zeroing.when", "before"),
        ({"kind": "close", "by": "AB", "data": {"not_checked": "x"}}, "close", "first intake"),
    ],
)
def test_refusals_name_field_given_and_allowed(tmp_path: Path, body: dict[str, Any], field: str, allowed: str) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await c.post("/api/jobs", json={"job": "j"})
        before = (tmp_path / "j" / NAME).read_bytes()
        r = await c.post("/api/jobs/j/entries", content=json.dumps(body).encode())
        assert r.status_code == 422
        (p,) = r.json()["problems"]
        assert p["field"] == field
        assert allowed in p["allowed"]
        assert p["given"]
        assert (tmp_path / "j" / NAME).read_bytes() == before

    run(tmp_path, work)


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"{", b"\xff", b'{"kind":"note","by":"AB","data":{"text":NaN}}', b"[" * 100_000]
)
def test_what_is_no_json_object(tmp_path: Path, body: bytes) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await c.post("/api/jobs", json={"job": "j"})
        r = await c.post("/api/jobs/j/entries", content=body)
        assert r.status_code == 422
        assert r.json()["detail"]

    run(tmp_path, work)


def test_a_body_without_end_is_cut(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await c.post("/api/jobs", json={"job": "j"})
        r = await c.post("/api/jobs/j/entries", content=b" " * ((1 << 20) + 1))
        assert r.status_code == 413

    run(tmp_path, work)


def test_names_and_jobs_that_are_not_there(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        for name in ("../out", "a/b", "", ".x", 5, None):
            r = await c.post("/api/jobs", json={"job": name})
            assert r.status_code == 422, name
            assert r.json()["problems"][0]["field"] == "job"
        assert list(tmp_path.iterdir()) == []
        await c.post("/api/jobs", json={"job": "j"})
        r = await c.post("/api/jobs", json={"job": "j"})
        assert "holds a job already" in r.json()["problems"][0]["allowed"]
        for path in ("/api/jobs/k", "/api/jobs/k/next", "/api/jobs/%2e%2e/entries", "/api/jobs/..%2f..%2fj"):
            assert (await c.get(path)).status_code == 404, path
        assert (
            await c.post("/api/jobs/k/entries", json={"kind": "note", "data": {"text": "x"}, "by": "AB"})
        ).status_code == 404

    run(tmp_path, work)


def test_another_sites_page_may_not_write(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        r = await c.post("/api/jobs", json={"job": "j"}, headers={"origin": "http://evil.example"})
        assert r.status_code == 403
        assert list(tmp_path.iterdir()) == []

    run(tmp_path, work)


def test_a_correction_and_the_list(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await begun(c, "j", s.ONE_START[:2])
        r = await c.post(
            "/api/jobs/j/entries", json={"kind": "limit", "data": {"page": "13"}, "by": "CD", "corrects": 2}
        )
        assert r.json()["entry"]["data"] == {"name": "depth-tolerance", "value": "0.03 mm", "page": "13"}
        rows = (await c.get("/api/jobs/j/entries")).json()["entries"]
        assert [(x["n"], x["data"]["page"]) for x in rows if x["kind"] == "limit"] == [(2, "12"), (3, "13")]
        listed = (await c.get("/api/jobs")).json()["jobs"]
        assert listed == [
            {
                "job": "j",
                "unit": "invented transaxle",
                "closed": False,
                "next": (await c.get("/api/jobs/j/next")).json()["next"],
            }
        ]

    run(tmp_path, work)


def test_a_set_from_a_stream_and_the_stock(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await begun(c, "j", [*s.ONE_START[:1], *STREAM_START])
        record(tmp_path / "j" / "streams" / "trial.jsonl", 1, 8)
        answer = await write(c, "j", [("set", {"phase": "trial", "stream": "streams/trial.jsonl"})])
        assert answer["next"]["name"] == "zero-after"
        assert len(answer["entry"]["data"]["sha256"]) == 64
        await write(c, "j", [("zeroing", {"when": "after", "reading": "0 mm"}), *s.ONE_BOX])
        v = (await c.get("/api/jobs/j")).json()
        assert v["depth"]["status"] == "valid"
        assert v["readings"][0]["set"]["accepted"] >= 6
        stock = (await c.get("/api/stock")).json()["stock"]
        assert [(r["id"], r["state"]) for r in stock] == [("0.80", "free"), ("0.86", "free")]

    run(tmp_path, work)


def test_a_covered_set_is_covered_here_too(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await begun(c, "j", s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL)
        first = next(r for r in (await c.get("/api/jobs/j")).json()["readings"] if r["phase"] == "trial")["entry"]
        await write(c, "j", [("blind", {"first": first, "second": "CD"})])
        for path in ("", "/entries", "/next", "/void"):
            text = (await c.get(f"/api/jobs/j{path}")).text
            assert "61.73" not in text
            assert "1.634" not in text

    run(tmp_path, work)


def test_without_a_folder_there_are_no_jobs(tmp_path: Path) -> None:
    async def main() -> int:
        async with client(tmp_path, jobs=False) as c:
            return (await c.get("/api/jobs")).status_code

    assert asyncio.run(main()) == 404


def test_an_answer_says_what_is_odd_about_the_entry(tmp_path: Path) -> None:
    slip = ("preload", {"where": "pinion", "phase": "trial", "torque": "19 lb·ft"})
    state = ("state", {"bearings": "new", "seal": "out", "nut": "torqued", "turns": 20, "bearings_seated": True})

    async def work(c: httpx.AsyncClient) -> tuple[dict[str, Any], dict[str, Any]]:
        await c.post("/api/jobs", json={"job": "j"})
        return await write(c, "j", [state]), await write(c, "j", [slip])

    fine, odd = run(tmp_path, work)
    assert fine["remarks"] == []
    assert "Likely 19 lb·in (2.15 N·m)" in odd["remarks"][0]
