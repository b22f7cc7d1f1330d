"""A real browser on a real page."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


PATIENCE_MS = 60_000
"""Also of whatever a test gives no patience of its own."""


def patient(browser: Any) -> Any:
    """A browser whose pages wait as long as the tests do: the library's own half minute is too short for a busy machine."""
    for name in ("new_page", "new_context"):
        make = getattr(browser, name)

        def made(*arguments: Any, make: Any = make, **more: Any) -> Any:
            one = make(*arguments, **more)
            one.set_default_timeout(PATIENCE_MS)
            return one

        setattr(browser, name, made)
    return browser


# For one module at a time: while it is open it keeps an event loop running in this thread, which other tests could not start theirs beside.
@pytest.fixture(scope="module")
def browser(need: Callable[[str], str]) -> Iterator[object]:
    """Debian's Chromium, headless."""
    path = need("browser")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as p:
        b = patient(p.chromium.launch(executable_path=path, args=FLAGS, timeout=2 * PATIENCE_MS))
        yield b
        b.close()


def program() -> str:
    """The installed command."""
    beside = Path(sys.executable).with_name("shimwright")
    return str(beside) if beside.exists() else shutil.which("shimwright") or "shimwright"


@contextmanager
def running(*arguments: str) -> Iterator[str]:
    """The program serving a page; gives its address."""
    process = subprocess.Popen(
        [program(), *arguments, "--no-browser", "--port", "0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        line = process.stdout.readline()
        found = re.search(r"http://\S+", line)
        assert found, f"no address in {line!r}: {process.stderr.read() if process.stderr and process.poll() else ''}"
        yield found.group(0)
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.communicate(timeout=PATIENCE_MS / 1000)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
            pytest.fail("the program did not stop within a minute")
