"""Every page against the accessibility rules of axe-core (WCAG 2.2 A and AA, and its best practice): no finding of any weight.

The pages are found by asking the application for its routes, so a page of tomorrow is looked at too.
"""

from __future__ import annotations

import json
import re
import tempfile
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from fastapi.routing import APIRoute

from capture.jobs import JobFolder
from capture.profiles import load_profile
from capture.sources.push import PushSource
from capture.station import Station
from tests.browser.conftest import FLAGS, patient, running
from tests.browser.test_page import PATIENCE_MS
from tests.golden import compare
from tests.web.serving import served_in_thread
from web.app import make_app
from web.door import Door

WIDTHS = (360, 768, 1280)
THEMES = ("light", "dark")
ELSEWHERE = "bench.lan"
AXE = Axe().axe_script

# Pages that need something to have happened first.
READY = {
    "/": "#sweeps tbody tr",
    "/connect": "#findings li",
    "/devices": "#paired:not([hidden])",
    "/jobs": "#jobs a",
    "/jobs/{job}": "#next p",
}


def page_routes() -> list[str]:
    """Paths of the pages: what is asked for with GET and is neither of the interface nor a file."""
    push = PushSource()
    station = Station(push, profile=load_profile("json-lines"))
    with tempfile.TemporaryDirectory() as jobs:
        app = make_app(station, push=push, jobs=JobFolder(Path(jobs)))
    found: set[str] = set()

    def walk(routes: Any) -> None:
        for r in routes:
            if isinstance(r, APIRoute):
                if "GET" in r.methods and not r.path.startswith(("/api/", "/static/")):
                    found.add(r.path)
            elif hasattr(r, "original_router"):
                walk(r.original_router.routes)
            elif hasattr(r, "routes"):
                walk(r.routes)

    walk(app.routes)
    # A module with words, and the sheet that is a document of its own, with its own tests.
    return sorted(p for p in found if not p.endswith((".js", ".html", ".pdf", ".svg")))


PAGES = page_routes()


def findings(page: Any, where: str = "html") -> list[str]:
    """What axe finds in a part of the page, each with its rule, weight and first place."""
    found = page.evaluate("(where) => axe.run(where, {resultTypes: ['violations']})", where)
    return [
        f"{v['impact']} {v['id']}: {v['help']}: {v['nodes'][0]['html'][:160]} ({len(v['nodes'])} places): "
        f"{v['nodes'][0].get('failureSummary', '')}"
        for v in found["violations"]
    ]


def looked_at(page: Any) -> list[str]:
    """Findings at all widths, in both themes, with everything folded out."""
    page.evaluate(AXE)
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    text = page.locator("body").inner_text()
    out = [f"shown: {x}" for x in ("[object ", "undefined", "NaN", "null") if x in text]
    for theme in THEMES:
        page.emulate_media(color_scheme=theme)
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 900})
            out += [f"{theme} {width}: {x}" for x in findings(page)]
    return out + on_paper(page)


def on_paper(page: Any) -> list[str]:
    """Findings on an A4 page printed from a dark screen, on which nothing can be pressed."""
    page.emulate_media(media="print", color_scheme="dark")
    page.set_viewport_size({"width": 718, "height": 900})
    try:
        out = [f"paper: {x}" for x in findings(page)]
        for name, want in (("backgroundColor", "rgb(255, 255, 255)"), ("color", "rgb(0, 0, 0)")):
            got = page.evaluate("(name) => getComputedStyle(document.body)[name]", name)
            out += [] if got == want else [f"paper: {name} {got}"]
        out += [
            f"paper: a button, {b.inner_text()}" for b in page.locator(":not(td) > button:visible, nav:visible").all()
        ]
        wide = page.evaluate("document.documentElement.scrollWidth")
        return out + ([] if wide <= 718 else [f"paper: {wide} px wide, cut off"])
    finally:
        page.emulate_media(media="screen")


@pytest.fixture(scope="module")
def demo() -> Iterator[str]:
    with running("demo", "--speed", "10") as address:
        yield address


@pytest.fixture(scope="module")
def page(browser: Any) -> Iterator[Any]:
    made = browser.new_page(viewport={"width": 1280, "height": 900}, color_scheme="light")
    yield made
    made.close()


def filled(path: str, address: str) -> str:
    """A page's path with the demonstration's own job in it."""
    if "{job}" in path:
        with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(f"{address}api/jobs") as answer:
            path = path.replace("{job}", json.load(answer)["jobs"][0]["job"])
    assert "{" not in path, "a page with another place in its path: say here how it is filled"
    return path


