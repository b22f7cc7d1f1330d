"""The indicator that was chosen on the page outlives the program: what ``serve`` begins with, over real processes and pseudo-terminals."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx
import pytest

from capture.chosen import Chosen, chosen_file, keep_choice
from capture.simulator.pty_bench import PtyBench
from capture.simulator.wires import frame_of

SCRIPT = str(Path(sys.executable).with_name("shimwright"))
PATIENCE_S = 60.0


@pytest.fixture(autouse=True)
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The user's folders, empty; the profiles' one."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path / "config" / "shimwright" / "profiles"


class Teller:
    """An indicator behind a socket that says one value to all who connect."""

    def __init__(self, counts: int) -> None:
        self._line = b"\r\n" + frame_of(counts, 0.001, "mm", "plain")
        self._stop = threading.Event()
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.setblocking(False)
        self.source = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self._thread = threading.Thread(target=self._tell)
        self._thread.start()

    def _tell(self) -> None:
        links: list[socket.socket] = []
        while not self._stop.wait(0.05):
            with suppress(BlockingIOError):
                links.append(self._server.accept()[0])
            for link in tuple(links):
                try:
                    link.sendall(self._line)
                except OSError:
                    link.close()
                    links.remove(link)
        for link in links:
            link.close()

    def close(self) -> None:
        """Stop."""
        self._stop.set()
        self._thread.join(PATIENCE_S)
        self._server.close()


@pytest.fixture
def tellers() -> Iterator[tuple[str, str]]:
    """SOURCE texts of two: 0.478 mm, and 0.512 mm."""
    two = Teller(478), Teller(512)
    yield two[0].source, two[1].source
    for one in two:
        one.close()


class Serving:
    """A program that runs."""

    def __init__(self, *args: str) -> None:
        self.process = subprocess.Popen(
            [SCRIPT, "serve", *args, "--port", "0", "--no-browser", "--store", "off"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        found = re.search(r"http://127\.0\.0\.1:\d+/", self.process.stdout.readline())
        if found is None:
            raise AssertionError(self.process.communicate(timeout=PATIENCE_S)[1])
        self.address = found[0]

    def station(self) -> dict[str, Any]:
        """What the connect page is told of the indicator in use."""
        return dict(httpx.get(f"{self.address}api/connect", timeout=PATIENCE_S).json()["station"])

    def until(self, true: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """The same, once it is so."""
        end = time.monotonic() + PATIENCE_S
        while not true(now := self.station()):
            assert time.monotonic() < end, now
            time.sleep(0.05)
        return now

    def end(self) -> tuple[str, str]:
        """What it said besides where the page is."""
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(PATIENCE_S)
        assert self.process.stdout is not None
        assert self.process.stderr is not None
        # What came with the address is held already: another way of reading would pass it over.
        return self.process.stdout.read(), self.process.stderr.read()


@contextmanager
def serving(*args: str) -> Iterator[Serving]:
    """A running ``serve``."""
    one = Serving(*args)
    try:
        yield one
    finally:
        if one.process.poll() is None:
            one.process.kill()
            one.process.wait(PATIENCE_S)
        for pipe in (one.process.stdout, one.process.stderr):
            assert pipe is not None
            pipe.close()


def refused(*args: str) -> tuple[int, str]:
    """Exit code and complaint of a ``serve`` that does not begin."""
    done = subprocess.run(
        [SCRIPT, "serve", *args, "--port", "0", "--no-browser"], capture_output=True, text=True, timeout=PATIENCE_S
    )
    assert done.stdout == ""
    return done.returncode, done.stderr


def test_what_is_chosen_on_the_page_is_begun_with_the_next_time(tellers: tuple[str, str], own: Path) -> None:
    first, second = tellers
    own.mkdir(parents=True)
    (own / "bench-inch.toml").write_text('use = "text-line"\nunit = "in"\n', "utf-8")
    with serving(first) as one:
        one.until(lambda s: s["shown"] == "0.478 mm")
        use = {"source": second, "profile": "bench-inch"}
        r = httpx.post(f"{one.address}api/connect/use", json=use, timeout=PATIENCE_S)
        assert (r.status_code, r.json()["file"]) == (200, str(chosen_file())), r.text
        one.until(lambda s: s["shown"] == "0.512 in")
        assert one.end()[0] == ""
    before = chosen_file().read_bytes()
    with serving() as two:
        two.until(lambda s: s["shown"] == "0.512 in")
        said, _ = two.end()
        assert f"listening to {second} with the profile bench-inch, chosen on the page earlier" in said
        assert str(chosen_file()) in said
        assert "shimwright serve SOURCE" in said
    # What is given wins, this time only.
    with serving(first) as three:
        three.until(lambda s: s["shown"] == "0.478 mm")
        choice = httpx.get(f"{three.address}api/connect/choice", timeout=PATIENCE_S).json()["choice"]
        assert (choice["source"], choice["in_use"]) == (second, False)
        said, _ = three.end()
        assert f"listening to {first} as it was given; {second}, chosen on the page earlier, is left aside" in said
    with serving("--profile", "text-line") as four:
        four.until(lambda s: s["shown"] == "0.512 mm")
    assert chosen_file().read_bytes() == before


def test_where_none_was_chosen_yet_the_page_opens_and_one_is_chosen_on_it(tellers: tuple[str, str]) -> None:
    with serving() as one:
        none = one.until(lambda s: s["link"]["state"] == "lost")
        assert (none["source"], none["link"]["why"], none["failure"]) == ("none", "no indicator is chosen yet", None)
        r = httpx.post(f"{one.address}api/connect/use", json={"source": tellers[1], "profile": "text-line"})
        assert r.status_code == 200, r.text
        one.until(lambda s: s["shown"] == "0.512 mm")
        said, wrong = one.end()
        assert "no indicator is chosen yet: open Indicator on the page" in said
        assert one.process.returncode == 0, wrong
    assert chosen_file().exists()


def test_one_that_is_not_there_is_waited_for(tmp_path: Path) -> None:
    link = tmp_path / "indicator"
    keep_choice(Chosen(f"serial:{link}", "text-line"))
    with serving() as one:
        lost = one.until(lambda s: s["link"]["state"] == "lost")
        assert (lost["failure"], "no such port" in lost["link"]["why"]) == (None, True)
        bench = PtyBench(link)
        try:

            def speaks(s: dict[str, Any]) -> bool:
                bench.write(b"\r\n" + frame_of(512, 0.001, "mm", "plain"))
                return bool(s["shown"] == "0.512 mm")

            one.until(speaks)
        finally:
            bench.stop()
        said, wrong = one.end()
        assert "if it is not there yet, it is waited for" in said
        assert one.process.returncode == 0, wrong


def test_what_cannot_be_begun_with_says_what_to_do(own: Path) -> None:
    file = keep_choice(Chosen("serial:/dev/nowhere", "bench-that-was"))
    for text, why in (
        (file.read_text("utf-8"), "no profile 'bench-that-was'"),
        ('source = "usb:1"\nprofile = "text-line"\n', "source 'usb:1' is not known"),
        ('source = "typed"\nprofile = "text-line"\n', "cannot take typed readings"),
        ('source = 3\nprofile = "text-line"\n', "source: given 3; allowed: a text"),
        ('source = "push"\n', "profile: given nothing; allowed: a text"),
        ('sauce = "push"\n', "nearest valid name: source"),
        ("source = \n", "cannot be read"),
    ):
        file.write_text(text, "utf-8")
        code, said = refused()
        assert (code, why in said, str(file) in said) == (1, True, True), said
        assert "shimwright serve SOURCE" in said


def test_demo_keeps_nothing(tellers: tuple[str, str]) -> None:
    process = subprocess.Popen(
        [SCRIPT, "demo", "--port", "0", "--no-browser"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        found = re.search(r"http://127\.0\.0\.1:\d+/", process.stdout.readline())
        assert found is not None
        use = {"source": tellers[0], "profile": "text-line"}
        r = httpx.post(f"{found[0]}api/connect/use", json=use, timeout=PATIENCE_S)
        assert (r.status_code, r.json()["file"], r.json()["why"]) == (200, None, "")
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=PATIENCE_S)
    assert not chosen_file().exists()
