"""A program with a folder of jobs, and a hand on the keyboard of its job pages."""

from __future__ import annotations

import json
import urllib.request
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.browser.conftest import PATIENCE_MS as PATIENCE_MS
from tests.browser.conftest import running

MOST_TABS = 400

Row = tuple[str, dict[str, Any]]


def shop(folder: Path, **more: str) -> Any:
    """A program that listens to nothing yet, with its jobs in `folder`."""
    options = [x for k, v in more.items() for x in (f"--{k}", v)]
    return running(
        "serve", "push", "--jobs", str(folder / "jobs"), "--record", str(folder / "streams"), "--store", "off", *options
    )


def ask(address: str, path: str, body: object = None) -> Any:
    """One question to the program."""
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(address.rstrip("/") + path, data, {"content-type": "application/json"})
    with urllib.request.urlopen(request, timeout=PATIENCE_MS / 1000) as answer:
        return json.load(answer)


def written(address: str, job: str, rows: Sequence[Row]) -> None:
    """A job with these rows written down."""
    ask(address, "/api/jobs", {"job": job})
    for kind, data in rows:
        ask(address, f"/api/jobs/{job}/entries", {"kind": kind, "data": data, "by": "AB"})


def as_writer(page: Any, who: str = "AB") -> None:
    """The browser remembers who writes."""
    page.add_init_script(
        f"localStorage.getItem('shimwright.by') ?? localStorage.setItem('shimwright.by', JSON.stringify({who!r}))"
    )


class Keys:
    """Fills in forms of a job page by the keyboard alone."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def at(self, selector: str) -> bool:
        """Whether the cursor stands on such an element."""
        return bool(self.page.evaluate("(s) => document.activeElement?.matches(s) ?? false", selector))

    def go(self, selector: str) -> None:
        """Tab on, or back, until the cursor stands on such an element."""
        self.page.locator(selector).first.wait_for(timeout=PATIENCE_MS)
        # Only which way is looked up; the way itself is walked key by key.
        ahead = self.page.evaluate(
            "(s) => Boolean(document.activeElement.compareDocumentPosition(document.querySelector(s)) & Node.DOCUMENT_POSITION_FOLLOWING)",
            selector,
        )
        for _ in range(MOST_TABS):
            if self.at(selector):
                return
            self.page.keyboard.press("Tab" if ahead else "Shift+Tab")
        raise AssertionError(f"{selector} cannot be reached by the keyboard")

    def unfold(self, fold: str) -> None:
        """Open a fold by its summary."""
        if not self.page.evaluate("(s) => document.querySelector(s).open", fold):
            self.go(f"{fold} > summary")
            self.page.keyboard.press("Enter")

    def step(self, name: str) -> None:
        """Open a step by its link."""
        if self.page.evaluate("location.hash") == f"#{name}":
            return
        self.go(f'a[href="#{name}"]')
        self.page.keyboard.press("Enter")
        self.page.locator(f'#steps a[aria-current][href="#{name}"]').wait_for(timeout=PATIENCE_MS)

    def form(self, form: str, values: dict[str, Any], more: Sequence[str] = ()) -> None:
        """Type into a form, field by field, and save; waits until it is on the disk."""
        inside = f'[data-form="{form}"]'
        fold = f'details.form-fold[data-name="{form}"]'
        if self.page.locator(fold).count():
            self.unfold(fold)
        if more:
            self.unfold(f"{inside} details.more")
        for name, value in values.items():
            self.field(f'{inside} [data-path="{name}"]', value)
        self.save(inside)

    def save(self, inside: str) -> None:
        """Press the button that saves."""
        count = self.page.locator("#told").inner_text()
        self.go(f"{inside} button[type=submit]")
        self.page.keyboard.press("Enter")
        told = self.page.locator("#told")
        for _ in range(PATIENCE_MS // 25):
            said = told.inner_text()
            if "Saved on the disk" in said and said != count:
                return
            problem = self.page.locator(f"{inside} .problem:not([hidden])")
            assert problem.count() == 0, problem.all_inner_texts()
            self.page.wait_for_timeout(25)
        raise AssertionError(f"not saved: {told.inner_text()!r}")

    def field(self, field: str, value: Any) -> None:
        """Type one value."""
        kind = self.page.locator(field).first.evaluate(
            "(f) => f.querySelector('.figures') ? 'figures' : f.querySelector('[type=radio]') ? 'radio' : f.querySelector('[type=checkbox]') ? 'ticks'"
            " : f.querySelector('select:not(.unit-choice)') ? 'select' : 'text'"
        )
        if kind == "figures":
            self.figures(field, *value)
        elif kind == "radio":
            self.radio(field, value)
        elif kind == "ticks":
            for words in value:
                self.tick(field, words)
        else:
            self.go(
                f"{field} input"
                if kind == "text" and self.page.locator(f"{field} textarea").count() == 0
                else f"{field} select, {field} textarea"
            )
            if kind == "text":
                self.page.keyboard.press("Control+a")
            self.page.keyboard.type(value)

    def figures(self, field: str, unit: str, values: Sequence[str]) -> None:
        """Figures one after the other, Enter between them."""
        self.go(f"{field} select")
        self.page.keyboard.type(unit)
        self.go(f"{field} .figures input")
        for n, value in enumerate(values):
            self.page.keyboard.type(value)
            if n < len(values) - 1:
                self.page.keyboard.press("Enter")

    def radio(self, field: str, words: str) -> None:
        """Choose by the arrow keys."""
        self.go(f"{field} input[type=radio]")
        for _ in range(12):
            checked = self.page.evaluate(
                "document.activeElement.checked && document.activeElement.parentElement.textContent.trim()"
            )
            if checked and checked.startswith(words):
                return
            if checked is False:
                self.page.keyboard.press("Space")
            else:
                self.page.keyboard.press("ArrowDown")
        raise AssertionError(f"{words!r} cannot be chosen in {field}")

    def tick(self, field: str, words: str) -> None:
        """Tick a box."""
        self.go(f"{field} input[type=checkbox]")
        for _ in range(40):
            if self.page.evaluate("document.activeElement.parentElement.textContent.trim()").startswith(words):
                self.page.keyboard.press("Space")
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{words!r} cannot be ticked in {field}")
