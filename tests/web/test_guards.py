"""Who is let in: by name, by origin, and what every answer carries."""

from __future__ import annotations

import asyncio
import io
import re
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from capture.profiles import load_profile
from capture.rawstream import Mark, read_records
from capture.sources.typed import TypedSource
from capture.station import Station
from web.app import make_app
from web.guards import HEADERS

HOST = "127.0.0.1:8710"


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """Where the station records."""
    return tmp_path


@asynccontextmanager
async def page(folder: Path, hosts: tuple[str, ...] | None = None) -> AsyncIterator[httpx.AsyncClient]:
    """A client of the application of a station that has nothing to read."""
    station = Station(TypedSource(io.StringIO("")), profile=load_profile("text-line"), record_to=folder)
    app = make_app(station) if hosts is None else make_app(station, hosts)
    await station.start()
    try:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url=f"http://{HOST}") as client:
            yield client
    finally:
        await station.stop()


def ask(folder: Path, method: str, path: str, hosts: tuple[str, ...] | None = None, **how: Any) -> httpx.Response:
    """One answer."""

    async def main() -> httpx.Response:
        async with page(folder, hosts) as client:
            return await client.request(method, path, **how)

    return asyncio.run(main())


def marks(folder: Path) -> list[str]:
    """Marks that reached the raw stream."""
    (path,) = folder.glob("*/stream.jsonl")
    return [r.mark for r in read_records(path) if isinstance(r, Mark)]


# by which name it was asked for


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8710", "localhost", "LOCALHOST:1", "[::1]", "[::1]:8710"])
def test_this_machine_may_be_asked_by_its_own_names(folder: Path, host: str) -> None:
    assert ask(folder, "GET", "/api/state", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "shop.example",
        "shop.example:8710",
        "127.0.0.1.shop.example",
        "localhost.shop.example",
        "www.localhost",
        "127.0.0.2",
        "[::2]",
        "[::1",
        "127.0.0.1@shop.example",
        "",
        "*",
    ],
)
def test_any_other_name_is_refused(folder: Path, host: str) -> None:
    async def main() -> None:
        async with page(folder) as client:
            for method, path in (("GET", "/"), ("GET", "/api/state"), ("GET", "/api/events"), ("POST", "/api/mark")):
                body = {"mark": "reseat"} if method == "POST" else None
                answer = await client.request(method, path, headers={"host": host}, json=body)
                assert answer.status_code == 400
                assert "location" not in answer.headers

    asyncio.run(main())
    assert marks(folder) == []


def test_further_names_can_be_let_in(folder: Path) -> None:
    hosts = ("127.0.0.1", "bench.lan")
    # Let in by name, but nobody who comes by it is at this machine: the door asks for a pairing.
    assert ask(folder, "GET", "/pair", hosts, headers={"host": "bench.lan:8710"}).status_code == 200
    assert ask(folder, "GET", "/", hosts, headers={"host": "bench.lan:8710"}).status_code == 401
    assert ask(folder, "GET", "/", hosts, headers={"host": "localhost"}).status_code == 400


# from which page a command came


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": f"http://{HOST}"},
        {"origin": f"http://{HOST.upper()}"},
        {"origin": f"http://{HOST}", "sec-fetch-site": "same-origin"},
        {"sec-fetch-site": "same-origin"},
        {"sec-fetch-site": "none"},
    ],
)
def test_commands_of_our_own_page_and_of_programs_are_done(folder: Path, headers: dict[str, str]) -> None:
    answer = ask(folder, "POST", "/api/mark", json={"mark": "reseat"}, headers=headers)
    assert answer.status_code == 204
    assert marks(folder) == ["reseat"]


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://shop.example"},
        {"origin": "http://127.0.0.1:8711"},
        {"origin": "http://127.0.0.1"},
        {"origin": f"http://{HOST}.shop.example"},
        {"origin": f"http://shop.example/?{HOST}"},
        {"origin": "null"},
        {"origin": ""},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "anything"},
        {"origin": f"http://{HOST}", "sec-fetch-site": "cross-site"},
        {"origin": "http://shop.example", "sec-fetch-site": "same-origin"},
    ],
)
def test_commands_of_another_page_are_refused_and_not_done(folder: Path, headers: dict[str, str]) -> None:
    async def main() -> None:
        async with page(folder) as client:
            for path in ("/api/mark", "/api/new-set", "/", "/nowhere"):
                for method in ("POST", "PUT", "DELETE", "PATCH"):
                    answer = await client.request(method, path, json={"mark": "reseat"}, headers=headers)
                    assert answer.status_code == 403
                    assert "another site" in answer.json()["detail"]

    asyncio.run(main())
    assert marks(folder) == []


def test_reading_needs_no_origin(folder: Path) -> None:
    for method in ("GET", "HEAD"):
        answer = ask(folder, method, "/", headers={"sec-fetch-site": "cross-site"})
        assert answer.status_code == 200


# what every answer carries


def _answers(folder: Path) -> dict[str, httpx.Response]:
    async def main() -> dict[str, httpx.Response]:
        async with page(folder) as client:
            return {
                "page": await client.get("/"),
                "head": await client.head("/"),
                "script": await client.get("/static/app.js"),
                "state": await client.get("/api/state"),
                "done": await client.post("/api/mark", json={"mark": "zero"}),
                "bad mark": await client.post("/api/mark", json={"mark": "x"}),
                "absent": await client.get("/nowhere"),
                "wrong method": await client.get("/api/mark"),
                "other site": await client.post("/api/new-set", headers={"origin": "http://shop.example"}),
                "other name": await client.get("/", headers={"host": "shop.example"}),
            }

    return asyncio.run(main())


