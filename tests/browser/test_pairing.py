"""A phone at the page's door: paired by the code or its picture, a display and foot switch then, and out again."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from capture.jobs import JobFolder
from capture.sources.replay import ReplaySource
from tests.browser.conftest import FLAGS, patient
from tests.browser.test_page import PATIENCE_MS, Seen
from tests.golden import compare
from tests.web.serving import served_in_thread
from web.door import Door

NAME = "bench.lan"
"""None of the loopback's names: whoever comes by it comes from the network, whatever wire it takes."""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A page open to the network, on this machine's side."""
    door = Door()
    # Slowly, so that readings go on coming for as long as a busy machine may need them.
    source = ReplaySource(compare.ROOT / "clean-mm" / "stream.jsonl", 0.1)
    folder = tmp_path_factory.mktemp("pairing")
    with served_in_thread(
        source, folder, hosts=("127.0.0.1", NAME), door=door, jobs=JobFolder(folder / "jobs")
    ) as base:
        # Known only now: the port was a free one.
        door.addresses = (f"http://{NAME}:{base.rpartition(':')[2]}/", "http://192.0.2.1:8710/")
        yield f"{base}/"


@pytest.fixture(scope="module")
def phone(browser: Any, need: Any) -> Iterator[Any]:
    """A second browser, for which the name leads to the page."""
    flags = [*FLAGS, f"--host-resolver-rules=MAP {NAME} 127.0.0.1", "--no-proxy-server"]
    b = patient(browser.browser_type.launch(executable_path=need("browser"), args=flags, timeout=2 * PATIENCE_MS))
    yield b
    b.close()


def elsewhere(address: str) -> str:
    """The page's address for the phone."""
    return address.replace("127.0.0.1", NAME)


def shown_code(host: Any) -> str:
    """A new code, as it stands on the computer's page."""
    before = host.locator("#code").inner_text() if host.locator("#code").is_visible() else ""
    host.locator("#show").click()
    code = host.locator("#code").filter(has_text=re.compile(r"^\d{4} \d{4}$"), has_not_text=before or "never")
    code.wait_for(timeout=PATIENCE_MS)
    return str(code.inner_text())


def test_a_phone_is_paired_by_hand_marks_like_a_pedal_and_is_shut_out(browser: Any, phone: Any, address: str) -> None:
    host = browser.new_page(viewport={"width": 1280, "height": 900})
    seen_host = Seen(host, address)
    host.goto(f"{address}devices")
    code = shown_code(host)

    there = elsewhere(address)
    page = phone.new_context(viewport={"width": 360, "height": 740}).new_page()
    seen = Seen(page, there)
    page.goto(there)
    assert page.url == f"{there}pair"
    page.locator("#code").fill("0000 0000" if code != "0000 0000" else "1111 1111")
    with page.expect_response("**/api/pair") as refused:
        page.keyboard.press("Enter")
    assert refused.value.status == 403
    page.locator("#said").filter(has_text="not the code").wait_for(timeout=PATIENCE_MS)
    assert page.evaluate("document.activeElement.id") == "code", "ready for the next try"
    (trouble,) = seen.trouble
    assert "403" in trouble
    seen.trouble.clear()

    page.locator("#code").fill(code)
    page.locator("#name").fill("phone at the bench")
    page.locator("button").click()
    page.wait_for_url(there, timeout=PATIENCE_MS)
    page.locator("#number").filter(has_text=re.compile(r"\d\.\d{3}")).wait_for(timeout=PATIENCE_MS)
    with page.expect_response("**/api/mark") as marked:
        page.keyboard.press("b")
    assert marked.value.status == 204, "a foot switch at the phone"
    page.goto(f"{there}devices")
    page.locator("#own-said").filter(has_text="phone at the bench").wait_for(timeout=PATIENCE_MS)
    assert page.locator("#pair").is_hidden()
    page.goto(there)
    page.locator("#number").filter(has_text=re.compile(r"\d\.\d{3}")).wait_for(timeout=PATIENCE_MS)
    assert seen.trouble == []

    item = host.locator("#devices li").filter(has_text="phone at the bench")
    item.wait_for(timeout=PATIENCE_MS)
    host.locator("#pair-said").filter(has_text="No code holds now").wait_for(timeout=PATIENCE_MS)
    item.get_by_role("button", name="Let phone at the bench write into jobs").click()
    again = item.get_by_role("button", name="No longer let phone at the bench write into jobs")
    again.wait_for(timeout=PATIENCE_MS)
    assert again.evaluate("b => b === document.activeElement"), "the focus stays where it was"
    item.get_by_role("button", name="Shut out phone at the bench").click()
    page.wait_for_url(f"{there}pair", timeout=PATIENCE_MS)
    host.locator("#paired-said").filter(has_text="shut out").wait_for(timeout=PATIENCE_MS)
    assert seen_host.trouble == []
    page.context.close()
    host.close()


