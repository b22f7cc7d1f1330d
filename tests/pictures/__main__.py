"""``python -m tests.pictures``: runs the demonstration in a real browser and writes the README's pictures beside this file.

They show an invented bench; nothing in them is a real unit.
"""

from __future__ import annotations

import io
import json
import sys
import urllib.request
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PIL import Image

from tests.browser.conftest import FLAGS, running
from tests.conftest import find_tool

HERE = Path(__file__).parent
LARGEST = 120_000
COLOURS = 64
PATIENCE_MS = 120_000


@dataclass(frozen=True)
class Picture:
    """One picture: which page, how large, and when it is taken."""

    name: str
    path: str
    width: int
    height: int
    theme: str
    ready: str
    text: str = ""


PICTURES = (
    Picture("display", "display", 390, 700, "dark", "#verdict", "counted"),
    Picture("sweeps", "", 1280, 960, "light", "#next", "Enough"),
    Picture("job", "jobs/{job}", 1280, 860, "light", "#steps a"),
)


def small(png: bytes) -> bytes:
    """The same with few colours: a page has no more."""
    out = io.BytesIO()
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    picture.quantize(COLOURS, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
    return out.getvalue()


def take(browser: Any, address: str, p: Picture) -> bytes:
    """One picture, taken."""
    path = p.path
    if "{job}" in path:
        with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(f"{address}api/jobs") as answer:
            path = path.replace("{job}", json.load(answer)["jobs"][0]["job"])
    page = browser.new_page(viewport={"width": p.width, "height": p.height}, color_scheme=p.theme)
    page.goto(address + path)
    where = page.locator(p.ready).first
    if p.text:
        where = page.locator(p.ready).filter(has_text=p.text).first
    where.wait_for(timeout=PATIENCE_MS)
    # Figures come a moment after what they show; and a bench at rest is no picture.
    page.wait_for_timeout(1000)
    if page.locator("#link").count():
        page.locator("#link[data-kind=on]").wait_for(timeout=PATIENCE_MS)
    taken = bytes(page.screenshot())
    page.close()
    return taken


def main() -> int:
    """Exit code."""
    path = find_tool("browser")
    if path is None:
        sys.stderr.write("The pictures need a browser: install Debian's package chromium.\n")
        return 1
    from playwright.sync_api import sync_playwright

    with running("demo", "--speed", "3") as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        for p in PICTURES:
            data = small(take(browser, address, p))
            if len(data) > LARGEST:
                sys.stderr.write(f"{p.name}: {len(data)} bytes, more than {LARGEST}; take it smaller.\n")
                return 1
            (HERE / f"{p.name}.png").write_bytes(data)
            sys.stdout.write(f"{p.name}.png: {len(data)} bytes\n")
        browser.close()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
