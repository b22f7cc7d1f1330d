"""Recordings of invented indicators' wire forms: ``python -m tests.golden.forms NAME…`` makes them in real time."""

from __future__ import annotations

import sys
import tempfile
import threading
from pathlib import Path

from capture.clock import Clock
from capture.profiles import load_profile
from capture.rawstream import StreamWriter
from capture.simulator.bench import Event
from capture.simulator.pty_bench import PtyBench
from capture.sources.serial_port import SerialSource
from tests.fakes.wire_forms import FORMS, Form, Sent, readings
from tests.golden import compare
from tests.golden.record import _Recorder

EVERY_S = 0.05


def record(name: str, folder: Path) -> None:
    """Make one recording; `folder` must not exist."""
    form = FORMS[name]
    folder.mkdir(parents=True)
    clock, sent = Clock(), readings(form)
    writer = StreamWriter(folder / "stream.jsonl", "serial:simulated-indicator", form.profile, clock.started_text)
    sink = _Recorder(writer)
    with tempfile.TemporaryDirectory() as place:
        bench = PtyBench(Path(place) / "indicator")
        source, stop = SerialSource(str(bench.link), load_profile(form.profile)), threading.Event()
        reader = threading.Thread(target=source.run, args=(sink, clock, stop))
        try:
            reader.start()
            sink.opened.wait(10.0)
            bench.start([Event(n * EVERY_S, "data", s.data) for n, s in enumerate(sent)])
            bench.finished.wait(600.0)
            stop.wait(0.5)
        finally:
            stop.set()
            reader.join(5.0)
            bench.stop()
    writer.close()
    (folder / "about.toml").write_text(_about(form, sent), "utf-8")


def _about(form: Form, sent: list[Sent]) -> str:
    good = [s for s in sent if s.counts is not None]
    return (
        "# An invented indicator, recorded through a pseudo-terminal by the serial source.\n"
        f'simulated = true\ninvented = true\nmeasures = "readings"\nabout = "{form.about}"\n\n'
        "# what it sent and meant, but for what was spoilt on the way\n[sent]\n"
        f"counts = {[s.counts for s in good]}\ninches_from = {next((n for n, s in enumerate(good) if s.unit == 'in'), len(good))}\n"
    )


def main() -> int:
    """Exit code."""
    makers = [threading.Thread(target=record, args=(n, compare.ROOT / n)) for n in sys.argv[1:] or FORMS]
    for m in makers:
        m.start()
    for m in makers:
        m.join()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
