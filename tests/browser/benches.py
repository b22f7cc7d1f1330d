"""A simulated bench and the program before a real page, and what the page is listened to with."""

from __future__ import annotations

import asyncio
import re
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from capture.simulator.bench import Event, simulate
from capture.simulator.demo import DEMO, demo_setup_file
from capture.simulator.pty_bench import PtyBench
from capture.station import Station
from tests.browser.conftest import PATIENCE_MS as PATIENCE_MS
from tests.browser.conftest import program
from tests.ports import ReservedPort
from tests.web.serving import served

# Every note that is really started, through the audio graph: [pitch, length], with the level it goes through; and every line that said
# what the last signal meant, what to do next and what became of a sweep, as the next one takes its place.
LISTEN = """
window.notes = [];
window.levels = [];
const begin = OscillatorNode.prototype.start;
const end = OscillatorNode.prototype.stop;
OscillatorNode.prototype.start = function (at) { this.began = at; return begin.call(this, at); };
OscillatorNode.prototype.stop = function (at) {
  window.notes.push([Math.round(this.frequency.value), Math.round(100 * (at - this.began)) / 100, Math.round(100 * this.began) / 100]);
  return end.call(this, at);
};
const ramp = AudioParam.prototype.linearRampToValueAtTime;
AudioParam.prototype.linearRampToValueAtTime = function (v, at) { window.levels.push(Math.round(1000 * v) / 1000); return ramp.call(this, v, at); };
"""

LINES = """
window.lines = { heard: [], next: [], verdict: [], seating: [], "far-text": [] };
new MutationObserver(() => {
  for (const [id, lines] of Object.entries(window.lines)) {
    const at = document.getElementById(id);
    const line = at?.textContent && `${at.dataset.kind ?? ""}|${at.textContent}`;
    if (line && line !== lines.at(-1)) lines.push(line);
  }
}).observe(document, { subtree: true, childList: true, characterData: true, attributes: true, attributeFilter: ["data-kind"] });
"""
LISTEN += LINES

# A voice that keeps what it was given to say.
VOICE = """
window.spoken = [];
Object.defineProperty(window, "speechSynthesis", { value: {
  speaking: false,
  getVoices: () => [{ name: "invented", lang: "en" }],
  addEventListener() {},
  cancel() {},
  speak(u) { window.spoken.push({ text: u.text, rate: u.rate, volume: u.volume, lang: u.lang }); },
} });
"""

SIGNALS = {
    "accepted": [660, 990],
    "rejected": [420],
    "reseat": [784, 523, 784, 523],
    "done": [523, 659, 784],
    "trouble": [880] * 5,
}


def heard(page: Any) -> list[str]:
    """Signals that sounded, in order, told apart by their notes alone."""
    left = [n[0] for n in page.evaluate("window.notes")]
    out = []
    while left:
        for kind, notes in sorted(SIGNALS.items(), key=lambda x: -len(x[1])):
            if left[: len(notes)] == notes:
                out.append(kind)
                left = left[len(notes) :]
                break
        else:
            left = left[1:]
    return out


def read(page: Any, line: str, where: str = "heard", kind: str = "") -> None:
    """Wait until a line of the page, that of the last signal, has read like this, whatever it reads by now."""
    poll(
        page,
        lambda: any(line in x and x.startswith(kind) for x in page.evaluate(f"window.lines['{where}']")),
        lambda: f"{line!r} stood on the page; there stood {page.evaluate('window.lines')}",
    )


def bumped(page: Any) -> None:
    """Wait until a sweep was told to be bumped, whichever of the knocked ones a stall of the machine left whole."""
    told = re.compile(r"no\|Sweep \d+ not counted: bumped\.")
    poll(
        page,
        lambda: any(told.match(x) for x in page.evaluate("window.lines.verdict")),
        lambda: f"a knocked sweep is told; there stood {page.evaluate('window.lines')}",
    )


