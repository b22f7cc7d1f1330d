"""Connecting an indicator over HTTP, on real pseudo-terminals: one search at a time, bounded, stopped when asked, never on the port in use."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from serial.tools import list_ports

from capture.chosen import chosen_file, keep_choice
from capture.identify import sniffing
from capture.profiles import load_profile
from capture.simulator.pty_bench import PtyBench
from capture.simulator.wires import frame_of
from capture.station import Station
from tests.capture.live import LONG_S
from tests.fakes.bluetooth_bench import BluetoothBench
from tests.fakes.bluetooth_service import indicator
from tests.fakes.port_info import PortInfo
from tests.fakes.private_bus import PrivateBus
from web.app import make_app
from web.door import Door
from web.guards import HEADERS

HOST = "127.0.0.1:8710"


@pytest.fixture(autouse=True)
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The user's folders, empty."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path / "config" / "shimwright" / "profiles"


@pytest.fixture
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """An indicator that speaks is listened to until enough has come, however slowly it comes here."""
    monkeypatch.setattr(sniffing, "SHARE_S", LONG_S)


@dataclass
class Indicators:
    """One indicator the station listens to, and one that nobody does yet."""

    mine: PtyBench
    other: PtyBench
    silent: threading.Event


@pytest.fixture
def indicators(tmp_path: Path) -> Iterator[Indicators]:
    """Two pseudo-terminals; the second speaks until it is told to be silent."""
    two = Indicators(PtyBench(tmp_path / "mine"), PtyBench(tmp_path / "other"), threading.Event())
    stop = threading.Event()

    def speak() -> None:
        n = 0
        while not stop.wait(0.02):
            if not two.silent.is_set():
                two.other.write(frame_of(478 + (n * 7) % 61 - 30, 0.001, "mm", "unit"))
                n += 1

    thread = threading.Thread(target=speak)
    thread.start()
    yield two
    stop.set()
    thread.join(LONG_S)
    two.mine.stop()
    two.other.stop()


@asynccontextmanager
async def page(source: str, client: str = "127.0.0.1", use: str = "text-line") -> AsyncIterator[httpx.AsyncClient]:
    """A client of the application of a station on `source`."""
    station = Station(source, profile=load_profile({"use": use, "rate": 20.0}))
    door = Door()
    # Another machine gets this far only when it is paired.
    _, token = door.devices.add("phone", client)
    paired = {} if client == "127.0.0.1" else {"shimwright-8710": token}
    app = make_app(station, door=door, keep_choice=keep_choice)
    await station.start()
    try:
        async with app.router.lifespan_context(app):
            transport = httpx.ASGITransport(app, client=(client, 50000))
            async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}", cookies=paired) as c:
                yield c
    finally:
        await station.stop()


def worked(
    indicators: Indicators, work: Callable[[httpx.AsyncClient], Coroutine[Any, Any, None]], client: str = "127.0.0.1"
) -> None:
    """Do some work with a page whose station listens to the first indicator."""

    async def main() -> None:
        async with page(f"serial:{indicators.mine.link}", client) as c:
            await work(c)

    asyncio.run(main())


async def ended(
    c: httpx.AsyncClient, seconds: float = LONG_S, meanwhile: Callable[[], object] | None = None
) -> dict[str, Any]:
    """The search, once it has ended; something may be done again and again meanwhile."""
    end = time.monotonic() + seconds
    while True:
        if meanwhile is not None:
            meanwhile()
        search: dict[str, Any] = (await c.get("/api/connect")).json()["search"]
        if search["doing"] is None:
            return search
        assert time.monotonic() < end, search
        await asyncio.sleep(0.02)


async def identified(c: httpx.AsyncClient, indicators: Indicators) -> dict[str, Any]:
    """The second indicator, identified."""
    r = await c.post("/api/connect/identify", json={"source": f"serial:{indicators.other.link}", "seconds": 120})
    assert r.status_code == 202, r.text
    assert r.json()["search"]["doing"] == "identify"
    return await ended(c, 3 * LONG_S)


@pytest.mark.usefixtures("patient")
def test_an_indicator_is_identified_compared_and_kept(indicators: Indicators, own: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        found = await identified(c, indicators)
        assert (found["outcome"], found["said"]) == ("found", "")
        first = found["candidates"][0]
        assert (first["use"], first["line"]) == ("text-line", {"baud": 9600, "bits": 8, "parity": "none"})
        assert (first["step"], first["unit"], first["guessed"], first["sure"]) == ("0.001", "mm", [], True)
        assert all(x.endswith(" mm") and 0.448 <= float(x[:-3]) <= 0.508 for x in first["shown"])
        assert found["received"] > 0
        told = [(x["use"], x["line"], x["step"], x["unit"], x["shown"]) for x in found["candidates"]]
        assert all(a not in told[:i] for i, a in enumerate(told)), "no two that a person could not tell apart"
        # Compared with a display that stands still at another value.
        indicators.silent.set()
        await asyncio.sleep(0.3)
        r = await c.post("/api/connect/again", json={"candidate": 0})
        assert r.status_code == 202, r.text
        # Whatever the port still held from before is not what the display shows now.
        stands = frame_of(-1234, 0.001, "mm", "unit")
        again = await ended(c, meanwhile=lambda: indicators.other.write(stands))
        assert again["candidates"][0]["shown"][-1] == "-1.234 mm"
        r = await c.post("/api/connect/keep", json={"candidate": 0, "name": "bench-one"})
        assert r.status_code == 201, r.text
        assert r.json()["command"] == f"shimwright serve serial:{indicators.other.link} --profile bench-one"
        file = own / "bench-one.toml"
        assert r.json()["file"] == str(file)
        assert tomllib.loads(file.read_text("utf-8"))["unit"] == "mm"
        assert load_profile("bench-one").values["baud"] == 9600
        # An existing profile is left as it is.
        before = file.read_bytes()
        r = await c.post("/api/connect/keep", json={"candidate": 0, "name": "bench-one"})
        assert (r.status_code, "exists already and is left as it is" in r.json()["detail"]) == (422, True)
        assert file.read_bytes() == before
        assert (await c.get("/api/connect")).json()["search"]["kept"]["profile"] == "bench-one"

    worked(indicators, work)


@pytest.mark.usefixtures("patient")
def test_nothing_is_kept_under_a_name_that_cannot_be_used_nor_before_anything_was_found(
    indicators: Indicators, own: Path
) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        r = await c.post("/api/connect/keep", json={"candidate": 0, "name": "x"})
        assert (r.status_code, "identify the indicator first" in r.json()["detail"]) == (422, True)
        assert (await c.post("/api/connect/again", json={"candidate": 0})).status_code == 422
        await identified(c, indicators)
        for name in ("", "../up", "a b", "text-line", "ä", "a/b"):
            r = await c.post("/api/connect/keep", json={"candidate": 0, "name": name})
            assert (r.status_code, "allowed: letters, digits and hyphens" in r.json()["detail"]) == (422, True)
        assert (await c.post("/api/connect/keep", json={"candidate": -1, "name": "x"})).status_code == 422
        assert (await c.post("/api/connect/keep", json={"candidate": 99, "name": "x"})).status_code == 422

    worked(indicators, work)
    assert not list(own.parent.glob("**/*.toml"))


def test_one_search_at_a_time_and_it_stops_when_asked(indicators: Indicators) -> None:
    indicators.silent.set()

    async def work(c: httpx.AsyncClient) -> None:
        where = {"source": f"serial:{indicators.other.link}", "seconds": 120}
        assert (await c.post("/api/connect/identify", json=where)).status_code == 202
        for path, body in (("identify", where), ("bluetooth", {})):
            r = await c.post(f"/api/connect/{path}", json=body)
            assert (r.status_code, "wait for it or stop it first" in r.json()["detail"]) == (409, True)
        running = (await c.get("/api/connect")).json()["search"]
        assert (running["doing"], running["limit_s"]) == ("identify", 120.0)
        assert (await c.post("/api/connect/cancel")).json()["search"]["ending"] is True
        after = await ended(c)
        assert (after["outcome"], after["said"], after["candidates"]) == ("cancelled", "", [])
        # The port is free again.
        indicators.silent.clear()
        assert (await identified(c, indicators))["outcome"] == "found"
        assert (await c.post("/api/connect/cancel")).status_code == 200, "to stop nothing is no fault"

    worked(indicators, work)


def test_it_ends_by_itself_and_says_what_to_do_when_nothing_comes(indicators: Indicators) -> None:
    indicators.silent.set()

    async def work(c: httpx.AsyncClient) -> None:
        where = {"source": f"serial:{indicators.other.link}", "seconds": 1}
        assert (await c.post("/api/connect/identify", json=where)).status_code == 202
        after = await ended(c)
        assert after["outcome"] == "nothing"
        assert (after["received"], after["asked"], after["begin"]) == (0, False, "")
        # A poll that is none is refused before anything is sent.
        r = await c.post("/api/connect/identify", json={**where, "poll": "\\xZZ"})
        assert (r.status_code, "poll" in r.json()["detail"]) == (422, True)

    worked(indicators, work)


def test_a_search_under_way_does_not_outlive_the_program(indicators: Indicators) -> None:
    indicators.silent.set()

    async def work(c: httpx.AsyncClient) -> None:
        where = {"source": f"serial:{indicators.other.link}", "seconds": 120}
        assert (await c.post("/api/connect/identify", json=where)).status_code == 202

    began = time.monotonic()
    worked(indicators, work)
    assert time.monotonic() - began < 120.0, "what it was given"
    assert "connect" not in {t.name for t in threading.enumerate()}


@contextmanager
def speaking(indicators: Indicators, line: Callable[[int], bytes]) -> Iterator[None]:
    """The first indicator speaks."""
    stop = threading.Event()

    def speak() -> None:
        n = 0
        while not stop.wait(0.02):
            indicators.mine.write(line(n))
            n += 1

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(LONG_S)


def openings(link: Path) -> int:
    """How often this process has a terminal open, the bench's own hold of it left out."""
    real, folder = os.path.realpath(link), Path("/proc/self/fd")
    return sum(os.path.realpath(f) == real for f in folder.iterdir())


