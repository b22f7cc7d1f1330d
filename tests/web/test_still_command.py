"""``shimwright still``: what it says of a stream or a source, and what it refuses."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from analysis.still import study
from capture.errors import CaptureError, SourceTextError, WrongUsageError
from capture.setup_file import load_setup
from tests.capture.live import LONG_S
from tests.capture.test_analyse import SETUP
from web.cli.main import app
from web.cli.still import still_command, to_type

TABLE: dict[str, object] = {"use": "text-line", "unit": "mm", "resolution": 0.001}


def recorded(folder: Path, mm: np.ndarray, step: float = 0.001, unit: str = "mm", name: str = "stream") -> Path:
    """An invented stream of lines, ten a second."""
    path = folder / f"{name}.jsonl"
    head = {"format": "shimwright-stream/1", "started": "2026-01-01T00:00:00Z", "source": "simulated"}
    profile = {"use": "text-line", "unit": unit, "resolution": step, "rate": 10}
    lines = [json.dumps({**head, "profile": profile})]
    lines += [json.dumps({"t": 0.1 * i, "rx": f"{round(x / step) * step:+09.4f}\r\n"}) for i, x in enumerate(mm)]
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


def still(n: int = 300, sd: float = 0.0012) -> np.ndarray:
    return 0.478 + np.random.default_rng(8).normal(0.0, sd, n)


def test_a_still_stream_gives_the_study_and_the_line_to_type(tmp_path: Path) -> None:
    x = still()
    path = recorded(tmp_path, x)
    got = CliRunner().invoke(app, ["still", str(path), "--json"])
    assert got.exit_code == 0
    out = json.loads(got.stdout)
    s = study(0.1 * np.arange(x.size), np.rint(x / 0.001), 0.001)
    assert out["repeatability_mm"] == pytest.approx(s.repeatability_mm, rel=1e-12)
    assert (out["readings"], out["say"]) == (300, s.say)
    words = CliRunner().invoke(app, ["still", str(path)]).stdout
    assert "[indicator]\nrepeatability = 0.0013\n" in words
    # what is to be typed is what a set-up file takes
    line = words.split("[indicator]\n")[1].split("\n")[0]
    setup = tmp_path / "unit.toml"
    setup.write_text(SETUP.replace("repeatability = 0.001", line), "utf-8")
    assert load_setup(setup).indicator_repeatability_mm == 0.0013


def test_a_part_of_a_stream_can_be_chosen(tmp_path: Path) -> None:
    x = np.concatenate([still() + np.linspace(2.0, 0.0, 300), still()])
    path = recorded(tmp_path, x)
    with pytest.raises(CaptureError, match="not still"):
        still_command(str(path), TABLE, 30.0, None, None, False)
    got = CliRunner().invoke(app, ["still", f"replay:{path}", "--from", "30", "--to", "59", "--json"])
    assert json.loads(got.stdout)["readings"] == 291


@pytest.mark.parametrize(
    ("mm", "word"),
    [
        (still() + 0.0002 * np.arange(300), "drift by 0.0"),
        (still() + np.where(np.arange(300) > 150, 0.03, 0.0), "something moved"),
        (still() + np.where(np.arange(300) % 12 < 2, 0.2, 0.0), "knocked"),
        (0.5 + 0.4 * np.cos(np.arange(300) / 20) ** 2, "moved|knocked|hang together|drift"),
        (still(12), "at least 20"),
        (still(0), "not one reading"),
    ],
    ids=["drift", "touched", "knocked", "swung", "short", "empty"],
)
def test_what_is_not_still_is_refused_with_the_reason(tmp_path: Path, mm: np.ndarray, word: str) -> None:
    path = recorded(tmp_path, mm)
    with pytest.raises(CaptureError, match=word) as e:
        still_command(str(path), TABLE, 30.0, None, None, True)
    assert str(path) in str(e.value)


def test_a_unit_key_pressed_in_between_is_refused(tmp_path: Path) -> None:
    path = recorded(tmp_path, still(40))
    more = [json.dumps({"t": 4.0 + 0.1 * i, "rx": "+0.0188 in\r\n"}) for i in range(40)]
    path.write_text(path.read_text("utf-8") + "\n".join(more) + "\n", "utf-8")
    with pytest.raises(CaptureError, match="changed its step or unit"):
        still_command(str(path), TABLE, 30.0, None, None, False)


@pytest.mark.parametrize(
    ("mm", "unit", "typed"),
    [
        (0.00118, "mm", "0.0012"),
        (0.0012, "mm", "0.0012"),
        (0.00121, "mm", "0.0013"),
        (0.00096, "mm", "0.00096"),
        (0.0127 / 12**0.5, "in", "0.00015"),
        (1.5, "mm", "1.5"),
    ],
)
def test_what_is_typed_is_rounded_up_to_two_digits(mm: float, unit: str, typed: str) -> None:
    assert to_type(mm, unit) == typed


@pytest.fixture
def sender() -> Iterator[Callable[[list[bytes]], int]]:
    """Starts a server that gives the lines, 100 a second, to the first who comes; gives its port."""
    servers: list[socket.socket] = []
    threads: list[threading.Thread] = []
    over = threading.Event()

    def start(lines: list[bytes]) -> int:
        server = socket.create_server(("127.0.0.1", 0))
        server.settimeout(LONG_S)
        servers.append(server)

        def give() -> None:
            with server.accept()[0] as peer:
                for text in lines:
                    if over.wait(0.01):
                        return
                    try:
                        peer.sendall(text)
                    except OSError:
                        return

        threads.append(threading.Thread(target=give))
        threads[-1].start()
        return int(server.getsockname()[1])

    yield start
    over.set()
    for t in threads:
        t.join(LONG_S)
    for s in servers:
        s.close()


def test_a_source_is_listened_to(sender: Callable[[list[bytes]], int], capsys: pytest.CaptureFixture[str]) -> None:
    # More than it listens to, however slow the machine: it ends by itself after three seconds.
    port = sender([f"{x:+09.3f}\r\n".encode() for x in still(20_000)])
    assert still_command(f"socket://127.0.0.1:{port}", TABLE, 3.0, None, None, True) == 0
    out = json.loads(capsys.readouterr().out)
    assert 20 <= out["readings"] < 20_000
    assert out["repeatability_mm"] == pytest.approx(0.0012, rel=0.4)


def test_a_link_that_breaks_off_is_told(sender: Callable[[list[bytes]], int]) -> None:
    port = sender([b"+000.478\r\n"] * 10)
    with pytest.raises(CaptureError, match="broke off"):
        still_command(f"socket://127.0.0.1:{port}", TABLE, 30.0, None, None, True)


@pytest.mark.parametrize(("source", "word"), [("push", "by itself"), ("socket://127.0.0.1:1", "--from")])
def test_wrong_usage_is_told(source: str, word: str) -> None:
    with pytest.raises(WrongUsageError, match=word):
        still_command(source, TABLE, 5.0, None if source == "push" else 1.0, None, True)


def test_a_name_that_is_neither_is_told() -> None:
    with pytest.raises(SourceTextError, match="nor is there a raw stream"):
        still_command("no-such-stream.jsonl", TABLE, 5.0, None, None, True)
