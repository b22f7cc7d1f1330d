"""Pairing over HTTP: nothing before it, little after it, and nothing once a device is shut out."""

from __future__ import annotations

import asyncio
import io
import json
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi.routing import APIRoute

from capture.jobs import JobFolder
from capture.profiles import load_profile
from capture.sources.push import PushSource
from capture.sources.replay import ReplaySource
from capture.sources.typed import TypedSource
from capture.station import Station
from tests.capture.live import LONG_S, until
from tests.web.serving import served
from web.app import make_app
from web.door import Door
from web.door.codes import TRIES_OF_ONE
from web.door.pushing import PushToken
from web.door.rights import BEFORE_PAIRING
from web.guards import HEADERS

HOST = "127.0.0.1:8710"
LAN = "192.0.2.1:8710"
PHONE = "192.0.2.7"
HOSTS = ("127.0.0.1", "localhost", "[::1]", "192.0.2.1")


class Bench:
    """An application, its door, and those who come to it."""

    def __init__(self, app: Any, door: Door, station: Station) -> None:
        self.app, self.door, self.station = app, door, station
        self.clients: list[httpx.AsyncClient] = []

    def client(self, address: str = "127.0.0.1", host: str | None = None) -> httpx.AsyncClient:
        """Somebody at an address; this machine by default."""
        base = host or (HOST if address == "127.0.0.1" else LAN)
        transport = httpx.ASGITransport(self.app, client=(address, 50000))
        made = httpx.AsyncClient(transport=transport, base_url=f"http://{base}")
        self.clients.append(made)
        return made

    async def paired(self, address: str = PHONE, name: str = "phone") -> httpx.AsyncClient:
        """A device that was let in."""
        c = self.client(address)
        answer = await c.post("/api/pair", json={"code": self.door.codes.make(), "name": name})
        assert answer.status_code == 200, answer.text
        return c


@asynccontextmanager
async def bench(folder: Path, push: bool = False) -> AsyncIterator[Bench]:
    """An application open to the network, with everything it can have."""
    source = PushSource() if push else None
    profile = load_profile("json-lines" if push else "text-line")
    station = Station(source or TypedSource(io.StringIO("")), profile=profile, record_to=folder / "streams")
    token = PushToken(folder / "push-token") if push else None
    door = Door((f"http://{LAN}/",), token)
    app = make_app(station, HOSTS, push=source, jobs=JobFolder(folder / "jobs"), door=door)
    await station.start()
    made = Bench(app, door, station)
    try:
        yield made
    finally:
        for c in made.clients:
            await c.aclose()
        await station.stop()


def worked(folder: Path, work: Callable[[Bench], Coroutine[Any, Any, None]], push: bool = False) -> None:
    """Do some work with an application."""

    async def main() -> None:
        async with bench(folder, push) as b:
            await work(b)

    asyncio.run(main())


def all_routes(app: Any) -> list[tuple[str, str]]:
    """Every method and path there is, places of names filled in."""
    out: list[tuple[str, str]] = []

    def walk(routes: Any) -> None:
        for r in routes:
            if isinstance(r, APIRoute):
                path = r.path.replace("{job}", "unit-1")
                while "{" in path:
                    start, _, rest = path.partition("{")
                    path = start + "1" + rest.partition("}")[2]
                out.extend((m, path) for m in sorted(r.methods))
            elif hasattr(r, "routes"):
                walk(r.routes)
            elif hasattr(r, "original_router"):
                walk(r.original_router.routes)

    walk(app.routes)
    return out


# before pairing


