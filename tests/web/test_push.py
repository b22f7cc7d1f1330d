"""Readings posted over HTTP: acknowledged when they are in the raw stream, refused with a reason otherwise."""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from capture.profiles import load_profile
from capture.rawstream import Rx, read_records
from capture.sources.push import PushSource
from capture.station import Station
from tests.capture.live import LONG_S, until
from tests.web.serving import open_link, served
from web.app import make_app
from web.push import LONGEST_BODY, as_lines


@pytest.fixture(autouse=True)
def taken_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """A busy machine may take its time to put a reading into the raw stream."""
    monkeypatch.setattr("web.push.TAKEN_S", LONG_S)


@asynccontextmanager
async def posting(folder: Path, **keys: Any) -> AsyncIterator[tuple[httpx.AsyncClient, Station]]:
    """A client of a page whose readings are pushed."""
    source = PushSource()
    station = Station(source, profile=load_profile({"use": "json-lines", **keys}), record_to=folder)
    await station.start()
    try:
        app = make_app(station, push=source)
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://127.0.0.1:8710") as client:
            await open_link(station)
            yield client, station
    finally:
        await station.stop()


def recorded(folder: Path) -> bytes:
    """Bytes in the only raw stream."""
    (path,) = folder.glob("*/stream.jsonl")
    return b"".join(r.data for r in read_records(path) if isinstance(r, Rx))


def test_an_acknowledged_reading_is_in_the_raw_stream(tmp_path: Path) -> None:
    async def main() -> None:
        async with posting(tmp_path) as (client, station):
            for n in range(20):
                answer = await client.post("/api/push", json={"value": n / 1000, "unit": "mm"})
                assert answer.status_code == 204
                assert recorded(tmp_path).count(b"value") == n + 1
                last = station.state()["last"]
                assert (last["counts"], last["unit"]) == (n, "mm")

    asyncio.run(main())


@pytest.mark.parametrize(
    ("body", "counts"),
    [
        (b'{"value": 0.478}', [478]),
        (b'{"value": 0.478}\n{"value": 0.479}\n', [478, 479]),
        (b'[{"value": 0.478}, {"value": 0.479},\r\n {"value":0.480}]', [478, 479, 480]),
        (b'{\r\n  "value": 0.478,\n  "unit": "mm"\n}', [478]),
        (b'[{"value": 0.30000000000000004}]', [300]),
        (b"[]", []),
        (b'[{"value": 1}, 7, {"value": 2}]', [1000, 2000]),
        (b"nonsense", []),
    ],
)
def test_bodies(tmp_path: Path, body: bytes, counts: list[int]) -> None:
    async def main() -> list[int]:
        heard: list[int] = []
        async with posting(tmp_path) as (client, station):
            subscription = station.subscribe()

            async def take() -> None:
                async for event in subscription:
                    if event["event"] == "reading":
                        heard.append(event["counts"])

            task = asyncio.create_task(take())
            answer = await client.post("/api/push", content=body)
            assert answer.status_code == (204 if as_lines(body).strip() else 422)
            # With its unit: where lines had one, a line without is not read.
            await client.post("/api/push", json={"value": 9, "unit": "mm"})
            await until(lambda: 9000 in heard)
            subscription.leave()
            await task
        return heard[:-1]

    assert asyncio.run(main()) == counts


def test_digits_stay_as_they_were_written() -> None:
    assert as_lines(b'[{"value":0.4780},{"value":1e-3}]') == b'{"value":0.4780}\n{"value":1e-3}\n'
    assert as_lines(b'{"name":"a\\nb, [x]",\n"value":1}') == b'{"name":"a\\nb, [x]", "value":1}\n'
    assert as_lines(b'["a]", [1,[2]], {}]') == b'"a]"\n[1,[2]]\n{}\n'
    assert as_lines(b"\xff\xfe") == b"\xff\xfe"
    assert as_lines(b"[" * 3000) == b"[" * 3000
    assert as_lines(b"+000.478\r\n") == b"+000.478\r\n"


def test_lines_of_text_with_a_profile_for_them(tmp_path: Path) -> None:
    async def main() -> None:
        async with posting(tmp_path, use="text-line") as (client, station):
            assert (await client.post("/api/push", content=b"+000.478")).status_code == 204
            assert station.state()["last"]["counts"] == 478

    asyncio.run(main())
    assert recorded(tmp_path) == b"\n+000.478\n"


@pytest.mark.parametrize(
    ("body", "status", "words"),
    [(b"", 422, "empty"), (b" \r\n ", 422, "empty"), (b"x" * (LONGEST_BODY + 1), 413, str(LONGEST_BODY))],
)
def test_what_is_refused(tmp_path: Path, body: bytes, status: int, words: str) -> None:
    async def main() -> None:
        async with posting(tmp_path) as (client, _):
            answer = await client.post("/api/push", content=body)
            assert answer.status_code == status
            assert words in answer.json()["detail"]

    asyncio.run(main())
    assert recorded(tmp_path) == b"\n"


