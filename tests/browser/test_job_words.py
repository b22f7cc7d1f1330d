"""No word of the job pages outside the catalogue but what people typed and what the program composed; and all of it at any width."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.analysis import job_scenarios as s
from tests.browser.benches import Seen
from tests.browser.job_pages import PATIENCE_MS, as_writer, shop, written
from tests.browser.test_catalogue import LANGUAGE, WORDS, as_toml, bracketed, outside
from web.job_layout import layout
from web.texts import catalogues

COMPOSED = "[data-from], .name, kbd, option[value]:not([value='']), output.beside, .choices > label"
"""Sentences of the program, words of people, units, and names of theirs to choose from (looked at by themselves below)."""

HALF = [*s.ONE_START, *s.ONE_AS_FOUND, *s.ONE_TRIAL, *s.ONE_BOX]


@pytest.fixture(scope="module")
def shops(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    home = tmp_path_factory.mktemp("config")
    texts = home / "shimwright" / "texts"
    texts.mkdir(parents=True)
    (texts / f"{LANGUAGE}.toml").write_text(as_toml(bracketed(catalogues()["en"])), "utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", str(home))
        # A shim is in one job only, so each job has a shop of its own.
        with shop(tmp_path_factory.mktemp("half")) as half, shop(tmp_path_factory.mktemp("whole")) as whole:
            written(half, "half", HALF)
            written(whole, "whole", s.ONE)
            yield {"half": half, "whole": whole}


def _steps(page: Any, address: str, job: str) -> Iterator[str]:
    for step in (x["step"] for x in layout()["steps"]):
        page.goto(f"{address}jobs/{job}#{step}")
        page.locator(f'#steps a[aria-current][href="#{step}"]').wait_for(state="attached", timeout=PATIENCE_MS)
        page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
        yield step


@pytest.mark.parametrize("job", ["half", "whole"])
def test_no_word_is_outside_the_catalogue(browser: Any, shops: dict[str, str], job: str) -> None:
    address = shops[job]
    context = browser.new_context(locale=LANGUAGE)
    page = context.new_page()
    as_writer(page)
    seen = Seen(page, address)
    page.goto(f"{address}jobs")
    page.locator("#jobs a").first.wait_for(timeout=PATIENCE_MS)
    assert outside(page.evaluate(WORDS, COMPOSED)) == []
    looked = 0
    for step in _steps(page, address, job):
        # The title of the page names the unit, as somebody typed it.
        words = [w for w in page.evaluate(WORDS, COMPOSED) if w != "invented transaxle – "]
        assert sum("⟦" in w for w in words) > 20
        assert sorted(set(outside(words))) == [], step
        # What can be chosen: answers come out of the catalogue too, units and names of people's own do not.
        choices = page.locator(".choices > label:not(:has([data-from]))").all_inner_texts()
        assert outside([c for c in choices if not re.fullmatch(r"mm|in", c.strip())]) == [], step
        looked += 1
    assert looked == len(layout()["steps"])
    assert seen.trouble == []
    context.close()


@pytest.mark.parametrize(("width", "theme"), [(360, "dark"), (768, "light"), (1280, "dark")])
def test_nothing_is_cut_off(browser: Any, shops: dict[str, str], width: int, theme: str) -> None:
    address = shops["whole"]
    page = browser.new_page(viewport={"width": width, "height": 800}, color_scheme=theme)
    as_writer(page)
    seen = Seen(page, address)
    page.goto(f"{address}jobs")
    page.locator("#jobs a").first.wait_for(timeout=PATIENCE_MS)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for step in _steps(page, address, "whole"):
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step
        farthest = page.evaluate(
            "Math.max(...[...document.querySelectorAll('main input, main select, main button, main td, main svg')]"
            ".filter((x) => x.checkVisibility()).map((x) => x.getBoundingClientRect().right))"
        )
        assert farthest <= width, step
        cut = page.evaluate(
            "[...document.querySelectorAll('main svg text')].filter((t) => t.checkVisibility()).filter((t) => {"
            " const [a, b] = [t.getBoundingClientRect(), t.ownerSVGElement.getBoundingClientRect()];"
            " return a.left < b.left - 1 || a.right > b.right + 1 || a.top < b.top - 2 || a.bottom > b.bottom + 2; }).map((t) => t.textContent)"
        )
        assert cut == [], step
    assert seen.trouble == []
    page.close()