def test_a_device_that_is_not_paired_gets_the_pairing_page_and_nothing_else(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        c = b.client(PHONE)
        routes = all_routes(b.app)
        assert len(routes) > 40
        for method, path in [*routes, ("GET", "/static/app.js"), ("GET", "/nowhere"), ("PUT", "/"), ("OPTIONS", "/")]:
            if (method, path) in BEFORE_PAIRING:
                continue
            answer = await c.request(method, path)
            assert answer.status_code == 401, (method, path)
            assert answer.headers["cache-control"] == "no-store"
            if method != "HEAD":
                assert answer.json() == (await c.get("/nowhere")).json(), "one answer, whatever was asked for"
        for path in ("/", "/jobs", "/nowhere", "/api/state"):
            answer = await c.get(path, headers={"accept": "text/html,*/*"})
            assert (answer.status_code, answer.headers["location"], answer.content) == (303, "/pair", b"")
        assert (await c.get("/pair")).status_code == 200
        assert (await c.get("/api/pair")).json() == {"here": False, "paired": False}

    worked(tmp_path, work)


def test_the_pairing_page_is_made_of_what_is_let_through(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        c = b.client(PHONE)
        html = (await c.get("/pair")).text
        parts = {x.partition('"')[0] for x in html.replace('src="', 'href="').split('href="')[1:]}
        for path in parts - {"#code"}:
            assert (await c.get(path)).status_code == 200, path

    worked(tmp_path, work)


@pytest.mark.parametrize("address", ["127.0.0.1", "::1", "::ffff:127.0.0.1"])
@pytest.mark.parametrize("host", ["127.0.0.1:8710", "localhost:8710", "[::1]:8710"])
def test_this_machine_needs_no_pairing(tmp_path: Path, address: str, host: str) -> None:
    async def work(b: Bench) -> None:
        c = b.client(address, host)
        assert (await c.get("/api/state")).status_code == 200
        assert (await c.get("/api/devices")).status_code == 200
        assert (await c.get("/api/pair")).json() == {"here": True, "paired": False}
        answer = await c.get("/pair")
        assert (answer.status_code, answer.headers["location"]) == (303, "/devices")
        answer = await c.post("/api/pair", json={"code": b.door.codes.make()})
        assert answer.status_code == 409
        assert b.door.devices.all() == []

    worked(tmp_path, work)


@pytest.mark.parametrize(
    ("address", "host"),
    [
        (PHONE, HOST),
        (PHONE, "localhost:8710"),
        ("::ffff:192.0.2.7", HOST),
        ("192.0.2.1", LAN),
        ("127.0.0.1", LAN),  # a proxy on this machine that passes on what the network asks it
        ("not an address", HOST),
    ],
)
def test_neither_a_name_nor_a_proxy_makes_a_request_this_machines_own(tmp_path: Path, address: str, host: str) -> None:
    async def work(b: Bench) -> None:
        c = b.client(address, host)
        for headers in ({}, {"x-forwarded-for": "127.0.0.1"}, {"forwarded": "for=127.0.0.1"}):
            assert (await c.get("/api/state", headers=headers)).status_code == 401

    worked(tmp_path, work)


# every route there is


def test_every_route_carries_the_security_headers_and_answers_to_our_own_names_only(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        host, phone = b.client(), await b.paired()
        routes = all_routes(b.app)
        assert {path for _, path in routes} >= {
            "/",
            "/connect",
            "/devices",
            "/display",
            "/jobs",
            "/jobs/unit-1",
            "/pair",
        }
        for method, path in routes:
            if path in ("/api/events", "/api/pair/leave"):
                continue
            body = {} if method == "POST" else None
            for who, secure in ((host, True), (phone, False), (b.client("192.0.2.9"), False)):
                answer = await who.request(method, path, json=body)
                policy = answer.headers["content-security-policy"]
                rules = {d.split()[0]: d.split()[1:] for d in policy.split(";")}
                assert rules["default-src"] == rules["frame-ancestors"] == rules["base-uri"] == ["'none'"], (
                    method,
                    path,
                )
                assert rules.get("script-src", ["'self'"]) == ["'self'"], (method, path)
                for name, value in HEADERS.items():
                    if name == "cross-origin-opener-policy" and not secure:
                        assert name not in answer.headers
                    elif name != "content-security-policy":
                        assert answer.headers.get(name) == value, (method, path, name)
                assert not [h for h in answer.headers if h.startswith("access-control-")], (method, path)
            answer = await host.request(method, path, json=body, headers={"host": "evil.example:8710"})
            assert answer.status_code == 400, (method, path)

    worked(tmp_path, work, push=True)


# pairing


def test_the_code_lets_in_and_the_cookie_is_out_of_reach_of_scripts_and_other_sites(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        host = b.client()
        shown = (await host.post("/api/devices/code")).json()["code"]["code"]
        c = b.client(PHONE)
        answer = await c.post("/api/pair", json={"code": shown, "name": "  phone\n at the bench "})
        assert answer.json() == {"paired": True}
        name, _, rest = answer.headers["set-cookie"].partition("=")
        token, *attributes = rest.split("; ")
        assert name == "shimwright-8710"
        assert len(token) >= 43
        assert {"HttpOnly", "SameSite=strict", "Path=/"} <= set(attributes)
        assert (await c.get("/api/state")).status_code == 200
        assert (await c.get("/api/pair")).json() == {
            "here": False,
            "paired": True,
            "id": "1",
            "name": "phone at the bench",
            "writes": False,
        }
        assert (await c.get("/pair")).status_code == 200
        seen = (await host.get("/api/devices")).json()
        assert token not in json.dumps(seen)
        assert [(d["name"], d["address"]) for d in seen["devices"]] == [("phone at the bench", PHONE)]
        assert seen["code"] is None, "spent"
        second = b.client("192.0.2.8")
        assert (await second.post("/api/pair", json={"code": shown})).status_code == 403

    worked(tmp_path, work)


def test_a_cookie_among_others_and_a_wrong_one(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        c = await b.paired()
        token = c.cookies["shimwright-8710"]
        plain = b.client("192.0.2.8")
        for cookie, status in [
            (f"shimwright-8710={token}", 200),
            (f"a=b; shimwright-8710={token}; c", 200),
            (f"shimwright-8710=wrong; shimwright-8710={token}", 200),
            ("shimwright-8710=wrong", 401),
            ("shimwright-8710=", 401),
            (f"shimwright-8711={token}", 401),
            (f"xshimwright-8710={token}", 401),
            (f"shimwright-8710={token}x", 401),
            ("; ".join(f"shimwright-8710={n}" for n in range(5000)) + f"; shimwright-8710={token}", 401),
        ]:
            assert (await plain.get("/api/state", headers={"cookie": cookie})).status_code == status, cookie[:60]

    worked(tmp_path, work)


def test_wrong_codes_are_counted_and_the_waiting_is_told(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        code = b.door.codes.make()
        wrong = f"{(int(code) + 1) % 10**8:08d}"
        c = b.client(PHONE)
        for _ in range(TRIES_OF_ONE):
            answer = await c.post("/api/pair", json={"code": wrong})
            assert answer.status_code == 403
            assert "not the code" in answer.json()["detail"]
        answer = await c.post("/api/pair", json={"code": code})
        assert answer.status_code == 429
        assert 1 <= int(answer.headers["retry-after"]) <= 601
        assert "min" in answer.json()["detail"]
        assert (await b.client("192.0.2.8").post("/api/pair", json={"code": code})).status_code == 200

    worked(tmp_path, work)


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"{}", b'{"code":12345678}', b'{"code":null}', b'{"code":"' + b"1" * 41 + b'"}', b"\xff"]
)
def test_what_is_no_code_is_refused_and_not_counted_as_a_try(tmp_path: Path, body: bytes) -> None:
    async def work(b: Bench) -> None:
        b.door.codes.make()
        c = b.client(PHONE)
        for _ in range(TRIES_OF_ONE + 1):
            answer = await c.post("/api/pair", content=body, headers={"content-type": "application/json"})
            assert answer.status_code in (400, 422)
        assert b.door.devices.all() == []

    worked(tmp_path, work)


def test_who_is_not_let_in_cannot_fill_the_memory(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        code = b.door.codes.make()
        whole = json.dumps({"code": code, "name": "x" * 3000}).encode()

        async def piecemeal() -> AsyncIterator[bytes]:
            raise AssertionError("read")
            yield b""

        c = b.client(PHONE)
        for content in (whole, piecemeal()):
            answer = await c.post("/api/pair", content=content, headers={"content-type": "application/json"})
            assert answer.status_code == 413
        assert b.door.codes.current == code

    worked(tmp_path, work)


def test_another_sites_page_cannot_pair_or_command(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        foreign = {"origin": "http://evil.example"}
        code = b.door.codes.make()
        answer = await b.client(PHONE).post("/api/pair", json={"code": code}, headers=foreign)
        assert answer.status_code == 403
        assert b.door.codes.current == code, "not even a try"
        c = await b.paired()
        for method, path in all_routes(b.app):
            if method not in ("GET", "HEAD"):
                for who in (c, b.client()):
                    answer = await who.request(method, path, headers=foreign, json={})
                    assert answer.status_code == 403, (method, path)
                    assert "another site" in answer.json()["detail"], (method, path)

    worked(tmp_path, work)


# what a paired device may do

DEVICES_OWN = {("POST", x) for x in ("/api/mark", "/api/new-set", "/api/pair", "/api/pair/leave")}
"""Every command a device has when it was merely paired."""


def test_every_route_is_either_a_devices_or_this_machines_and_a_new_command_is_this_machines(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        c = await b.paired()
        for method, path in all_routes(b.app):
            if path in ("/api/events", "/api/pair/leave"):
                continue
            answer = await c.request(method, path, json={} if method == "POST" else None)
            if path.startswith(("/api/devices", "/api/connect/")):
                assert answer.status_code == 403, (method, path)
            elif method in ("GET", "HEAD") or (method, path) in DEVICES_OWN:
                assert answer.status_code not in (401, 403), (method, path)
            else:
                assert answer.status_code == 403, (method, path)

    worked(tmp_path, work)


def test_writing_into_jobs_is_given_and_taken_back(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        host, c = b.client(), await b.paired()
        answer = await c.post("/api/jobs", json={"job": "one"})
        assert answer.status_code == 403
        assert "let it" in answer.json()["detail"]
        seen = (await host.post("/api/devices/1/rights", json={"writes": True})).json()
        assert seen["devices"][0]["writes"] is True
        assert (await c.post("/api/jobs", json={"job": "one"})).status_code == 201
        assert (await c.post("/api/devices/1/rights", json={"writes": True})).status_code == 403, "not by itself"
        await host.post("/api/devices/1/rights", json={"writes": False})
        assert (await c.post("/api/jobs", json={"job": "two"})).status_code == 403
        assert (await c.get("/api/jobs")).json()["jobs"][0]["job"] == "one", "it may look"
        assert (await host.post("/api/devices/7/rights", json={"writes": True})).status_code == 404

    worked(tmp_path, work)


def test_shut_out_and_leaving(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        host, c, other = b.client(), await b.paired(), await b.paired("192.0.2.8")
        assert (await host.post("/api/devices/1/out")).status_code == 200
        assert (await c.get("/api/state")).status_code == 401
        assert (await host.post("/api/devices/1/out")).status_code == 404
        assert (await other.get("/api/state")).status_code == 200
        answer = await other.post("/api/pair/leave")
        assert answer.status_code == 204
        assert "shimwright-8710" not in other.cookies
        assert b.door.devices.all() == []

    worked(tmp_path, work)


def test_a_code_can_be_ended_and_its_picture_is_this_machines_alone(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        host = b.client()
        assert (await host.get("/api/devices/code.svg")).status_code == 404
        await host.post("/api/devices/code")
        picture = await host.get("/api/devices/code.svg")
        assert picture.headers["content-type"].startswith("image/svg+xml")
        assert picture.headers["cache-control"] == "no-store"
        assert (await host.get("/api/devices/code.svg?address=1")).status_code == 404
        assert (await host.get("/api/devices/code.svg?address=-1")).status_code == 422
        assert (await (await b.paired()).get("/api/devices/code.svg")).status_code == 403
        await host.post("/api/devices/code")
        assert (await host.post("/api/devices/code/end")).json()["code"] is None
        assert b.door.codes.current is None

    worked(tmp_path, work)


def test_on_this_machine_only_there_is_nothing_to_pair(tmp_path: Path) -> None:
    async def main() -> None:
        station = Station(TypedSource(io.StringIO("")), profile=load_profile("text-line"))
        await station.start()
        try:
            transport = httpx.ASGITransport(make_app(station))
            async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}") as c:
                assert (await c.get("/api/devices")).json()["open"] is False
                answer = await c.post("/api/devices/code")
                assert answer.status_code == 409
                assert "--host 0.0.0.0" in answer.json()["detail"]
                assert (await c.post("/api/devices/push-token")).status_code == 409
        finally:
            await station.stop()

    asyncio.run(main())


# the event stream, over a real socket


def test_the_event_stream_of_a_device_ends_when_it_is_shut_out(tmp_path: Path) -> None:
    # A name that is none of the loopback's makes a request one from the network, even over the loopback.
    from tests.golden import compare

    door = Door(("http://bench.lan/",))

    async def main() -> None:
        # Slowly, so that readings go on coming for as long as a busy machine may need them.
        replay = ReplaySource(compare.ROOT / "clean-mm" / "stream.jsonl", 0.2)
        async with served(replay, tmp_path, hosts=("127.0.0.1", "bench.lan"), door=door) as (base, station):
            port = base.rpartition(":")[2]
            one, token = door.devices.add("one", "127.0.0.1")
            two, other = door.devices.add("two", "127.0.0.1")

            def asking(shown: str) -> dict[str, str]:
                return {"host": f"bench.lan:{port}", "cookie": f"shimwright-{port}={shown}"}

            async with (
                httpx.AsyncClient(base_url=base, timeout=LONG_S) as c,
                c.stream("GET", "/api/events", headers=asking(token)) as first,
                c.stream("GET", "/api/events", headers=asking(other)) as second,
            ):
                assert first.status_code == second.status_code == 200
                lines = first.aiter_lines()
                assert (await anext(lines)).startswith("retry")
                assert one.open == two.open == 1
                listeners = len(station._hub)
                door.devices.shut_out(one)
                # Ends whole, not torn: an unfinished answer would raise.
                async for _ in lines:
                    pass
                await until(lambda: one.open == 0 and len(station._hub) == listeners - 1)
                lines = second.aiter_lines()
                async for line in lines:
                    if line.startswith("event: reading"):
                        break
                assert two.open == 1, "the others go on"
                answer = await c.get("/api/state", headers=asking(token))
                assert answer.status_code == 401

    asyncio.run(main())


# readings posted from elsewhere


def test_a_micro_controller_elsewhere_posts_with_its_token_and_does_nothing_else(tmp_path: Path) -> None:
    async def work(b: Bench) -> None:
        host, there = b.client(), b.client("192.0.2.30")
        assert b.door.push is not None
        token = {"authorization": f"Bearer {b.door.push.text}"}
        reading = {"value": 0.478, "unit": "mm"}
        answer = await there.post("/api/push", json=reading)
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"] == "Bearer"
        assert "Authorization: Bearer" in answer.json()["detail"]
        assert (await there.post("/api/push", json=reading, headers={"authorization": "Bearer no"})).status_code == 401
        assert b.station.state()["last"] is None
        assert (await there.post("/api/push", json=reading, headers=token)).status_code == 204
        assert b.station.state()["last"]["counts"] == 478
        for method, path in (("GET", "/api/state"), ("GET", "/"), ("POST", "/api/mark"), ("GET", "/api/push")):
            assert (await there.request(method, path, headers=token)).status_code == 401, (method, path)
        assert (await (await b.paired()).post("/api/push", json=reading)).status_code == 401, (
            "a phone posts no readings"
        )
        assert (await host.post("/api/push", json=reading)).status_code == 204, "this machine needs no token"
        assert (
            await there.post("/api/push", json=reading, headers=token | {"origin": "http://evil.example"})
        ).status_code == 403
        seen = (await host.get("/api/devices")).json()["push"]
        assert seen == {"token": b.door.push.text, "file": str(tmp_path / "push-token")}
        await host.post("/api/devices/push-token")
        assert (await there.post("/api/push", json=reading, headers=token)).status_code == 401

    worked(tmp_path, work, push=True)
