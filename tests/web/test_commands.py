"""The real command, as a user starts it: exit codes, what goes where, and that it survives."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from capture.analyse import replay_into
from capture.rawstream import Link, Rx, StreamWriter, read_header, read_records, verify
from capture.received import Received
from capture.simulator.pty_bench import PtyBench
from capture.store.loading import state_of
from tests.capture.live import LONG_S, every, line, until_blocking
from tests.capture.test_analyse import SETUP, record

SCRIPT = str(Path(sys.executable).with_name("shimwright"))
SHIMS = (
    SETUP
    + """
[shims]
fitted = 1.120
thicker_moves = "away"
max_pieces = 2
stock = [{ thickness = 0.402, id = "A" }, { thickness = 0.551, id = "C" }, { thickness = 0.652, id = "E" }]
order_grades = { from = 0.80, to = 1.60, step = 0.02 }
"""
)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home of the user's own, so that no test touches the real one."""
    return tmp_path_factory.mktemp("home")


@pytest.fixture
def run(home: Path, tmp_path: Path) -> Any:
    """Function that runs the command to its end."""

    def go(*args: object, stdin: str = "", timeout: float = 3 * LONG_S) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [SCRIPT, *map(str, args)],
            input=stdin,
            capture_output=True,
            text=True,
            timeout=timeout,
            cwd=tmp_path,
            env=environment(home),
            check=False,
        )

    return go


def environment(home: Path) -> dict[str, str]:
    """Environment with a home of its own and no colours."""
    keep = {k: v for k, v in os.environ.items() if not k.startswith("XDG_")}
    return keep | {"HOME": str(home), "NO_COLOR": "1", "PYTHONWARNINGS": "error", "COLUMNS": "200"}


