"""A language of brackets: whatever a page says that stands in none did not come out of the catalogue."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.browser.benches import PATIENCE_MS, Seen
from tests.browser.conftest import running
from web.texts import catalogues

LANGUAGE = "eo"

COMPOSED = ", ".join(
    [
        # Sentences that carry a result come from where the result is.
        "#far-say", "#shim", "#play", "#steps", "#budget", "#notes", "#facts dd", "#failure",
        # The name of the program, a key of the keyboard, a file, a figure's own words.
        ".name", "kbd", "#recording", "svg.figure",
    ]
)  # fmt: skip

# All words a person meets: text that is seen, and names that are read out.
WORDS = """(composed) => {
  const out = [];
  const seen = (e) => e.checkVisibility() || e.closest("details:not([open])");
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement;
    if (e.closest("script, style, noscript") || e.closest(composed) || !seen(e)) continue;
    if (walk.currentNode.data.trim()) out.push(walk.currentNode.data);
  }
  for (const e of document.querySelectorAll("[aria-label], [title], [placeholder], [alt], [aria-valuetext]")) {
    if (e.closest(composed)) continue;
    for (const name of ["aria-label", "title", "placeholder", "alt", "aria-valuetext"]) if (e.hasAttribute(name)) out.push(e.getAttribute(name));
  }
  out.push(document.title.replace("shimwright", ""));
  return out;
}"""


def bracketed(table: dict[str, Any]) -> dict[str, Any]:
    """The same catalogue, every text in brackets."""
    return {
        k: bracketed(v) if isinstance(v, dict) else [f"⟦{x}⟧" for x in v] if isinstance(v, list) else f"⟦{v}⟧"
        for k, v in table.items()
    }


def as_toml(table: dict[str, Any], path: str = "") -> str:
    """A table of texts as TOML; a text in JSON is one in TOML as well."""
    out = []
    for key, value in table.items():
        name = f"{path}{json.dumps(key)}"
        out.append(
            as_toml(value, f"{name}.")
            if isinstance(value, dict)
            else f"{name} = {json.dumps(value, ensure_ascii=False)}\n"
        )
    return "".join(out)


def outside(words: list[str]) -> list[str]:
    """What is left when everything in brackets, numbers, units and signs are taken away."""
    left = []
    for text in words:
        rest, before = text, None
        while rest != before:
            before, rest = rest, re.sub(r"⟦[^⟦⟧]*⟧", "", rest)
        rest = re.sub(r"(?<![a-z])(mm|in|µm)(?![a-z])|[\d\s.,:;±+−–—%×✓✗←→()/-]", "", rest)
        if rest:
            left.append(text)
    return left


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    home = tmp_path_factory.mktemp("config")
    texts = home / "shimwright" / "texts"
    texts.mkdir(parents=True)
    (texts / f"{LANGUAGE}.toml").write_text(as_toml(bracketed(catalogues()["en"])), "utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", str(home))
        assert os.environ["XDG_CONFIG_HOME"] == str(home)
        with running("demo", "--speed", "6") as address:
            yield address


@pytest.mark.parametrize("path", ["", "display"])
def test_no_word_of_the_page_is_outside_the_catalogue(browser: Any, demo: str, path: str) -> None:
    context = browser.new_context(locale=LANGUAGE)
    page = context.new_page()
    seen = Seen(page, demo)
    page.goto(demo + path)
    assert page.locator("html").get_attribute("lang") == LANGUAGE
    looked = 0

    def look() -> None:
        nonlocal looked
        words = page.evaluate(WORDS, COMPOSED)
        assert sum("⟦" in w for w in words) > 3
        # Composed by the server, at places that say other things otherwise: advice on a rejected sweep, and why there is no depth yet.
        said = [x for q in ("#next[data-kind=no]", "#ruling[data-kind='']") for x in page.locator(q).all_inner_texts()]
        assert [w for w in outside(words) if w not in said] == []
        looked += 1

    look()
    page.locator("#verdict[data-kind=yes]").wait_for(timeout=PATIENCE_MS)
    look()
    page.locator("#verdict[data-kind=no]").wait_for(timeout=PATIENCE_MS)
    look()
    page.locator("#next[data-kind=done]").wait_for(timeout=PATIENCE_MS)
    look()
    if not path:
        page.locator("#settings summary").click()
        page.locator("input[name=unit][value=in]").check()
        page.locator("#as-shown").wait_for(timeout=PATIENCE_MS)
        page.locator("#how summary").click()
        look()
        page.evaluate("document.getElementById('interrupted').hidden = false")
        look()
    assert looked >= 4
    assert seen.trouble == []
    context.close()


def test_a_word_that_is_in_no_catalogue_would_be_found(browser: Any, demo: str) -> None:
    context = browser.new_context(locale=LANGUAGE)
    page = context.new_page()
    page.goto(demo)
    page.locator("#number").filter(has_text=re.compile(r"\d")).wait_for(timeout=PATIENCE_MS)
    page.evaluate("document.getElementById('live-h').append(' forgotten')")
    assert any("forgotten" in w for w in outside(page.evaluate(WORDS, COMPOSED)))
    page.evaluate("document.querySelector('main').setAttribute('aria-label', 'overlooked')")
    assert "overlooked" in outside(page.evaluate(WORDS, COMPOSED))
    context.close()


def test_a_decimal_comma_where_it_is_written(browser: Any, demo: str) -> None:
    context = browser.new_context(locale="de-DE")
    page = context.new_page()
    page.goto(demo)
    page.locator("#number").filter(has_text=re.compile(r"^\d,\d{3}$")).wait_for(timeout=PATIENCE_MS)
    page.locator("#next[data-kind=done]").wait_for(timeout=PATIENCE_MS)
    assert re.fullmatch(r"\d\d,\d{4} mm ± 0,\d{4}", page.locator("#depth").inner_text())
    assert re.search(r"\d,\d{3} mm \(\d,\d{4} in\)", page.locator("#shim").inner_text())
    assert not re.search(r"\d\.\d", page.locator("#shim").inner_text())
    context.close()