def test_the_indicator_in_use_is_identified_from_what_comes(indicators: Indicators, tmp_path: Path, own: Path) -> None:
    """Under whatever name: its port is not opened a second time, nothing is sent, and the set that runs goes on."""

    async def work(c: httpx.AsyncClient) -> None:
        async def station() -> dict[str, Any]:
            return dict((await c.get("/api/connect")).json()["station"])

        await until_readings(c, indicators)
        before, opened = await station(), openings(indicators.mine.link)
        again = tmp_path / "another-name"
        again.symlink_to(os.path.realpath(indicators.mine.link))
        for name in (str(indicators.mine.link), os.path.realpath(indicators.mine.link), str(again), f"{tmp_path}/min*"):
            r = await c.post("/api/connect/identify", json={"source": f"serial:{name}"})
            assert r.status_code == 202, r.text
            await asyncio.sleep(0.1)
            assert openings(indicators.mine.link) == opened, name
            found = await ended(c)
            assert (found["outcome"], found["mine"], found["source"]) == ("found", True, f"serial:{name}"), found
            first = found["candidates"][0]
            assert (first["use"], first["line"]) == ("text-line", {"baud": 9600, "bits": 8, "parity": "none"})
            assert (first["step"], first["unit"], first["sure"]) == ("0.001", "mm", True)
        r = await c.post("/api/connect/again", json={"candidate": 0})
        assert r.status_code == 202, r.text
        assert (await ended(c))["outcome"] == "found"
        r = await c.post("/api/connect/keep", json={"candidate": 0, "name": "the-one-in-use"})
        assert r.status_code == 201, r.text
        assert load_profile("the-one-in-use").values["baud"] == 9600
        # What to send is the running profile's affair.
        r = await c.post("/api/connect/identify", json={"source": f"serial:{again}", "poll": "?"})
        assert (r.status_code, "only listened to" in r.json()["detail"]) == (422, True)
        after = await station()
        assert (after["set"], after["counters"]["opens"], after["counters"]["losses"]) == (before["set"], 1, 0)
        assert after["counters"]["readings"] > before["counters"]["readings"]

    with speaking(indicators, lambda n: frame_of(478 + (n * 7) % 61 - 30, 0.001, "mm", "unit")):
        worked(indicators, work)
    with pytest.raises(BlockingIOError):
        os.read(indicators.mine._master or -1, 64)