@pytest.fixture(scope="module")
def streams(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three recordings of a simulated bench."""
    folder = tmp_path_factory.mktemp("recordings")
    return [record(folder / f"{n}.jsonl", n, sweeps) for n, sweeps in ((1, 3), (2, 1), (3, 2))]


def refused(done: subprocess.CompletedProcess[str], *words: str, code: int = 1) -> str:
    """The one paragraph of a command that could not do its work."""
    assert done.returncode == code, done
    assert done.stdout == ""
    assert done.stderr.startswith("shimwright: ")
    assert done.stderr.endswith("\n")
    paragraph = done.stderr[:-1]
    assert "\n" not in paragraph
    assert "Traceback" not in paragraph
    for word in words:
        assert word in paragraph, paragraph
    return paragraph


# wrong usage


@pytest.mark.parametrize(
    "args",
    [
        ["measure"],
        ["analyse"],
        ["analyse", "--jsn", "x"],
        ["analyse", "--workers", "0", "x"],
        ["analyse", "--workers", "two", "x"],
        ["listen"],
        ["listen", "typed", "--more"],
        ["listen", "typed", "--rate", "fast"],
        ["serve", "typed", "--port", "70000"],
        ["shims"],
        ["shims", "--setup", "x"],
        ["doctor", "now"],
        ["demo", "--speed", "0"],
    ],
    ids=lambda a: " ".join(a),
)
def test_wrong_usage_is_exit_2_and_says_so_on_standard_error(run: Any, args: list[str]) -> None:
    done = run(*args)
    assert done.returncode == 2
    assert done.stdout == ""
    assert "Usage: " in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["listen", "/dev/ttyUSB0"], ["A serial port is given as serial:/dev/ttyUSB0"]),
        (["listen", "COM3"], ["A serial port is given as serial:COM3"]),
        (["listen", "bench/stream.jsonl"], ["A recording is given as replay:bench/stream.jsonl"]),
        (["listen", "127.0.0.1:7001"], ["A network socket is given as socket://127.0.0.1:7001"]),
        (["export", "x.jsonl", "--to", "xls", "-o", "t"], ['given "xls"', "csv, parquet, json"]),
        (["report", "x.jsonl", "-o", "sheet.docx"], ["given sheet.docx", ".html or .pdf"]),
    ],
    ids=lambda a: " ".join(a),
)
def test_a_value_that_cannot_be_meant_is_exit_2_and_says_what_is_allowed(
    run: Any, args: list[str], words: list[str]
) -> None:
    refused(run(*args), *words, code=2)


@pytest.mark.parametrize("args", [["--help"], ["analyse", "--help"], ["listen", "--help"]], ids=" ".join)
def test_help_is_exit_0(run: Any, args: list[str]) -> None:
    done = run(*args)
    assert done.returncode == 0
    assert "Usage: " in done.stdout
    assert done.stderr == ""


# analyse


def test_analyse_json_puts_one_line_a_stream_on_standard_output(run: Any, streams: list[Path]) -> None:
    done = run("analyse", "--json", *streams)
    assert done.returncode == 0
    assert done.stderr == ""
    results = [json.loads(x) for x in done.stdout.splitlines()]
    assert [r["stream"] for r in results] == [str(p) for p in streams]
    for r in results:
        assert set(r) >= {"stream", "readings", "bad_frames", "gaps", "sweeps", "set", "play", "depth", "shim"}
    two = run("analyse", "--json", "--workers", 2, *streams)
    assert two.stdout == done.stdout


def test_analyse_with_a_bad_file_runs_the_rest_and_is_exit_1(run: Any, streams: list[Path], tmp_path: Path) -> None:
    bad = tmp_path / "bad.jsonl"
    bad.write_text("+000.478\n", "utf-8")
    done = run("analyse", "--json", streams[0], bad, tmp_path / "absent.jsonl", streams[1])
    assert done.returncode == 1
    results = [json.loads(x) for x in done.stdout.splitlines()]
    assert [r["stream"] for r in results] == [str(p) for p in (streams[0], bad, tmp_path / "absent.jsonl", streams[1])]
    assert ["error" in r for r in results] == [False, True, True, False]
    told = done.stderr.splitlines()
    assert len(told) == 2
    assert told[0] == f"shimwright: {results[1]['error']}"
    assert f"{bad}, line 1" in told[0]
    assert "no such file" in told[1]


def test_analyse_for_people_keeps_errors_off_standard_output(run: Any, streams: list[Path], tmp_path: Path) -> None:
    done = run("analyse", streams[0], tmp_path / "absent.jsonl")
    assert done.returncode == 1
    assert done.stdout.startswith(f"{streams[0]}: ")
    assert "absent" not in done.stdout
    assert done.stderr.startswith("shimwright: ")
    assert "Depth: not given" in done.stdout


def test_analyse_with_a_set_up_gives_the_depth(run: Any, streams: list[Path], tmp_path: Path) -> None:
    setup = tmp_path / "setup.toml"
    setup.write_text(SHIMS, "utf-8")
    done = run("analyse", "--json", "--setup", setup, streams[0])
    assert (done.returncode, done.stderr) == (0, "")
    r = json.loads(done.stdout)
    # 59.90 + 6 * 0.01 (derived here)
    assert r["depth"]["target_mm"] == pytest.approx(59.96, abs=1e-9)
    assert r["depth"]["distance_mm"] == pytest.approx(60.024, abs=0.02)
    assert r["shim"] is not None


def test_analyse_with_a_bad_set_up_computes_nothing(run: Any, streams: list[Path], tmp_path: Path) -> None:
    setup = tmp_path / "setup.toml"
    setup.write_text("[gearset]\ntolerance = -1\nnominl = 3\n", "utf-8")
    done = run("analyse", "--json", "--setup", setup, *streams)
    assert done.returncode == 1
    assert done.stdout == ""
    assert f"shimwright: {setup}, gearset.tolerance: given -1; allowed: a number above 0" in done.stderr
    assert "nearest valid name: nominal" in done.stderr
    assert "\n\n" not in done.stderr
    refused(run("analyse", "--setup", tmp_path / "absent.toml", *streams), "absent.toml", "no such file")


@pytest.mark.parametrize("coding", ["utf-8", "ascii", "utf-8:strict"])
def test_analyse_runs_on_files_whose_name_is_no_text(
    home: Path, streams: list[Path], tmp_path: Path, coding: str
) -> None:
    odd = tmp_path / os.fsdecode(b"\xff.jsonl")
    odd.write_bytes(streams[1].read_bytes())
    for args in (["--json"], []):
        done = subprocess.run(
            [SCRIPT, "analyse", *args, odd, streams[1]],
            capture_output=True,
            timeout=60,
            env=environment(home) | {"PYTHONIOENCODING": coding},
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, b"")
        if args:
            first, second = (json.loads(x) for x in done.stdout.splitlines())
            assert first["stream"] == str(odd)
            assert first["readings"] == second["readings"]


def test_analyse_into_a_pipe_that_closes_says_nothing(streams: list[Path], home: Path) -> None:
    command = [SCRIPT, "analyse", "--json", *map(str, streams * 10)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment(home)) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline()
        process.stdout.close()
        told = process.stderr.read()
        process.wait(60)
    assert b"Traceback" not in told
    assert b"Error" not in told


# shims


def test_shims_json_is_the_shim_object(run: Any, tmp_path: Path) -> None:
    setup = tmp_path / "setup.toml"
    setup.write_text(SHIMS, "utf-8")
    done = run("shims", "--setup", setup, "--depth", "60.024", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    (text,) = done.stdout.splitlines()
    shim = json.loads(text)
    # 60.024 is 0.064 farther than 59.96; thicker moves away, so the stack 1.120 loses 0.064 (derived here)
    assert shim["change_mm"] == pytest.approx(-0.064, abs=1e-9)
    assert shim["stack_mm"] == pytest.approx(1.056, abs=1e-9)
    # 0.402 + 0.652 = 1.054: the only pair within 0.03 of 1.056
    assert sorted(p["id"] for p in shim["stock"]["pieces"]) == ["A", "E"]
    assert isinstance(shim["say"], str)
    comma = run("shims", "--setup", setup, "--depth", "60,024", "--json")
    assert comma.stdout == done.stdout
    spoken = run("shims", "--setup", setup, "--depth", "60.024")
    assert spoken.stdout == f"Target (mm): {shim['target']}.\n{shim['say']}\n"
    assert shim["notes"] == []


def test_shims_say_how_the_mark_was_read_and_doubt_a_large_one(run: Any, tmp_path: Path) -> None:
    setup = tmp_path / "setup.toml"
    # A mark of 0.001 mm steps read in steps of 0.01 mm: 0.20 instead of 0.02 (limit 0.15: common practice, no source).
    setup.write_text(re.sub(r'etched = ".*"', 'etched = "+20"', SHIMS), "utf-8")
    done = run("shims", "--setup", setup, "--depth", "60.024")
    assert "with mark +20 gives" in done.stdout
    assert "Note: The mark +20 comes to" in done.stdout
    assert "Check its unit" in done.stdout
    (note,) = json.loads(run("shims", "--setup", setup, "--depth", "60.024", "--json").stdout)["notes"]
    assert note in done.stdout


def test_shims_in_inches_are_the_same_shims(run: Any, tmp_path: Path) -> None:
    setup = tmp_path / "setup.toml"
    # The same gear set in inches: 1 in = 25.4 mm exactly (international inch).
    setup.write_text(
        'units = "in"\n[gearset]\nnominal = 2.4\netched = "+6"\netched_step = 0.001\netched_sense = "adds"\n'
        'tolerance = 0.001\n[shims]\nfitted = 0.044\nthicker_moves = "away"\n'
        "order_grades = { from = 0.030, to = 0.060, step = 0.001 }\n",
        "utf-8",
    )
    done = run("shims", "--setup", setup, "--depth", "2.409", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    shim = json.loads(done.stdout)
    assert shim["change_mm"] == pytest.approx(-0.003 * 25.4, abs=1e-9)
    assert shim["stack_mm"] == pytest.approx(0.041 * 25.4, abs=1e-9)


@pytest.mark.parametrize("depth", ["deep", "", "60.024mm", "nan", "inf", "0", "-60", "1e400", "1e30", "60024"])
def test_shims_for_no_depth_are_refused(run: Any, tmp_path: Path, depth: str) -> None:
    setup = tmp_path / "setup.toml"
    setup.write_text(SHIMS, "utf-8")
    refused(run("shims", "--setup", setup, f"--depth={depth}", "--json"), "--depth: given", "allowed: a", code=2)


def test_shims_without_a_target_or_shims_are_refused(run: Any, tmp_path: Path) -> None:
    setup = tmp_path / "setup.toml"
    setup.write_text("[gearset]\nnominal = 60\n", "utf-8")
    refused(run("shims", "--setup", setup, "--depth", "60"), str(setup), "gearset.etched")


def test_shims_whose_direction_is_unknown_give_no_stack(run: Any, tmp_path: Path) -> None:
    setup = tmp_path / "setup.toml"
    setup.write_text(SHIMS.replace('"away"', '"unknown"'), "utf-8")
    done = run("shims", "--setup", setup, "--depth", "60.024", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    shim = json.loads(done.stdout)
    assert shim["stack_mm"] is None
    assert shim["stock"] is None


# doctor


def test_doctor_json_is_data_only(run: Any) -> None:
    done = run("doctor", "--json")
    assert done.stderr == ""
    (text,) = done.stdout.splitlines()
    findings = json.loads(text)
    assert {"what", "state", "cure"} == set().union(*findings)
    assert {f["state"] for f in findings} <= {"fine", "note", "wrong"}
    assert all(f["cure"] for f in findings if f["state"] != "fine")
    assert done.returncode == (1 if any(f["state"] == "wrong" for f in findings) else 0)
    looked_at = " ".join(f["what"] for f in findings)
    for word in ("serial port", "Bluetooth", "free at", "clock"):
        assert word in looked_at
    spoken = run("doctor")
    assert spoken.returncode == done.returncode
    assert spoken.stdout.count("\n") == len(findings) + sum(bool(f["cure"]) for f in findings)


# listen


class Listener:
    """A running ``listen``; its lines as they come, each with the moment it came."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.lines: list[tuple[float, dict[str, Any]]] = []
        self._thread = threading.Thread(target=self._take)
        self._thread.start()

    def _take(self) -> None:
        assert self.process.stdout is not None
        for text in self.process.stdout:
            self.lines.append((time.monotonic(), json.loads(text)))

    def wait(self, start: int = 0, timeout: float = LONG_S, **want: Any) -> tuple[float, dict[str, Any]]:
        """First line with these values, from line `start` on."""
        found: list[tuple[float, dict[str, Any]]] = []

        def look() -> bool:
            found[:] = [
                x for x in self.lines[start:] if all(k in x[1] and v in (x[1][k], ...) for k, v in want.items())
            ]
            return bool(found)

        until_blocking(look, timeout)
        return found[0]

    def end(self, how: signal.Signals) -> str:
        """Stop it; what it said on standard error."""
        self.process.send_signal(how)
        self.process.wait(LONG_S)
        self._thread.join(LONG_S)
        assert self.process.stderr is not None
        return self.process.stderr.read()


@contextmanager
def listener(home: Path, *args: object) -> Iterator[Listener]:
    """A running ``listen``, killed at the end if it still runs."""
    with subprocess.Popen(
        [SCRIPT, "listen", *map(str, args)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(home),
    ) as process:
        made = Listener(process)
        try:
            yield made
        finally:
            if process.poll() is None:
                process.kill()
            made._thread.join(LONG_S)


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM], ids=["Ctrl-C", "terminated"])
def test_listen_prints_readings_survives_an_unplug_and_ends_when_asked(
    home: Path, tmp_path: Path, how: signal.Signals
) -> None:
    bench = PtyBench(tmp_path / "indicator")
    try:
        with listener(home, f"serial:{bench.link}", "--rate", 20, "--record", tmp_path / "streams") as heard:
            heard.wait(link="opened")
            with every(0.05, lambda n: bench.write(line(n))):
                heard.wait(counts=2)
                start = len(heard.lines)
                bench.unplug()
                _, lost = heard.wait(start, link="lost")
                assert "unplugged" in lost["why"]
                start = len(heard.lines)
                bench.replug()
                heard.wait(start, link="back")
                heard.wait(start, value_mm=...)
            heard.wait(start, link="stale")
            assert heard.end(how) == ""
            assert heard.process.returncode == 0
    finally:
        bench.stop()
    readings = [x for _, x in heard.lines if "counts" in x]
    assert all(set(x) == {"t", "value_mm", "counts", "unit"} for x in readings)
    assert all(x["value_mm"] == pytest.approx(x["counts"] / 1000, abs=1e-12) for x in readings)
    assert all(x["unit"] == "mm" for x in readings)
    others = [x for _, x in heard.lines if "counts" not in x]
    assert all(set(x) in ({"t", "link"}, {"t", "link", "why"}) for x in others)
    counts = [x["counts"] for x in readings]
    assert counts == sorted(set(counts))
    after_replug = next(i for i in range(1, len(counts)) if counts[i] > counts[i - 1] + 1)
    (path,) = (tmp_path / "streams").glob("*/stream.jsonl")
    recorded = list(read_records(path))
    sent = re.findall(rb"[+-].{7}\r\n", b"".join(r.data for r in recorded if isinstance(r, Rx)))
    # The first line of each connection is recorded and is no reading.
    assert [x for x in sent if x not in map(line, counts)] == [sent[0], line(counts[after_replug] - 1)]
    assert sent == sorted(sent)
    states = [r.state for r in recorded if isinstance(r, Link)]
    # On a busy machine readings may stop for a moment, which is no loss.
    whole = [s for n, s in enumerate(states) if s != "stale" and not (s == "back" and states[n - 1] == "stale")]
    assert whole == ["opened", "lost", "back"]