def test_the_pages_are_found() -> None:
    assert {"/", "/connect", "/devices", "/pair"} <= set(PAGES)


@pytest.mark.parametrize("path", [p for p in PAGES if p != "/pair"])
def test_no_page_has_a_finding(page: Any, demo: str, path: str) -> None:
    answer = page.goto(demo + filled(path, demo).removeprefix("/"))
    assert answer.status == 200
    assert answer.headers["content-type"].startswith("text/html"), "no page: leave it out of PAGES"
    page.locator(READY.get(path, "main")).first.wait_for(timeout=PATIENCE_MS)
    assert looked_at(page) == []


def test_no_step_of_a_job_has_a_finding(page: Any, demo: str) -> None:
    page.goto(demo + filled("/jobs/{job}", demo).removeprefix("/"))
    page.locator(READY["/jobs/{job}"]).first.wait_for(timeout=PATIENCE_MS)
    page.evaluate(AXE)
    count = page.locator("#steps a").count()
    assert count >= 10
    out: list[str] = []
    for n in range(count):
        page.set_viewport_size({"width": WIDTHS[-1], "height": 900})  # where the list of steps lies open
        step = page.locator("#steps a").nth(n)
        name = step.inner_text()
        step.click()
        page.locator("#steps a[aria-current]").filter(has_text=name).wait_for(timeout=PATIENCE_MS)
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        # By turns, since all of them at each would take a minute.
        theme, width = THEMES[n % 2], WIDTHS[n % 3]
        page.emulate_media(color_scheme=theme)
        page.set_viewport_size({"width": width, "height": 900})
        out += [f"{name} {theme} {width}: {x}" for x in findings(page, "#step")]
    assert out == []


def test_the_door_has_no_finding(browser: Any, need: Any, tmp_path: Path) -> None:
    door = Door()
    door.devices.add("phone at the bench", "192.0.2.7")
    source = f"replay:{compare.ROOT / 'clean-mm' / 'stream.jsonl'}"
    flags = [*FLAGS, f"--host-resolver-rules=MAP {ELSEWHERE} 127.0.0.1", "--no-proxy-server"]
    phone = patient(browser.browser_type.launch(executable_path=need("browser"), args=flags, timeout=2 * PATIENCE_MS))
    with served_in_thread(source, tmp_path, hosts=("127.0.0.1", ELSEWHERE), door=door) as base:
        there = base.replace("127.0.0.1", ELSEWHERE)
        door.addresses = (f"{there}/", "http://192.0.2.1:8710/")
        page = phone.new_page()
        page.goto(f"{base}/devices")
        page.locator("#show").click()
        code = page.locator("#code").filter(has_text=re.compile(r"\d{4} \d{4}"))
        code.wait_for(timeout=PATIENCE_MS)
        assert looked_at(page) == []
        digits = code.inner_text()

        page.goto(there)
        assert page.url == f"{there}/pair"
        page.locator("#code").fill("no code")
        page.keyboard.press("Enter")
        page.locator("#said").filter(has_text="not the code").wait_for(timeout=PATIENCE_MS)
        assert looked_at(page) == []
        page.locator("#code").fill(digits)
        page.keyboard.press("Enter")
        page.wait_for_url(f"{there}/", timeout=PATIENCE_MS)
        page.goto(f"{there}/devices")
        page.locator("#own:not([hidden])").wait_for(timeout=PATIENCE_MS)
        assert looked_at(page) == []
    phone.close()


@pytest.mark.parametrize(
    ("fault", "rule"),
    [
        ("document.querySelector('#number').parentElement.style.color = '#bbb'", "color-contrast"),
        ("document.querySelector('#trace').removeAttribute('aria-label')", "svg-img-alt|role-img-alt"),
        ("document.querySelector('#reseat').replaceChildren()", "button-name"),
        ("document.documentElement.removeAttribute('lang')", "html-has-lang"),
        ("document.querySelector('main').append(document.createElement('input'))", "label"),
    ],
)
def test_a_fault_is_found(page: Any, demo: str, fault: str, rule: str) -> None:
    page.goto(demo)
    page.locator("#number").filter(has_text=re.compile(r"\d")).wait_for(timeout=PATIENCE_MS)
    page.emulate_media(color_scheme="light")
    page.evaluate(AXE)
    page.evaluate(fault)
    assert [x for x in findings(page) if re.search(rf"\b({rule}):", x)]