def test_every_answer_carries_the_security_headers_and_none_lets_other_sites_read(folder: Path) -> None:
    answers = _answers(folder)
    assert {k: a.status_code for k, a in answers.items()} == {
        "page": 200,
        "head": 200,
        "script": 200,
        "state": 200,
        "done": 204,
        "bad mark": 422,
        "absent": 404,
        "wrong method": 405,
        "other site": 403,
        "other name": 400,
    }
    for name, a in answers.items():
        for header, value in HEADERS.items():
            # Browsers take the opener policy from loopback and encrypted pages only, and complain of it elsewhere.
            wanted = None if (name, header) == ("other name", "cross-origin-opener-policy") else value
            assert a.headers.get(header) == wanted, (name, header)
        assert not [h for h in a.headers if h.startswith("access-control-")], name
        assert "server" not in a.headers
        assert "set-cookie" not in a.headers


def test_the_policy_allows_our_own_files_and_nothing_else(folder: Path) -> None:
    policy = ask(folder, "GET", "/").headers["content-security-policy"]
    rules = {d.split()[0]: d.split()[1:] for d in policy.split(";")}
    assert rules["default-src"] == ["'none'"]
    assert rules["script-src"] == rules["style-src"] == rules["connect-src"] == ["'self'"]
    assert rules["frame-ancestors"] == rules["base-uri"] == rules["form-action"] == ["'none'"]
    assert "unsafe" not in policy
    assert "http" not in policy
    assert "*" not in policy
    headers = ask(folder, "GET", "/").headers
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cross-origin-opener-policy"] == headers["cross-origin-resource-policy"] == "same-origin"
    assert headers["content-type"] == "text/html; charset=utf-8"


def test_the_page_keeps_to_its_policy() -> None:
    static = Path(__file__).parents[2] / "web" / "static"
    pages = [*static.glob("*.html"), *(static.parent / "pages").glob("*.html")]
    assert len(pages) >= 4
    for file in pages:
        html = file.read_text("utf-8")
        assert not re.search(r"<[a-z][^>]*\sstyle\s*=", html), file
        assert "<style" not in html, file
        assert not re.search(r"<[a-z][^>]*\son[a-z]+\s*=", html), file
        assert not re.search(r"<script(?![^>]*\ssrc=)", html), file
    for file in static.iterdir():
        text = file.read_text("utf-8")
        assert "https://" not in text, file
        assert "eval(" not in text, file
        assert "innerHTML" not in text, file


@pytest.mark.parametrize("origin", ["http://shop.example", f"http://{HOST}"])
def test_a_preflight_gets_no_leave(folder: Path, origin: str) -> None:
    headers = {"origin": origin, "access-control-request-method": "POST", "access-control-request-headers": "x"}
    answer = ask(folder, "OPTIONS", "/api/mark", headers=headers)
    assert answer.status_code == 405
    assert not [h for h in answer.headers if h.startswith("access-control-")]


@pytest.mark.parametrize("path", ["/docs", "/redoc", "/openapi.json", "/docs/oauth2-redirect"])
def test_no_interactive_documentation_is_served(folder: Path, path: str) -> None:
    assert ask(folder, "GET", path).status_code == 404


@pytest.mark.parametrize(
    "path", ["/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/static/", "/static//etc/passwd"]
)
def test_only_the_pages_own_files_are_served(folder: Path, path: str) -> None:
    assert ask(folder, "GET", path).status_code in (404, 405)


# marks


@pytest.mark.parametrize("mark", ["reseat", "zero", "master", "pinion-turned", "push-pull", "note:", "note:ÄÖ °C"])
def test_every_mark_is_recorded(folder: Path, mark: str) -> None:
    assert ask(folder, "POST", "/api/mark", json={"mark": mark}).status_code == 204
    assert marks(folder) == [mark]


@pytest.mark.parametrize(
    "body",
    [
        b'{"mark":"resaet"}',
        b'{"mark":""}',
        b'{"mark":null}',
        b'{"mark":3}',
        b'{"mark":["reseat"]}',
        b"{}",
        b"[]",
        b"",
        b"reseat",
        b'{"mark":"note:' + b"x" * 501 + b'"}',
        b'{"mark":"note:\\ud800"}',
        b'{"mark":"note:\xff"}',
    ],
)
def test_a_bad_mark_is_refused_and_not_recorded(folder: Path, body: bytes) -> None:
    answer = ask(folder, "POST", "/api/mark", content=body, headers={"content-type": "application/json"})
    assert answer.status_code == 422
    assert answer.json()["detail"]
    assert marks(folder) == []


def test_an_unknown_mark_is_answered_with_the_known_ones(folder: Path) -> None:
    answer = ask(folder, "POST", "/api/mark", json={"mark": "resaet"})
    assert answer.json()["detail"] == (
        "mark is 'resaet'; allowed: reseat, zero, master, pinion-turned, push-pull, set-end, go-on, or note: and up to 500 characters"
    )