def test_listen_to_several_at_once_gives_each_its_own_stream(home: Path, tmp_path: Path) -> None:
    benches = [PtyBench(tmp_path / name) for name in ("one", "two", "three")]
    sources = [f"serial:{b.link}" for b in benches]
    try:
        with listener(home, *sources, "serial:/dev/null", "--rate", 20, "--record", tmp_path / "streams") as heard:
            for source in sources:
                heard.wait(link="opened", source=source)

            def send(n: int) -> None:
                for k, bench in enumerate(benches):
                    bench.write(line(100_000 * k + n))

            with every(0.05, send):
                for k, source in enumerate(sources):
                    heard.wait(counts=100_000 * k + 3, source=source)
                start = len(heard.lines)
                benches[1].unplug()
                heard.wait(start, link="lost", source=sources[1])
                for k in (0, 2):
                    heard.wait(start, source=sources[k], value_mm=...)
                start = len(heard.lines)
                benches[1].replug()
                heard.wait(start, link="back", source=sources[1])
            said = heard.end(signal.SIGINT)
            # One that cannot be listened to is told when it fails, and again at the end; the others went on.
            assert said.count("serial:/dev/null") == 1
            assert said.count("is not a serial port") == 2
            assert heard.process.returncode == 1
    finally:
        for bench in benches:
            bench.stop()
    for k, source in enumerate(sources):
        counts = [x["counts"] for _, x in heard.lines if x["source"] == source and "counts" in x]
        assert counts == sorted(set(counts))
        assert all(100_000 * k <= c < 100_000 * (k + 1) for c in counts)
    recorded = {read_header(p).source: p for p in (tmp_path / "streams").glob("*/stream.jsonl")}
    assert set(recorded) == {*sources, "serial:/dev/null"}
    for k, source in enumerate(sources):
        data = b"".join(r.data for r in read_records(recorded[source]) if isinstance(r, Rx))
        sent = [round(1000 * float(x)) for x in re.findall(rb"[+-].{7}(?=\r\n)", data)]
        assert sent
        assert all(100_000 * k <= c < 100_000 * (k + 1) for c in sent)


