"""Nothing typed is lost, nothing written is hidden: drafts, two tabs, a program that dies, refusals, corrections, what is void."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.analysis import job_scenarios as s
from tests.browser.benches import Seen, poll
from tests.browser.conftest import program
from tests.browser.job_pages import PATIENCE_MS, Keys, as_writer, ask, shop, written
from tests.browser.test_job_asked import LINES
from tests.ports import ReservedPort

PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010806000000"
    "1f15c4890000000d49444154789c6360f8cfc00000030101008bd0b5110000000049454e44ae426082"
)


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with shop(tmp_path_factory.mktemp("shop")) as found:
        yield found


def opened(browser: Any, address: str, job: str, step: str, who: str = "AB") -> Any:
    page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
    if who:
        as_writer(page, who)
    page.goto(f"{address}jobs/{job}#{step}")
    page.locator(f'#steps a[aria-current][href="#{step}"]').wait_for(timeout=PATIENCE_MS)
    return page


def refused(seen: Seen) -> list[str]:
    """Trouble that is not the answer to an entry which cannot be taken, or to a program that is away."""
    return [
        x
        for x in seen.trouble
        if not re.search(r"status of 422|ERR_CONNECTION_REFUSED|ERR_CONNECTION_RESET|ERR_EMPTY", x)
    ]


def test_a_half_filled_form_survives_a_reload(browser: Any, address: str) -> None:
    written(address, "draft", s.ONE_START[:1])
    page = opened(browser, address, "draft", "limits")
    page.locator('[data-path="name"] select').select_option("backlash")
    page.locator('[data-path="value"] input').fill("0.18 mm")
    page.locator('[data-path="tolerance"] input').fill("0.0")
    page.locator('[data-path="value"] .beside').filter(has_text="= 0.00709 in").wait_for(timeout=PATIENCE_MS)
    page.reload()
    page.locator('[data-path="value"] input').wait_for(timeout=PATIENCE_MS)
    assert page.locator('[data-path="name"] select').input_value() == "backlash"
    assert page.locator('[data-path="value"] input').input_value().startswith("0.18")
    assert page.locator('[data-path="tolerance"] input').input_value() == "0.0"
    page.locator('a[href="#family"]').click()
    page.locator('#steps a[href="#limits"] ~ .how').filter(has_text="kept in this browser").wait_for(
        timeout=PATIENCE_MS
    )
    assert len(ask(address, "/api/jobs/draft/entries")["entries"]) == 1
    page.context.close()


def test_what_one_tab_writes_the_other_shows(browser: Any, address: str) -> None:
    written(address, "tabs", s.ONE_START[:1])
    first = opened(browser, address, "tabs", "limits")
    second = first.context.new_page()
    second.goto(f"{address}jobs/tabs#limits")
    second.locator('[data-path="page"] input').fill("half a pa")
    other = opened(browser, address, "tabs", "limits", "CD")
    first.locator('[data-path="name"] select').select_option("depth-tolerance")
    first.locator('[data-path="value"] input').fill("0.03 mm")
    first.locator('[data-path="page"] input').fill("12")
    first.locator('[data-form="limit"] button[type=submit]').click()
    first.locator("#told").filter(has_text="Saved on the disk as entry 2.").wait_for(timeout=PATIENCE_MS)
    for page in (second, other):
        page.locator('[data-panel="limits"] td').filter(has_text="0.03 mm (0.00118 in)").wait_for(timeout=PATIENCE_MS)
        page.locator("#told").filter(has_text="written down elsewhere").wait_for(timeout=PATIENCE_MS)
    assert second.locator('[data-path="page"] input').input_value() == "half a pa", "what is being typed here stays"
    second.reload()
    second.locator('[data-path="page"] input').wait_for(timeout=PATIENCE_MS)
    assert second.locator('[data-path="page"] input').input_value() == "half a pa"
    first.context.close()
    other.context.close()


def test_a_refusal_stands_at_its_field(browser: Any, address: str) -> None:
    written(address, "refused", s.ONE_START[:1])
    page = opened(browser, address, "refused", "limits")
    seen = Seen(page, address)
    page.locator('[data-path="name"] select').select_option("depth-tolerance")
    page.locator('[data-path="value"] input').fill("0.03")
    page.locator('[data-form="limit"] button[type=submit]').click()
    place = page.locator('[data-form="limit"] [data-path="page"] .problem')
    place.filter(has_text="Given: nothing. Allowed: the page of the manual").wait_for(timeout=PATIENCE_MS)
    page.locator('[data-path="page"] input').fill("12")
    page.locator('[data-form="limit"] button[type=submit]').click()
    value = page.locator('[data-form="limit"] [data-path="value"]')
    value.locator(".problem").filter(has_text='Given: "0.03". Allowed:').wait_for(timeout=PATIENCE_MS)
    assert "the unit with the figure" in value.locator(".problem").inner_text()
    assert value.locator("input").get_attribute("aria-invalid") == "true"
    assert page.evaluate("document.activeElement.closest('[data-path]').dataset.path") == "value"
    assert place.is_hidden()
    assert value.locator("input").input_value() == "0.03", "what was typed stays"
    assert len(ask(address, "/api/jobs/refused/entries")["entries"]) == 1
    assert refused(seen) == []
    page.context.close()


def test_who_is_writing_is_asked_once(browser: Any, address: str) -> None:
    written(address, "person", s.ONE_START[:1])
    page = opened(browser, address, "person", "direction", who="")
    page.locator('[data-path="pushed_in"] label').filter(has_text="falls").click()
    page.locator('[data-form="direction"] button[type=submit]').click()
    page.locator("#who-problem").filter(has_text="initials or name").wait_for(timeout=PATIENCE_MS)
    page.locator("#who").fill("EF")
    page.keyboard.press("Enter")
    page.locator("#person").filter(has_text="Writing as EF").wait_for(timeout=PATIENCE_MS)
    page.locator('[data-form="direction"] button[type=submit]').click()
    page.locator("#told").filter(has_text="Saved on the disk").wait_for(timeout=PATIENCE_MS)
    assert ask(address, "/api/jobs/person/entries")["entries"][-1]["by"] == "EF"
    page.reload()
    page.locator("#person").filter(has_text="Writing as EF").wait_for(timeout=PATIENCE_MS)
    page.context.close()


def test_a_correction_stands_beside_what_it_corrects(browser: Any, address: str) -> None:
    written(address, "corrected", s.ONE_START[:2])
    page = opened(browser, address, "corrected", "limits")
    page.locator("details.written > summary").click()
    entry = page.locator('.entry[data-n="2"]')
    entry.get_by_role("button", name="Put right").click()
    entry.locator('[data-path="value"] input').fill("0.04 mm")
    entry.locator("button[type=submit]").click()
    page.locator("#told").filter(has_text="Saved on the disk as entry 3.").wait_for(timeout=PATIENCE_MS)
    assert "0.04 mm" in page.locator('[data-panel="limits"]').inner_text()
    page.locator("details.written > summary").click()
    old = page.locator('.entry[data-n="2"]')
    assert "0.03 mm" in old.locator(".old").inner_text()
    assert old.locator(".old").evaluate("(e) => getComputedStyle(e).textDecorationLine") == "line-through"
    assert "Put right by entry 3" in old.inner_text()
    old.get_by_role("button", name="Withdraw").click()
    old.locator('[data-path="reason"] textarea').fill("wrong page")
    old.locator("button[type=submit]").click()
    page.locator(".next-up").filter(has_text="depth-tolerance").wait_for(timeout=PATIENCE_MS)
    page.locator('details[data-name="all"] > summary').click()
    assert "Withdrawn: entry 4: wrong page" in page.locator('details[data-name="all"]').inner_text()
    page.context.close()


def test_a_later_change_voids_and_says_what_to_redo(browser: Any, address: str) -> None:
    written(address, "void", [*s.ONE_START, *s.ONE_AS_FOUND, *s.ONE_TRIAL])
    page = opened(browser, address, "void", "trial")
    assert page.locator(".readings .status").first.inner_text() == "counts"
    page.locator('details.form-fold[data-name="state"]').evaluate("(d) => (d.open = true)")
    page.locator('[data-form="state"] [data-path="nut"] label').filter(has_text="torqued").click()
    page.locator('[data-form="state"] button[type=submit]').click()
    redo = page.locator(".next-up").filter(has_text="Measure the depth again:")
    redo.wait_for(timeout=PATIENCE_MS)
    assert redo.inner_text().count("the pinion nut torqued") == 1, "what comes next says it, and nothing says it again"
    reading = page.locator('.readings li[data-status="void"]')
    assert "void" in reading.locator(".status").inner_text()
    assert "the nut's pull moves the pinion's head" in reading.inner_text()
    assert page.locator('#steps li[data-kind="again"]').filter(has_text="void, measure again").count() >= 1
    page.context.close()


def test_a_photo_is_kept_with_the_pattern(browser: Any, address: str, tmp_path: Path) -> None:
    written(address, "photo", s.ONE[: s.ONE.index(s.ONE_END[0])][:1])
    picture = tmp_path / "drive side.png"
    picture.write_bytes(PNG)
    page = opened(browser, address, "photo", "pattern")
    page.locator('[data-form="pattern"] input[type=file]').set_input_files(str(picture))
    page.locator('[data-form="pattern"] [data-path="photos"] label').filter(has_text="drive-side.png").wait_for(
        timeout=PATIENCE_MS
    )
    image = page.locator('[data-panel="pattern"] img')
    image.wait_for(timeout=PATIENCE_MS)
    assert image.evaluate("(i) => i.decode().then(() => i.naturalWidth)") == 1
    assert "drive-side.png" in str(image.get_attribute("alt"))
    kept = ask(address, "/api/jobs/photo/entries")["entries"][-1]
    assert kept["kind"] == "photo"
    assert kept["data"]["file"] == "drive-side.png"
    picture.write_bytes(b"no picture at all")
    page.locator('[data-form="pattern"] input[type=file]').set_input_files(str(picture))
    page.get_by_text("The photo was not kept").first.wait_for(timeout=PATIENCE_MS)
    page.context.close()


class Daemon:
    """The program on a port it keeps, that can be killed."""

    def __init__(self, folder: Path) -> None:
        self._reserved = ReservedPort()
        self.port = self._reserved.number
        self.folder = folder
        self.address = f"http://127.0.0.1:{self.port}/"

    def start(self) -> None:
        """Serve."""
        options = ["--jobs", str(self.folder / "jobs"), "--record", str(self.folder / "streams"), "--store", "off"]
        self.process = subprocess.Popen(
            [program(), "serve", "push", *options, "--no-browser", "--port", str(self.port)],
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ.copy(),
        )
        assert self.process.stdout is not None
        assert "http" in self.process.stdout.readline()

    def end(self, how: int) -> None:
        """End it."""
        self.process.send_signal(how)
        self.process.communicate(timeout=PATIENCE_MS / 1000)

    def release(self) -> None:
        """Give its port back."""
        self._reserved.release()


def test_a_program_that_dies_in_the_middle_of_an_entry_loses_nothing(browser: Any, tmp_path: Path) -> None:
    daemon = Daemon(tmp_path)
    daemon.start()
    try:
        written(daemon.address, "dies", s.ONE_START[:1])
        page = opened(browser, daemon.address, "dies", "limits")
        seen = Seen(page, daemon.address)
        keys = Keys(page)
        page.locator('[data-path="name"] select').select_option("depth-tolerance")
        page.locator('[data-path="value"] input').fill("0.03 mm")
        daemon.end(signal.SIGKILL)
        page.locator('[data-path="page"] input').fill("12")
        page.locator('[data-form="limit"] button[type=submit]').click()
        page.locator('[data-form="limit"] .problem').filter(has_text="What you typed is kept here").wait_for(
            timeout=PATIENCE_MS
        )
        page.locator("#lost").filter(has_text="does not answer").wait_for(timeout=PATIENCE_MS)
        daemon.start()
        page.locator("#lost").wait_for(state="hidden", timeout=PATIENCE_MS)
        assert page.locator('[data-path="page"] input').input_value() == "12"
        keys.save('[data-form="limit"]')
        entries = ask(daemon.address, "/api/jobs/dies/entries")["entries"]
        assert [e["kind"] for e in entries] == ["intake", "limit"]
        assert refused(seen) == []
        page.context.close()
    finally:
        daemon.end(signal.SIGINT)
        daemon.release()


def test_an_answer_that_was_lost_writes_nothing_twice(browser: Any, address: str) -> None:
    written(address, "twice", s.ONE_START[:1])
    page = opened(browser, address, "twice", "direction")
    page.locator('[data-path="pushed_in"] label').filter(has_text="falls").click()
    # The entry gets through, its answer does not.
    page.route("**/entries", lambda r: (r.fetch(), r.abort()) if r.request.method == "POST" else r.continue_())
    page.locator('[data-form="direction"] button[type=submit]').click()
    page.locator('[data-form="direction"] .problem').filter(has_text="Not saved").wait_for(timeout=PATIENCE_MS)
    page.unroute("**/entries")
    page.evaluate(LINES)
    page.locator('[data-form="direction"] button[type=submit]').click()
    said = "It had been written to the disk before the link broke: entry 2."
    poll(page, lambda: any(said in x for x in page.evaluate("window.told")), said)
    assert len(ask(address, "/api/jobs/twice/entries")["entries"]) == 2
    page.context.close()


def test_the_first_run_leads_to_the_indicator_and_the_first_job(browser: Any, tmp_path: Path) -> None:
    with shop(tmp_path) as fresh:
        page = browser.new_page()
        seen = Seen(page, fresh)
        page.goto(f"{fresh}jobs")
        page.locator("#first").filter(has_text="First let the program hear the indicator").wait_for(timeout=PATIENCE_MS)
        assert page.locator("#first a").get_attribute("href") == "/connect"
        page.locator("#unit").fill("ring gear carrier №2, invented")
        page.reload()
        unit = page.locator("#unit")
        poll(page, lambda: unit.input_value() == "ring gear carrier №2, invented", "what was typed is there again")
        days = {time.strftime("%Y-%m-%d", time.gmtime())}
        page.locator("#who").fill("AB")
        page.locator("#begin button").click()
        page.locator("#unit-h").filter(has_text="№2").wait_for(timeout=PATIENCE_MS)
        days.add(time.strftime("%Y-%m-%d", time.gmtime()))
        assert page.url.split("#")[0].split("/")[-1][:10] in days, "midnight may have passed"
        assert seen.trouble == []
        page.close()