def test_the_picture_leads_a_camera_to_the_page_with_the_code(browser: Any, phone: Any, address: str) -> None:
    import zxingcpp
    from PIL import Image

    # A phone in the dark half of the day looks at a computer's page in dark colours: the picture stays black on white.
    host = browser.new_page(viewport={"width": 1280, "height": 900}, color_scheme="dark")
    seen_host = Seen(host, address)
    host.goto(f"{address}devices")
    code = shown_code(host)
    picture = host.locator("#picture")
    host.wait_for_load_state("networkidle")
    assert picture.get_attribute("alt") == f"Picture for a camera: {elsewhere(address)}, with the code {code}"
    (read,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(picture.screenshot())))
    assert read.text == f"{elsewhere(address)}pair#{code.replace(' ', '')}"

    page = phone.new_context(viewport={"width": 360, "height": 740}).new_page()
    seen = Seen(page, elsewhere(address))
    page.goto(read.text)
    page.locator("#code").filter(has_text="").wait_for(timeout=PATIENCE_MS)
    assert page.locator("#code").input_value() == code
    assert page.url == f"{elsewhere(address)}pair", "the code is gone from the address, and so from the history"
    assert page.evaluate("document.activeElement.type") == "submit", "one touch is left"
    page.keyboard.press("Enter")
    page.wait_for_url(elsewhere(address), timeout=PATIENCE_MS)

    # Coming by a camera again, a paired phone goes straight in.
    page.goto(f"{elsewhere(address)}pair#12345678")
    page.wait_for_url(elsewhere(address), timeout=PATIENCE_MS)
    page.goto(f"{elsewhere(address)}devices")
    page.locator("#leave").click()
    page.wait_for_url(f"{elsewhere(address)}pair", timeout=PATIENCE_MS)
    assert seen.trouble == []

    code = shown_code(host)
    host.get_by_role("button", name="Show the picture for http://192.0.2.1:8710/").click()
    host.locator("#address").filter(has_text="192.0.2.1").wait_for(timeout=PATIENCE_MS)
    host.wait_for_load_state("networkidle")
    (read,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(picture.screenshot())))
    assert read.text == f"http://192.0.2.1:8710/pair#{code.replace(' ', '')}"
    host.locator("#end").click()
    host.locator("#pair-said").filter(has_text="No code holds now").wait_for(timeout=PATIENCE_MS)
    assert seen_host.trouble == []
    page.context.close()
    host.close()


@pytest.mark.parametrize("width", [320, 360, 768, 1280])
def test_nothing_is_cut_off(browser: Any, phone: Any, address: str, width: int) -> None:
    host = browser.new_page(viewport={"width": width, "height": 900})
    host.goto(f"{address}devices")
    shown_code(host)
    assert host.evaluate("document.documentElement.scrollWidth") <= width
    host.close()
    page = phone.new_page(viewport={"width": width, "height": 900})
    page.goto(elsewhere(address))
    page.locator("#code").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


def test_on_this_machine_only_the_page_says_how_to_open_it(browser: Any, tmp_path: Path) -> None:
    source = f"replay:{compare.ROOT / 'clean-mm' / 'stream.jsonl'}"
    with served_in_thread(source, tmp_path) as base:
        page = browser.new_page()
        seen = Seen(page, base)
        page.goto(f"{base}/devices")
        page.locator("#pair-said").filter(has_text="--host 0.0.0.0").wait_for(timeout=PATIENCE_MS)
        assert page.locator("#show").is_hidden()
        assert seen.trouble == []
        page.close()