def test_another_site_cannot_push(tmp_path: Path) -> None:
    async def main() -> None:
        async with posting(tmp_path) as (client, _):
            answer = await client.post("/api/push", json={"value": 1}, headers={"origin": "http://elsewhere"})
            assert answer.status_code == 403

    asyncio.run(main())
    assert b"value" not in recorded(tmp_path)


def test_after_the_end_nothing_is_acknowledged(tmp_path: Path) -> None:
    async def main() -> None:
        async with posting(tmp_path) as (client, station):
            await station.stop()
            answer = await client.post("/api/push", json={"value": 1})
            assert answer.status_code == 503
            assert answer.headers["retry-after"] == "1"

    asyncio.run(main())
    assert b"value" not in recorded(tmp_path)


def test_there_is_no_such_route_for_another_source(tmp_path: Path) -> None:
    from tests.golden import compare

    async def main() -> None:
        replay = f"replay:{compare.ROOT / 'clean-mm' / 'stream.jsonl'}"
        async with served(replay, tmp_path) as (base, _), httpx.AsyncClient(base_url=base, timeout=60) as client:
            assert (await client.post("/api/push", json={"value": 1})).status_code == 404

    asyncio.run(main())


# the commands


def run(*words: str, home: Path, stdin: str = "") -> subprocess.CompletedProcess[str]:
    """A command of the program, the user's folders in `home`."""
    code = "from web.cli.main import run; run()"
    environment = os.environ | {"XDG_CONFIG_HOME": str(home), "XDG_DATA_HOME": str(home), "NO_COLOR": "1"}
    return subprocess.run(
        [sys.executable, "-c", code, *words], input=stdin, capture_output=True, text=True, timeout=60, env=environment
    )


def test_serve_push_takes_posts(tmp_path: Path) -> None:
    code = "from web.cli.main import run; run()"
    words = ["serve", "push", "--no-browser", "--port", "0", "--record", str(tmp_path / "streams")]
    with subprocess.Popen([sys.executable, "-c", code, *words], stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            found = re.search(r"http://\S+", process.stdout.readline())
            assert found is not None
            with httpx.Client(base_url=found[0], timeout=60) as client:
                for n in range(5):
                    assert client.post("/api/push", json={"value": n / 1000}).status_code == 204
                assert client.get("/api/state").json()["last"]["counts"] == 4
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(LONG_S)
    assert process.returncode == 0
    assert recorded(tmp_path / "streams").count(b"value") == 5


def test_listen_cannot_be_pushed_to(tmp_path: Path) -> None:
    done = run("listen", "push", home=tmp_path)
    assert done.returncode == 2
    assert "use serve push" in done.stderr


def test_identify_keeps_what_was_chosen_and_listen_uses_it(tmp_path: Path) -> None:
    from tests.golden import compare

    replay = f"replay:{compare.ROOT / 'packed-decimal' / 'stream.jsonl'}"
    looked = run("identify", replay, "--seconds", "3", "--json", home=tmp_path)
    assert looked.returncode == 0
    (line,) = looked.stdout.splitlines()
    first = json.loads(line)[0]
    assert first["profile"]["use"] == "packed-decimal"
    assert first["shown"]
    assert not list(tmp_path.rglob("*.toml")), "looking keeps nothing"

    kept = run("identify", replay, "--seconds", "3", "--yes", "--name", "drawer", home=tmp_path)
    assert kept.returncode == 0, kept.stderr
    assert "1. packed-decimal" in kept.stdout
    (file,) = tmp_path.rglob("drawer.toml")
    assert str(file) in kept.stderr
    assert 'use = "packed-decimal"' in file.read_text("utf-8")

    again = run("identify", replay, "--seconds", "3", "--yes", "--name", "drawer", home=tmp_path)
    assert again.returncode == 1
    assert "exists already and is left as it is" in again.stderr


def test_identify_says_what_to_do_when_nothing_fits(tmp_path: Path) -> None:
    from capture.rawstream import StreamWriter

    path = tmp_path / "stream.jsonl"
    w = StreamWriter(path, "serial:x", {"use": "text-line"}, "2026-03-02T09:14:05Z")
    w.link(0.0, "opened")
    for n in range(20):
        w.rx(0.01 * n, bytes((n * 37 + k * 101 + 13) % 256 | 0x80 for k in range(11)))
    w.close()
    done = run("identify", f"replay:{path}", "--seconds", "2", home=tmp_path)
    assert done.returncode == 1
    assert "no profile explains them" in done.stderr
    assert done.stdout == ""