class Seen:
    """What a page did that it should not."""

    def __init__(self, page: Any, origin: str, *, may_lose_program: bool = False) -> None:
        self.trouble: list[str] = []
        self.posted: list[str] = []

        def said(m: Any) -> None:
            # Sound that was wanted before is tried at once: some browsers let it through, and this one says that it waits for a touch.
            waits = "AudioContext was not allowed to start" in m.text
            if m.type in ("error", "warning") and not waits and not (may_lose_program and "ERR_" in m.text):
                self.trouble.append(f"console {m.type}: {m.text}")

        def asked(r: Any) -> None:
            if not r.url.startswith(origin):
                self.trouble.append(f"request to {r.url}")
            if r.method != "GET":
                self.posted.append(r.url)

        page.on("console", said)
        page.on("pageerror", lambda e: self.trouble.append(f"error: {e}"))
        page.on("request", asked)


def opened(
    browser: Any, address: str, path: str = "", width: int = 1280, scripts: str = "", **more: Any
) -> tuple[Any, Seen]:
    """A page in a browser window of its own."""
    losing = more.pop("may_lose_program", False)
    page = browser.new_page(viewport={"width": width, "height": 900}, **more)
    if scripts:
        page.add_init_script(scripts)
    seen = Seen(page, address, may_lose_program=losing)
    page.goto(address + path)
    return page, seen


def poll(page: Any, condition: Callable[[], bool], what: str | Callable[[], str]) -> None:
    """Wait for a condition asked again and again."""
    until = time.monotonic() + PATIENCE_MS / 1000
    while not condition():
        assert time.monotonic() < until, what if isinstance(what, str) else what()
        page.wait_for_timeout(100)


class Program:
    """``shimwright serve`` on a bench's line, with the demonstration's set-up; can be killed and started again on its port."""

    def __init__(self, folder: Path, rate: float, *arguments: str) -> None:
        self.folder, self._reserved = folder, ReservedPort()
        self.port = self._reserved.number
        setup = folder / "setup.toml"
        setup.write_bytes(demo_setup_file())
        self._command = [
            program(), "serve", f"serial:{folder / 'indicator'}", "--setup", str(setup), "--rate", str(rate),
            "--record", str(folder / "streams"), "--store", "off", "--no-browser", "--port", str(self.port), *arguments,
        ]  # fmt: skip
        self.process: subprocess.Popen[str] | None = None

    def start(self) -> str:
        """Address of the page."""
        self.process = subprocess.Popen(self._command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        found = re.search(r"http://\S+", line)
        assert found, f"no address in {line!r}"
        return found.group(0)

    def end(self, *, kill: bool = False) -> None:
        """Stop it for good, or kill it as a power cut would."""
        if not kill:
            self._reserved.release()
        process, self.process = self.process, None
        if process is None:
            return
        (process.kill if kill else process.terminate)()
        try:
            process.communicate(timeout=PATIENCE_MS / 1000)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
            raise


@contextmanager
def at_the_bench(
    folder: Path, speed: float, seed: int = 3, tell: Callable[[Event], None] | None = None, **scenario: Any
) -> Iterator[tuple[PtyBench, Callable[[], None]]]:
    """A bench on ``indicator`` in a folder, and what begins its swings."""
    bench = PtyBench(folder / "indicator", speed=speed, on_event=tell)
    events, _ = simulate(replace(DEMO, **scenario), seed)
    try:
        yield bench, lambda: bench.start(events)
    finally:
        bench.stop()


@contextmanager
def in_this_program(source: Any, **keys: Any) -> Iterator[tuple[str, Station]]:
    """A station and its page in a thread of this program, so that a test can look into it."""
    ready, done = threading.Event(), threading.Event()
    have: list[tuple[str, Station]] = []
    failed: list[BaseException] = []

    async def main() -> None:
        async with served(source, **keys) as (base, station):
            have.append((base, station))
            ready.set()
            while not done.is_set():
                await asyncio.sleep(0.02)

    def work() -> None:
        try:
            asyncio.run(main())
        except BaseException as e:
            failed.append(e)
        finally:
            ready.set()

    thread = threading.Thread(target=work, name="program")
    thread.start()
    ready.wait(PATIENCE_MS / 1000)
    try:
        if failed:
            raise failed[0]
        yield have[0]
    finally:
        done.set()
        thread.join(PATIENCE_MS / 1000)
        with suppress(IndexError):
            raise failed[0]