def test_listen_takes_each_source_once(run: Any) -> None:
    refused(run("listen", "typed", "typed"), "typed is named twice", code=2)


def test_listen_prints_no_reading_of_a_byte_that_the_line_damaged(run: Any, tmp_path: Path) -> None:
    path = tmp_path / "s" / "stream.jsonl"
    w = StreamWriter(path, "serial:indicator", {"use": "text-line"}, "2026-03-02T09:14:05Z")
    w.rx(0.1, Received(b"\r\n+000.478\r\n+000.479\r\n+000.480\r\n", (15,)))
    w.close()
    done = run("listen", f"replay:{path}")
    printed = [json.loads(x) for x in done.stdout.splitlines()]
    assert [x["counts"] for x in printed if "counts" in x] == [478, 480]
    assert [x["damaged"] for x in printed if "damaged" in x] == ["damaged on the line (parity or stop bit)"]


def test_listen_to_a_replay_prints_it_all_and_ends(run: Any, tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    w = StreamWriter(path, "serial:indicator", {"use": "text-line"}, "2026-03-02T09:14:05Z")
    w.link(0.0, "opened")
    w.rx(0.0, b"\r\n")
    w.rx(0.05, b"+000.478\r\n")
    w.rx(0.1, b"+000.4?9\r\n")
    w.mark(0.12, "reseat")
    w.rx(0.15, b"0.0188 in\r\n")
    w.close()
    done = run("listen", f"replay:{path}")
    assert (done.returncode, done.stderr) == (0, "")
    assert [json.loads(x) for x in done.stdout.splitlines()] == [
        {"t": 0.0, "link": "opened"},
        {"t": 0.05, "value_mm": 0.478, "counts": 478, "unit": "mm"},
        {"t": 0.1, "damaged": "not a value"},
        {"t": 0.12, "mark": "reseat"},
        {"t": 0.15, "value_mm": 0.47752, "counts": 188, "unit": "in"},
    ]


def test_listen_reads_a_recording_with_the_profile_it_was_made_with(run: Any, tmp_path: Path) -> None:
    path = tmp_path / "stream.jsonl"
    table = {"use": "json-lines", "value_key": "ch.0", "power": -3}
    w = StreamWriter(path, "serial:indicator", table, "2026-03-02T09:14:05Z")
    w.rx(0.0, b'\r\n{"ch": [478, 1234]}\r\n')
    w.close()
    done = run("listen", f"replay:{path}")
    assert [x["value_mm"] for x in map(json.loads, done.stdout.splitlines()) if "counts" in x] == [0.478]


@pytest.mark.parametrize(
    ("text", "counts"), [("0.478\n-0,479\n5", [478, -479, 5000]), ("−0.478\n", [-478]), ("\n\n", []), ("", [])]
)
def test_listen_to_typed_lines(run: Any, text: str, counts: list[int]) -> None:
    done = run("listen", "typed", stdin=text)
    assert (done.returncode, done.stderr) == (0, "")
    printed = [json.loads(x) for x in done.stdout.splitlines()]
    assert printed[0]["link"] == "opened"
    assert [x["counts"] for x in printed if "counts" in x] == counts


def test_listen_in_inches_with_a_step(run: Any) -> None:
    done = run("listen", "typed", "--unit", "in", "--resolution", "0.0005", stdin="0.0125\n0.0127\n")
    assert done.returncode == 0
    _, good, bad = (json.loads(x) for x in done.stdout.splitlines())
    # 0.0125 in = 0.3175 mm exactly (1 in = 25.4 mm)
    assert (good["counts"], good["unit"], good["value_mm"]) == (25, "in", 0.3175)
    assert "steps of 0.0005 in" in bad["damaged"]


def test_listen_takes_bytes_that_are_no_text(home: Path) -> None:
    done = subprocess.run(
        [SCRIPT, "listen", "typed"],
        input=b"\xff\n0.478\n",
        capture_output=True,
        timeout=60,
        env=environment(home),
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, b"")
    printed = [json.loads(x) for x in done.stdout.splitlines()]
    assert "damaged" in printed[1]
    assert printed[2]["counts"] == 478


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["usb:1"], ["source 'usb:1' is not known", "allowed: serial:PORT"]),
        (["replay:absent.jsonl"], ["absent.jsonl", "no such file"]),
        (["socket://localhost"], ["allowed: socket://host:port"]),
        (["serial:/dev/null"], ["/dev/null is not a serial port"]),
        (["typed", "--unit", "cm"], ["command line, unit: given 'cm'", '"mm", "in"']),
        (["typed", "--resolution", "fine"], ["resolution: given 'fine'", "allowed: a number"]),
        (["typed", "--resolution", "inf"], ["resolution: given 'inf'", "allowed: a number"]),
        (["typed", "--rate", "0"], ["command line, rate: given 0.0", "above 0"]),
        (["typed", "--rate", "nan"], ["command line, rate: given nan", "above 0"]),
        (["typed", "--profile", "txt-line"], ["no profile 'txt-line'", "nearest valid name: text-line"]),
        (["typed", "--record", "/proc/no"], ["/proc/no", "Choose a folder"]),
    ],
    ids=lambda x: " ".join(x) if isinstance(x, list) else None,
)
def test_listen_says_in_one_paragraph_why_it_cannot(run: Any, args: list[str], words: list[str]) -> None:
    reached = any(x in args for x in ("replay:absent.jsonl", "serial:/dev/null", "--record"))
    refused(run("listen", *args), *words, code=1 if reached else 2)