def test_what_comes_from_the_indicator_in_use_and_is_not_explained_is_told(indicators: Indicators) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        where = {"source": f"serial:{indicators.mine.link}", "seconds": 2}
        assert (await c.post("/api/connect/identify", json=where)).status_code == 202
        found = await ended(c)
        assert (found["outcome"], found["mine"], found["candidates"]) == ("nothing", True, [])
        assert found["received"] > 0
        assert found["begin"]

    with speaking(indicators, lambda n: bytes([0xF1 ^ (n * 37) & 0x0E, 0x80 | (n * 11) & 0x7F, 0xFE])):
        worked(indicators, work)


async def until_readings(c: httpx.AsyncClient, indicators: Indicators) -> dict[str, Any]:
    """The station's part, once a reading has come."""
    end = time.monotonic() + LONG_S
    while True:
        indicators.mine.write(frame_of(478, 0.001, "mm", "plain"))
        station: dict[str, Any] = (await c.get("/api/connect")).json()["station"]
        if station["counters"]["readings"] > 0:
            return station
        assert time.monotonic() < end
        await asyncio.sleep(0.05)


def test_link_age_and_counters_of_what_is_listened_to(indicators: Indicators) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        began = time.monotonic()
        station = await until_readings(c, indicators)
        assert station["source"] == f"serial:{indicators.mine.link}"
        assert station["link"]["state"] in ("opened", "back", "stale")
        assert 0 <= station["age_s"] <= time.monotonic() - began
        assert station["shown"] == "0.478 mm"
        assert (station["counters"]["opens"], station["counters"]["losses"], station["failure"]) == (1, 0, None)
        indicators.mine.unplug()
        states = []

        async def lost() -> bool:
            states.append((await c.get("/api/connect")).json()["station"])
            return bool(states[-1]["link"]["state"] == "lost")

        end = time.monotonic() + LONG_S
        while not await lost():
            assert time.monotonic() < end
            await asyncio.sleep(0.05)
        assert states[-1]["counters"]["losses"] == 1
        await asyncio.sleep(0.2)
        await lost()
        assert 0.2 <= states[-1]["age_s"] <= time.monotonic() - began

    worked(indicators, work)


