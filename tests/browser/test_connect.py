"""The connect screen in a real browser: an indicator is found, identified, compared with its display, and its profile kept."""

from __future__ import annotations

import asyncio
import os
import re
import threading
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from serial.tools import list_ports

from capture.chosen import keep_choice
from capture.identify import sniffing
from capture.simulator.pty_bench import PtyBench
from capture.simulator.wires import frame_of
from tests.browser.benches import poll
from tests.browser.conftest import PATIENCE_MS, running
from tests.fakes.port_info import PortInfo
from tests.web.serving import served

WIDTHS = (320, 768, 1280)


@dataclass
class Shop:
    """A page that listens to one indicator while another one stands beside it."""

    address: str
    mine: str
    other: str
    profiles: Path
    still: threading.Event


@contextmanager
def _serving(source: str) -> Iterator[str]:
    """The application in a thread with a loop of its own; gives its address."""
    address: list[str] = []
    ready, leave = threading.Event(), threading.Event()

    async def main() -> None:
        async with served(source, keep_choice=keep_choice) as (base, _):
            address.append(base)
            ready.set()
            await asyncio.to_thread(leave.wait)

    thread = threading.Thread(target=lambda: asyncio.run(main()), name="page")
    thread.start()
    try:
        assert ready.wait(60)
        yield address[0]
    finally:
        leave.set()
        thread.join(60)
        assert not thread.is_alive()


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shop]:
    """Two real pseudo-terminals that the system lists, and an empty folder for profiles."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    # One that speaks is listened to until enough has come, however slowly it comes here.
    monkeypatch.setattr(sniffing, "SHARE_S", PATIENCE_MS / 1000)
    mine, other = PtyBench(tmp_path / "mine"), PtyBench(tmp_path / "other")
    devices = [os.path.realpath(b.link) for b in (mine, other)]
    monkeypatch.setattr(list_ports, "comports", lambda: [PortInfo(d, "Simulated indicator") for d in devices])
    stop, still = threading.Event(), threading.Event()

    def speak() -> None:
        n = 0
        while not stop.wait(0.05):
            mine.write(frame_of(100 + n % 5, 0.001, "mm", "plain"))
            other.write(frame_of(-1234 if still.is_set() else 478 + (n * 7) % 61 - 30, 0.001, "mm", "plain"))
            n += 1

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        with _serving(f"serial:{mine.link}") as address:
            yield Shop(address, devices[0], devices[1], tmp_path / "config" / "shimwright" / "profiles", still)
    finally:
        stop.set()
        thread.join(PATIENCE_MS / 1000)
        mine.stop()
        other.stop()


class Seen:
    """What a page did that it should not."""

    def __init__(self, page: Any, origin: str) -> None:
        self.trouble: list[str] = []
        page.on(
            "console",
            lambda m: self.trouble.append(f"console {m.type}: {m.text}") if m.type in ("error", "warning") else None,
        )
        page.on("pageerror", lambda e: self.trouble.append(f"error: {e}"))
        page.on("request", lambda r: None if r.url.startswith(origin) else self.trouble.append(f"request to {r.url}"))


def _open(browser: Any, address: str, width: int = 1280, path: str = "/connect", **more: Any) -> tuple[Any, Seen]:
    page = browser.new_page(viewport={"width": width, "height": 900}, **more)
    seen = Seen(page, address)
    page.goto(address.rstrip("/") + path)
    return page, seen


def _whole(page: Any, width: int) -> None:
    """Nothing reaches beyond the side of the screen."""
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for box in (x.bounding_box() for x in page.locator("section, button, input, .thing, .value, dd").all()):
        assert box is None or box["x"] + box["width"] <= width + 0.5


def _picture(page: Any, name: str) -> None:
    """A picture to look at, where a folder for it is named."""
    folder = os.environ.get("SHIMWRIGHT_PICTURES")
    if folder:
        page.screenshot(path=f"{folder}/{name}.png", full_page=True)


@pytest.mark.parametrize(("width", "scheme"), [(320, "dark"), (768, "light"), (1280, "light")])
def test_an_indicator_is_found_identified_compared_and_kept(browser: Any, shop: Shop, width: int, scheme: str) -> None:
    page, seen = _open(browser, shop.address, width, color_scheme=scheme)
    found = page.locator("#ports li")
    found.nth(1).wait_for()
    mine, other = found.filter(has_text=shop.mine), found.filter(has_text=shop.other)
    assert "In use by this page" in mine.inner_text()
    assert mine.locator("button").count() == 0, "the port in use is not offered"
    page.locator("#findings li").first.wait_for()
    _whole(page, width)
    _picture(page, f"found-{width}")
    other.locator("button").click()
    page.locator("#match:not([hidden])").wait_for()
    assert page.locator("#match-h").inner_text() == "Does this match the display?"
    assert re.fullmatch(r"0\.\d{3} mm", page.locator("#value").inner_text())
    assert "mm or inch" in page.locator("#guess").inner_text()
    assert page.locator("#candidates li").count() >= 2
    page.locator("#busy").wait_for(state="hidden")
    _whole(page, width)
    _picture(page, f"match-{width}")
    # The display stands still at another value, and the page shows the same.
    shop.still.set()
    value = page.locator("#value").filter(has_text="−1.234 mm")
    for _ in range(10):
        _identified(page, shop.address, page.locator("#again:enabled").click)
        if value.count():
            break
    value.wait_for()
    # Another way to read it, in inches, and back to the first.
    page.locator("#no:enabled").click()
    page.locator("#value").filter(has_text="−1.234 in").wait_for()
    page.locator("#candidates li").first.locator("button").click()
    value.wait_for()
    page.locator("#name").fill("bench-one")
    page.get_by_role("button", name="Yes, it matches: keep this profile").click()
    page.locator("#kept:not([hidden])").wait_for()
    page.get_by_text("Where the profile is kept").click()
    assert page.locator("#kept-command").inner_text() == f"shimwright serve serial:{shop.other} --profile bench-one"
    kept = tomllib.loads((shop.profiles / "bench-one.toml").read_text("utf-8"))
    assert (kept["use"], kept["unit"], kept["baud"]) == ("text-line", "mm", 9600)
    assert str(shop.profiles / "bench-one.toml") in page.locator("#kept-said").inner_text()
    _whole(page, width)
    _picture(page, f"kept-{width}")
    assert seen.trouble == []
    page.close()


def test_the_keyboard_alone_does_it(browser: Any, shop: Shop) -> None:
    page, seen = _open(browser, shop.address, 360)
    page.locator("#ports li button").wait_for()

    def tab_to(where: str) -> None:
        for _ in range(40):
            page.keyboard.press("Tab")
            if page.locator(f"{where}:focus").count():
                return
        pytest.fail(f"{where} cannot be reached by the keyboard")

    tab_to("#ports li button")
    page.keyboard.press("Enter")
    page.locator("#match:not([hidden])").wait_for()
    page.locator("#busy").wait_for(state="hidden")
    tab_to("#name")
    page.keyboard.press("Control+a")
    page.keyboard.type("by-keyboard")
    page.keyboard.press("Enter")
    page.locator("#kept:focus").wait_for()
    assert (shop.profiles / "by-keyboard.toml").is_file()
    _whole(page, 360)
    assert seen.trouble == []
    page.close()


def test_ports_that_are_listed_during_a_search_wait_for_its_end(browser: Any, shop: Shop, tmp_path: Path) -> None:
    silent = PtyBench(tmp_path / "silent")
    try:
        page = browser.new_page(viewport={"width": 768, "height": 900})
        held: list[Any] = []
        page.route("**/api/connect/ports", lambda route: held.append(route))
        page.goto(f"{shop.address}/connect")
        page.get_by_text("It is not in the list").click()
        page.locator("#source").fill(f"serial:{silent.link}")
        page.get_by_role("button", name="Identify this one").click()
        page.locator("#busy-said").filter(has_text="baud").wait_for()
        # No further look at the search, which would lock what it finds: the list itself has to know.
        page.route("**/api/connect", lambda _: None)
        held[0].continue_()
        page.locator("#ports button").wait_for()
        assert page.locator("#ports button").is_disabled(), "one at a time"
        page.close()
    finally:
        silent.stop()


def test_a_search_is_stopped_by_its_button(browser: Any, shop: Shop, tmp_path: Path) -> None:
    silent = PtyBench(tmp_path / "silent")
    try:
        page, seen = _open(browser, shop.address, 320)
        page.get_by_text("It is not in the list").click()
        page.locator("#source").fill(f"serial:{silent.link}")
        page.get_by_role("button", name="Identify this one").click()
        page.locator("#busy-said").filter(has_text="baud").wait_for()
        assert "nothing came yet" in page.locator("#busy-said").inner_text()
        page.locator("#ports button:disabled").wait_for()
        _whole(page, 320)
        _picture(page, "busy-320")
        page.locator("#cancel").click()
        page.locator("#search-said").filter(has_text="Stopped.").wait_for()
        page.locator("#ports button:enabled").wait_for()
        assert seen.trouble == []
        page.close()
    finally:
        silent.stop()


@pytest.mark.parametrize("width", [320, 1280])
def test_a_kept_profile_is_used_at_once_and_the_old_indicator_taken_again(browser: Any, shop: Shop, width: int) -> None:
    page, seen = _open(browser, shop.address, width)
    page.locator("#ports li button").click()
    page.locator("#match:not([hidden])").wait_for()
    page.locator("#busy").wait_for(state="hidden")
    page.locator("#name").fill("bench-two")
    page.get_by_role("button", name="Yes, it matches: keep this profile").click()
    page.get_by_role("button", name="Use it now").click()
    page.locator("#use-said").filter(has_text="Set 2 has begun").wait_for()
    page.locator("#where").filter(has_text=f"serial:{shop.other}, read with the profile bench-two").wait_for()
    page.locator("#ports li").filter(has_text=shop.other).filter(has_text="In use by this page").wait_for()
    page.locator("#now-said").filter(has_text="Connected").wait_for()
    page.locator("#counts").filter(has_text=re.compile(r"Readings taken\s*[1-9]")).wait_for()
    # In use, there is the work to go on to and no second word on how to begin with it.
    page.locator("#use").wait_for(state="hidden")
    assert page.locator("#kept-work a").get_attribute("href") == "/jobs"
    _whole(page, width)
    _picture(page, f"used-{width}")
    # The one before, read in a way that is chosen from the list.
    page.get_by_text("Listen to another one, or read this one in another way").click()
    page.locator("#switch-profile option").filter(has_text="bench-two (your own)").wait_for(state="attached")
    page.locator("#switch-source").fill("serial:/dev/nothing-here")
    page.get_by_role("button", name="Listen to this one now").click()
    page.locator("#switch-said").filter(has_text="Nothing was changed: No such port").wait_for()
    page.locator("#switch-source").fill(f"serial:{shop.mine}")
    page.locator("#switch-profile").select_option("text-line")
    _whole(page, width)
    _picture(page, f"switch-{width}")
    page.get_by_role("button", name="Listen to this one now").click()
    page.locator("#switch-said").filter(has_text="Set 3 has begun").wait_for()
    page.locator("#counts").filter(has_text=re.compile(r"Shows\s*0\.10\d mm")).wait_for()
    # The other page takes it over by itself.
    page.get_by_role("link", name="Sweeps", exact=True).click()
    page.locator("#number").filter(has_text=re.compile(r"0\.10\d")).wait_for()
    assert [t for t in seen.trouble if "404" not in t] == []
    page.close()


def _identified(page: Any, address: str, act: Callable[[], object]) -> None:
    """Do what begins a search, and wait until the page has been told of its end."""
    with page.expect_response(lambda r: r.request.method == "POST") as begun:
        act()
    assert begun.value.status == 202
    state = f"{address.rstrip('/')}/api/connect"
    poll(page, lambda: page.request.get(state).json()["search"]["doing"] is None, "the search ends")
    for _ in range(2):
        with page.expect_response(lambda r: r.url.endswith("/api/connect")):
            pass
    page.locator("#busy").wait_for(state="hidden")


@pytest.mark.parametrize("width", [360, 1280])
def test_the_indicator_in_use_is_identified_while_its_set_goes_on(browser: Any, shop: Shop, width: int) -> None:
    page, seen = _open(browser, shop.address, width)
    page.locator("#now-said").filter(has_text="Connected").wait_for()
    _identified(page, shop.address, page.locator("#identify-now:enabled").click)
    page.locator("#match:not([hidden])").wait_for()
    page.locator("#value").filter(has_text=re.compile(r"0\.10\d mm")).wait_for()
    page.locator("#search-said").filter(has_text="to read serial:").wait_for()
    _identified(page, shop.address, page.locator("#again:enabled").click)
    counts = page.locator("#counts")
    counts.filter(has_text=re.compile(r"Times it was connected\s*1(?!\d)")).wait_for()
    counts.filter(has_text=re.compile(r"Times the connection was lost\s*0(?!\d)")).wait_for()
    _whole(page, width)
    _picture(page, f"identified-in-use-{width}")
    # The same by its name, typed; another way to read it is used at once.
    page.get_by_text("It is not in the list").click()
    page.locator("#source").fill(f"serial:{shop.mine}")
    _identified(page, shop.address, lambda: page.keyboard.press("Enter"))
    page.locator("#match:not([hidden])").wait_for()
    page.locator("#name").fill("in-use")
    page.get_by_role("button", name="Yes, it matches: keep this profile").click()
    assert page.locator("#choice").is_hidden()
    page.get_by_role("button", name="Use it now").click()
    page.locator("#use-said").filter(has_text="Set 2 has begun").wait_for()
    kept = page.locator("#choice").filter(has_text="The next start goes on with it: shimwright serve without a SOURCE.")
    kept.filter(has_text=str(shop.profiles.with_name("indicator.toml"))).wait_for()
    page.locator("#where").filter(has_text="read with the profile in-use").wait_for()
    _whole(page, width)
    _picture(page, f"choice-{width}")
    assert seen.trouble == []
    page.close()


def test_what_is_refused_is_said_in_words(browser: Any, shop: Shop) -> None:
    page, _ = _open(browser, shop.address)
    page.get_by_text("It must be asked for each reading").click()
    page.locator("#poll").fill("?")
    page.get_by_text("It is not in the list").click()
    page.locator("#source").fill(f"serial:{shop.mine}")
    page.keyboard.press("Enter")
    page.locator("#failure").filter(has_text="in use is only listened to").wait_for()
    page.locator("#source").fill("COM-nonsense")
    page.keyboard.press("Enter")
    page.locator("#failure").filter(has_text="allowed: serial:PORT").wait_for()
    page.close()


def test_link_age_and_counters_are_shown_and_findings_have_cures(browser: Any, shop: Shop) -> None:
    page, seen = _open(browser, shop.address)
    page.locator("#now-said").filter(has_text="Connected").wait_for()
    counts = page.locator("#counts")
    counts.filter(has_text=re.compile(r"Readings taken\s*[1-9]")).wait_for()
    counts.filter(has_text=re.compile(r"Last reading\s*Just now")).wait_for()
    assert re.search(r"Shows\s*0\.10\d mm", counts.inner_text())
    page.locator("#findings li").first.wait_for()
    for item in page.locator("#findings li").all():
        text = item.inner_text()
        assert re.match(r"(Wrong|Note|Fine): ", text), "its state is a word, not a colour"
        assert text.startswith("Fine") or "Cure: " in text
    assert seen.trouble == []
    page.close()


@pytest.mark.parametrize("width", WIDTHS)
def test_the_two_pages_lead_to_each_other(browser: Any, width: int) -> None:
    with running("demo", "--speed", "6") as address:
        page, seen = _open(browser, address, width, "/")
        page.get_by_role("link", name="Indicator").click()
        page.get_by_role("heading", name="Connect an indicator").wait_for()
        page.locator("#ports li").filter(has_text="In use by this page").wait_for()
        _whole(page, width)
        _picture(page, f"demo-{width}")
        page.get_by_role("link", name="Sweeps", exact=True).click()
        page.locator("#number").filter(has_text=re.compile(r"\d\.\d{3}")).wait_for()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        _picture(page, f"main-{width}")
        assert seen.trouble == []
        page.close()