def test_listen_names_the_program_that_holds_the_port(home: Path, run: Any, tmp_path: Path) -> None:
    bench = PtyBench(tmp_path / "indicator")
    try:
        with listener(home, f"serial:{bench.link}") as heard:
            heard.wait(link="opened")
            refused(run("listen", f"serial:{bench.link}"), "is in use by ", f"(process {heard.process.pid})")
            assert heard.end(signal.SIGTERM) == ""
    finally:
        bench.stop()


def test_listen_ends_when_nobody_reads_it(home: Path, tmp_path: Path) -> None:
    bench = PtyBench(tmp_path / "indicator")
    try:
        with (
            every(0.02, lambda n: bench.write(line(n))),
            subprocess.Popen(
                [SCRIPT, "listen", f"serial:{bench.link}"],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env=environment(home),
            ) as process,
        ):
            assert process.stdout is not None
            assert process.stderr is not None
            process.stdout.readline()
            process.stdout.close()
            try:
                process.wait(LONG_S)
            finally:
                process.kill()
            assert b"Traceback" not in process.stderr.read()
    finally:
        bench.stop()


# serve and demo


def test_serve_on_a_taken_port_says_so_and_records_nothing(run: Any, home: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        done = run("serve", "socket://127.0.0.1:9", "--port", port, "--no-browser")
    refused(done, f"127.0.0.1:{port} cannot be served on", "--port 0")
    assert not list(home.rglob("stream.jsonl"))


def test_serve_refuses_what_it_cannot_serve(run: Any) -> None:
    refused(run("serve", "typed", "--no-browser"), "listen typed", code=2)
    refused(run("serve", "usb:1", "--no-browser"), "allowed: serial:PORT", code=2)
    refused(run("serve", "socket://127.0.0.1:9", "--setup", "absent.toml", "--no-browser"), "absent.toml: no such file")


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM], ids=["Ctrl-C", "terminated"])
def test_demo_runs_and_leaves_nothing_behind(home: Path, tmp_path: Path, how: signal.Signals) -> None:
    command = [SCRIPT, "demo", "--port", "0", "--no-browser", "--speed", "4"]
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(home) | {"TMPDIR": str(tmp_path)},
    ) as process:
        try:
            assert process.stdout is not None
            assert process.stderr is not None
            assert process.stdout.readline().startswith("shimwright: the page is at http://127.0.0.1:")
            until_blocking(lambda: [p for p in tmp_path.glob("*/streams/*/stream.jsonl") if b'"rx"' in p.read_bytes()])
            process.send_signal(how)
            process.wait(LONG_S)
            assert process.stderr.read() == ""
            assert process.returncode == 0
        finally:
            if process.poll() is None:
                process.kill()
    assert list(tmp_path.iterdir()) == []