def test_the_indicator_listened_to_and_the_way_it_is_read_are_changed_without_a_restart(
    indicators: Indicators, own: Path
) -> None:
    own.mkdir(parents=True)
    (own / "bench-inch.toml").write_text('use = "text-line"\nunit = "in"\nresolution = 0.001\n', "utf-8")

    async def work(c: httpx.AsyncClient) -> None:
        async def use(source: str, profile: str) -> httpx.Response:
            return await c.post("/api/connect/use", json={"source": source, "profile": profile})

        async def shown(what: str) -> dict[str, Any]:
            end = time.monotonic() + LONG_S
            while True:
                indicators.mine.write(frame_of(478, 0.001, "mm", "plain"))
                station: dict[str, Any] = (await c.get("/api/connect")).json()["station"]
                if what in (station["shown"] or ""):
                    return station
                assert time.monotonic() < end, station
                await asyncio.sleep(0.05)

        mine, other = f"serial:{indicators.mine.link}", f"serial:{indicators.other.link}"
        listed = {p["name"]: p["whence"] for p in (await c.get("/api/connect/profiles")).json()["profiles"]}
        assert (listed["text-line"], listed["bench-inch"]) == ("packaged", "your own")
        await shown("0.478 mm")
        # The same port, read in another way: it is let go and taken again.
        r = await use(mine, "bench-inch")
        kept = {"file": str(chosen_file()), "why": ""}
        assert (r.status_code, r.json()) == (200, {"source": mine, "profile": "bench-inch", "set": 2, **kept}), r.text
        station = await shown("0.478 in")
        assert (station["profile"], station["set"], station["failure"]) == ("bench-inch", 2, None)
        # What is refused changes nothing.
        for source, profile, status, say in (
            (other, "bench-in", 422, "nearest valid name: bench-inch"),
            (other, "../bench", 422, "letters, digits and hyphens"),
            ("push", "text-line", 422, "allowed: serial:PORT"),
            ("replay:/etc/passwd", "text-line", 422, "allowed: serial:PORT"),
            ("serial:/dev/null", "text-line", 422, "is not a serial port"),
            ("serial:/nowhere", "text-line", 404, "No such port"),
        ):
            r = await use(source, profile)
            assert (r.status_code, say in r.json()["detail"]) == (status, True), (source, r.text)
        assert (await shown("0.478 in"))["set"] == 2
        # Another indicator; its port is the station's now, and the first one is free.
        assert (await use(other, "text-line")).status_code == 200
        station = await shown(" mm")
        assert (station["source"], station["set"]) == (other, 3)
        choice = {"source": other, "profile": "text-line", "file": str(chosen_file()), "in_use": True}
        assert (await c.get("/api/connect/choice")).json() == {"choice": choice, "why": ""}
        r = await c.post("/api/connect/identify", json={"source": mine, "seconds": 60})
        assert r.status_code == 202, r.text
        r = await use(mine, "text-line")
        assert (r.status_code, "wait for it or stop it first" in r.json()["detail"]) == (409, True)
        await c.post("/api/connect/cancel")
        await ended(c)

    worked(indicators, work)


def test_a_choice_that_is_refused_is_not_kept_and_one_that_cannot_be_kept_is_used_all_the_same(
    indicators: Indicators, own: Path
) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        async def use(source: Path) -> httpx.Response:
            return await c.post("/api/connect/use", json={"source": f"serial:{source}", "profile": "text-line"})

        assert (await c.get("/api/connect/choice")).json() == {"choice": None, "why": ""}
        assert (await use(Path("/nowhere"))).status_code == 404
        assert not chosen_file().exists()
        own.parent.parent.mkdir(parents=True, exist_ok=True)
        own.parent.write_text("a file where the folder should be", "utf-8")
        r = await use(indicators.other.link)
        assert r.status_code == 200, r.text
        assert (r.json()["file"], "cannot be written" in r.json()["why"]) == (None, True), r.text
        assert (await c.get("/api/connect")).json()["station"]["source"] == f"serial:{indicators.other.link}"
        own.parent.unlink()
        assert (await use(indicators.other.link)).json()["why"] == ""
        chosen_file().write_text('sorce = "serial:x"\n', "utf-8")
        said = (await c.get("/api/connect/choice")).json()
        assert (said["choice"], "nearest valid name: source" in said["why"]) == (None, True)

    worked(indicators, work)


def test_the_name_that_is_kept_is_the_one_that_stays(
    indicators: Indicators, monkeypatch: pytest.MonkeyPatch, own: Path
) -> None:
    """A port's own name goes to another when cables are plugged in again: it is never what is kept."""
    other = os.path.realpath(indicators.other.link)
    monkeypatch.setattr(list_ports, "comports", lambda: [PortInfo(other)])

    async def work(c: httpx.AsyncClient) -> None:
        r = await c.post("/api/connect/use", json={"source": f"serial:{other}", "profile": "text-line"})
        assert r.status_code == 200, r.text
        choice = (await c.get("/api/connect/choice")).json()["choice"]
        assert (choice["source"], choice["in_use"]) == ("serial:1234:00ab:A1", True)

    worked(indicators, work)