PATIENT = [
    sys.executable,
    "-c",
    "import sys; import web.cli.serve as s; from web.cli.main import run; "
    f"s.STORE_END_S = {LONG_S}; sys.argv[0] = 'shimwright'; run()",
]
"""The command, with more time for the last rows at the end than a busy machine may need."""


@contextmanager
def serving(
    home: Path, *args: object, program: Sequence[str] = (SCRIPT,), **more: str
) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A running ``serve`` and its page's address; killed at the end if it still runs."""
    with subprocess.Popen(
        [*program, "serve", *map(str, args), "--port", "0", "--no-browser"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(home) | more,
    ) as process:
        try:
            assert process.stdout is not None
            found = re.search(r"http://127\.0\.0\.1:\d+/", process.stdout.readline())
            assert found is not None
            yield process, found[0]
        finally:
            if process.poll() is None:
                process.kill()


def ended(process: subprocess.Popen[str]) -> str:
    """Standard error of a command that is asked to end and does."""
    process.send_signal(signal.SIGTERM)
    process.wait(LONG_S)
    assert process.stderr is not None
    return process.stderr.read()


def test_serve_killed_in_the_middle_leaves_an_interrupted_stream_that_the_next_start_repairs(
    run: Any, home: Path, tmp_path: Path
) -> None:
    streams, store = tmp_path / "streams", tmp_path / "e.sqlite"
    (tmp_path / "setup.toml").write_bytes(SETUP.replace("\n", "\r\n").encode())
    bench = PtyBench(tmp_path / "indicator")
    args = (f"serial:{bench.link}", "--rate", 50, "--record", streams, "--setup", tmp_path / "setup.toml")

    def listed() -> list[dict[str, Any]]:
        done = run("store", "list", "--store", store, "--json")
        return [json.loads(x) for x in done.stdout.splitlines()]

    try:
        with every(0.02, lambda n: bench.write(line(n))):
            with serving(home, *args, "--store", store) as (process, address):
                until_blocking(lambda: httpx.get(address + "api/state", timeout=60).json()["store"]["readings"] > 50)
                process.kill()
                process.wait(LONG_S)
            (path,) = streams.glob("*/stream.jsonl")
            left = path.read_bytes()
            assert state_of(path) == "interrupted"
            assert [x["state"] for x in listed()] == ["open"]
            with serving(home, *args, program=PATIENT, SHIMWRIGHT_STORE=str(store)) as (process, address):
                until_blocking(lambda: verify(path) == "same")
                until_blocking(lambda: not httpx.get(address + "api/state", timeout=60).json()["store"]["busy"])
                until_blocking(lambda: httpx.get(address + "api/state", timeout=60).json()["store"]["readings"] > 0)
                said = ended(process)
                assert process.returncode == 0, said
                assert "its writer was stopped" in said
                assert "readings completed from the raw stream" in said
    finally:
        bench.stop()
    whole = left[: left.rindex(b"\n") + 1]
    assert path.read_bytes().startswith(whole)
    assert b"its writer was stopped" in path.read_bytes().splitlines()[-1]
    first, second = sorted(listed(), key=lambda x: x["path"] != str(path))
    assert [first["state"], second["state"]] == ["interrupted", "closed"]
    for row in (first, second):
        assert row["readings"] == replay_into(Path(row["path"])).result()["readings"] > 0
        beside = Path(row["path"]).with_name("setup.toml")
        assert beside.read_bytes() == (tmp_path / "setup.toml").read_bytes()


def test_serve_without_a_store_makes_none_and_a_store_nobody_can_use_is_refused(
    run: Any, home: Path, tmp_path: Path
) -> None:
    bench = PtyBench(tmp_path / "indicator")
    try:
        args = (f"serial:{bench.link}", "--record", tmp_path / "streams", "--store", "off")
        with serving(home, *args) as (process, address):
            assert httpx.get(address + "api/state", timeout=60).json()["store"] is None
            assert ended(process) == ""
    finally:
        bench.stop()
    assert not list(tmp_path.rglob("*.sqlite"))
    refused(run("serve", "socket://127.0.0.1:9", "--store", "other://x", "--no-browser"), "begins with other://")


def test_serve_with_a_store_that_is_none_records_and_says_so(home: Path, tmp_path: Path) -> None:
    (tmp_path / "e.sqlite").write_text("this is no database, and long enough to be taken for one" * 20, "utf-8")
    bench = PtyBench(tmp_path / "indicator")
    args = (f"serial:{bench.link}", "--rate", 20, "--record", tmp_path / "streams", "--store", tmp_path / "e.sqlite")
    try:
        with serving(home, *args) as (process, address), every(0.05, lambda n: bench.write(line(n))):
            until_blocking(
                lambda: "is no database" in (httpx.get(address + "api/state", timeout=60).json()["failure"] or "")
            )
            before = httpx.get(address + "api/state", timeout=60).json()["recorded"]["lines"]
            until_blocking(
                lambda: httpx.get(address + "api/state", timeout=60).json()["recorded"]["lines"] > before + 5
            )
            said = ended(process)
            assert process.returncode == 0
            assert "is no database" in said
            assert "What it lacks is in the recordings" in said
    finally:
        bench.stop()
    (path,) = (tmp_path / "streams").glob("*/stream.jsonl")
    assert verify(path) == "same"


def test_a_new_set_that_cannot_be_begun_is_answered_with_the_reason(home: Path, tmp_path: Path) -> None:
    streams = tmp_path / "streams"
    bench = PtyBench(tmp_path / "indicator")
    try:
        with serving(home, f"serial:{bench.link}", "--record", streams, "--store", "off") as (process, address):
            streams.rename(tmp_path / "moved")
            streams.write_text("in the way", "utf-8")
            answer = httpx.post(address + "api/new-set", timeout=60)
            assert answer.status_code == 503
            assert answer.json()["detail"].startswith("No new set could be begun, the old one goes on: ")
            assert "is no folder. Choose a folder you may write to." in answer.json()["detail"]
            state = httpx.get(address + "api/state", timeout=60).json()
            assert state["set"] == 1
            assert "the old one goes on" in state["failure"]
            streams.unlink()
            assert httpx.post(address + "api/new-set", timeout=60).status_code == 204
            state = httpx.get(address + "api/state", timeout=60).json()
            assert (state["set"], state["failure"]) == (2, None)
            ended(process)
    finally:
        bench.stop()


def test_analyse_starts_without_the_slow_libraries(streams: list[Path], home: Path) -> None:
    code = (
        "import sys\n"
        "from web.cli.main import run\n"
        "try:\n"
        "    run()\n"
        "finally:\n"
        "    slow = {'scipy', 'pandas', 'matplotlib', 'fastapi', 'uvicorn', 'serial', 'bleak', 'sqlalchemy'}\n"
        "    sys.stderr.write(' '.join(sorted(slow & set(sys.modules))))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "analyse", "--json", str(streams[1])],
        capture_output=True,
        text=True,
        timeout=60,
        env=environment(home),
        check=False,
    )
    assert done.returncode == 0
    assert json.loads(done.stdout)["readings"] > 0
    assert done.stderr == ""