def test_ports_are_listed_with_who_holds_them(indicators: Indicators, monkeypatch: pytest.MonkeyPatch) -> None:
    other = os.path.realpath(indicators.other.link)
    mine = os.path.realpath(indicators.mine.link)
    monkeypatch.setattr(list_ports, "comports", lambda: [PortInfo(other)])

    async def work(c: httpx.AsyncClient) -> None:
        async def listed() -> dict[str, Any]:
            return {p["device"]: p for p in (await c.get("/api/connect/ports")).json()["ports"]}

        found = await listed()
        # The station's own port too, though the system does not list it.
        assert {d: p["mine"] for d, p in found.items()} == {other: False, mine: True}
        assert (found[other]["about"], found[other]["held_by"], found[other]["cure"]) == ("Cable", [], "")
        code = "import os, sys; fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); print('open', flush=True); sys.stdin.read()"
        with subprocess.Popen([sys.executable, "-c", code, other], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as p:
            assert p.stdout is not None
            assert p.stdin is not None
            assert await asyncio.to_thread(p.stdout.readline) == b"open\n"
            held = (await listed())[other]
            assert (f"process {p.pid}" in held["held_by"][0], held["cure"]) == (True, "Close that program.")
            r = await c.post("/api/connect/identify", json={"source": f"serial:{other}"})
            assert (r.status_code, f"process {p.pid}" in r.json()["detail"]) == (409, True)
            p.stdin.close()
            await asyncio.to_thread(p.wait, LONG_S)

    worked(indicators, work)


@pytest.mark.parametrize(
    ("source", "status", "say"),
    [
        ("serial:/dev/null", 422, "is not a serial port"),
        ("serial:{folder}/file", 422, "is not a serial port"),
        ("serial:{folder}/nothing", 404, "No such port"),
        ("serial:{folder}/nothing*", 404, "no port fits"),
        ("replay:{folder}/file", 422, "allowed: serial:PORT"),
        ("typed", 422, "allowed: serial:PORT"),
        ("", 422, "source"),
        ("socket://nobody@host:80", 422, "allowed: serial:PORT"),
        ("socket://host", 422, "allowed: serial:PORT"),
        ("ble:", 422, "allowed: serial:PORT"),
    ],
)
def test_what_is_no_indicator_is_refused_in_words(
    indicators: Indicators, tmp_path: Path, source: str, status: int, say: str
) -> None:
    (tmp_path / "file").write_text("left alone", "utf-8")

    async def work(c: httpx.AsyncClient) -> None:
        r = await c.post("/api/connect/identify", json={"source": source.format(folder=tmp_path)})
        assert (r.status_code, say in r.json()["detail"]) == (status, True), r.text
        assert (await c.get("/api/connect")).json()["search"]["doing"] is None

    worked(indicators, work)
    assert (tmp_path / "file").read_text("utf-8") == "left alone"


@pytest.mark.parametrize("seconds", [0, 0.5, 121, -1, "nan"])
def test_the_time_is_bounded(indicators: Indicators, seconds: float | str) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        body = {"source": f"serial:{indicators.other.link}", "seconds": seconds}
        assert (await c.post("/api/connect/identify", json=body)).status_code == 422

    worked(indicators, work)


POSTS = ("bluetooth", "identify", "again", "keep", "cancel")


def test_another_sites_page_may_command_nothing(indicators: Indicators, own: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        body = {"source": f"serial:{indicators.other.link}", "candidate": 0, "name": "theirs"}
        for path in POSTS:
            for headers in ({"origin": "http://elsewhere.example"}, {"sec-fetch-site": "cross-site"}):
                r = await c.post(f"/api/connect/{path}", json=body, headers=headers)
                assert r.status_code == 403, path
        assert (await c.get("/api/connect")).json()["search"]["doing"] is None
        r = await c.get("/connect")
        assert (r.status_code, "Connect an indicator" in r.text) == (200, True)
        assert {k: r.headers[k] for k in HEADERS} == HEADERS

    worked(indicators, work)
    assert not own.exists()


def test_another_machine_sees_the_link_and_nothing_of_this_computer(indicators: Indicators) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        assert (await c.get("/api/connect")).status_code == 200
        body = {"source": f"serial:{indicators.other.link}", "candidate": 0, "name": "theirs"}
        answers = [await c.post(f"/api/connect/{path}", json=body) for path in POSTS]
        answers += [await c.get(f"/api/connect/{path}") for path in ("ports", "doctor", "choice")]
        assert {r.status_code for r in answers} == {403}
        assert all("open this page there" in r.json()["detail"] for r in answers)

    worked(indicators, work, client="192.0.2.7")


def test_doctors_findings_come_with_their_cures(indicators: Indicators, monkeypatch: pytest.MonkeyPatch) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        monkeypatch.setattr(list_ports, "comports", lambda: [PortInfo(os.path.realpath(indicators.mine.link))])
        both = await asyncio.gather(c.get("/api/connect/doctor"), c.get("/api/connect/doctor"))
        for r in both:
            found = r.json()["findings"]
            assert all(f["cure"] for f in found if f["state"] != "fine")
            assert any("clock" in f["what"] for f in found)
            assert "(Cable): in use by this page; the name that stays is serial:1234:00ab:A1" in found[0]["what"]

    worked(indicators, work)


def test_a_bluetooth_scan_without_bluetooth_says_what_is_missing(
    indicators: Indicators, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path / 'no-bus'}")

    async def work(c: httpx.AsyncClient) -> None:
        assert (await c.get("/api/connect")).json()["search"]["bluetooth"] is None, "no scan unless asked"
        assert (await c.post("/api/connect/bluetooth")).status_code == 202
        after = await ended(c)
        assert (after["outcome"], "start dbus and bluetooth" in after["said"]) == ("failed", True)

    worked(indicators, work)


def test_a_bluetooth_scan_on_request_lists_what_it_hears_and_can_be_stopped(
    indicators: Indicators, monkeypatch: pytest.MonkeyPatch, need: Callable[[str], str]
) -> None:
    bus = PrivateBus(need("bluetooth"))
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
    bench = BluetoothBench(bus.address, indicator())

    async def work(c: httpx.AsyncClient) -> None:
        assert (await c.post("/api/connect/bluetooth")).status_code == 202
        (heard,) = (await ended(c))["bluetooth"]
        assert (heard["source"], heard["name"]) == ("ble:C0:FF:EE:00:00:01", "LENGTH-1")
        # What was heard is still there after a scan that was cut short.
        monkeypatch.setattr("web.connect_search.SCAN_S", 3600.0)
        assert (await c.post("/api/connect/bluetooth")).status_code == 202
        await asyncio.sleep(0.5)
        assert (await c.post("/api/connect/cancel")).status_code == 200
        after = await ended(c)
        assert (after["outcome"], len(after["bluetooth"])) == ("cancelled", 1)
        # And so may an identification be that waits for an indicator that is not there.
        r = await c.post("/api/connect/identify", json={"source": "ble:C0:FF:EE:00:00:09", "seconds": 120})
        assert r.status_code == 202
        await asyncio.sleep(0.5)
        assert (await c.post("/api/connect/cancel")).status_code == 200
        assert (await ended(c))["outcome"] == "cancelled"

    try:
        worked(indicators, work)
    finally:
        bench.close()
        bus.close()


def test_the_bluetooth_indicator_in_use_is_identified_and_no_other_looked_for_beside_it(
    monkeypatch: pytest.MonkeyPatch, need: Callable[[str], str]
) -> None:
    bus = PrivateBus(need("bluetooth"))
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
    bench = BluetoothBench(bus.address, indicator())

    async def main() -> None:
        async with page("ble:C0:FF:EE:00:00:01", use="gatt-length") as c:
            end = time.monotonic() + 3 * LONG_S
            while not bench.listened_to():
                assert time.monotonic() < end
                await asyncio.sleep(0.05)
            r = await c.post("/api/connect/identify", json={"source": "ble:C0:FF:EE:00:00:02"})
            assert (r.status_code, "could cut that off" in r.json()["detail"]) == (409, True)
            # By its address in other letters too: nothing is looked for.
            scans = bench.do(lambda s: sum(m == "StartDiscovery" for _, m in s.calls))
            r = await c.post("/api/connect/identify", json={"source": "ble:c0:ff:ee:00:00:01"})
            assert r.status_code == 202, r.text
            n = 0
            while (found := (await c.get("/api/connect")).json()["search"])["doing"] is not None:
                assert time.monotonic() < end
                bench.send(478 + n % 7)
                n += 1
                await asyncio.sleep(0.05)
            assert (found["outcome"], found["mine"]) == ("found", True)
            first = found["candidates"][0]
            assert (first["use"], first["sure"], first["guessed"]) == ("gatt-length", True, [])
            assert bench.do(lambda s: sum(m == "StartDiscovery" for _, m in s.calls)) == scans
            station = (await c.get("/api/connect")).json()["station"]
            assert (station["counters"]["opens"], station["counters"]["losses"]) == (1, 0)
            assert station["about"]["delivery"] == "signal"
            assert station["open"] is None or station["open"][0] > 3

    try:
        asyncio.run(main())
    finally:
        bench.close()
        bus.close()
