"""A search that is watched: it says how far it is, ends soon when told to, and leaves the port free."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.identify import SearchCancelledError, Watch, identify, read_again, sniffing
from capture.identify.around import is_port, port_of
from capture.identify.sniffing import SPEEDS
from capture.simulator.pty_bench import PtyBench
from capture.simulator.wires import frame_of
from tests.capture.live import LONG_S, until_blocking


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[PtyBench]:
    """A silent indicator on a real pseudo-terminal, and an empty folder for profiles."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    made = PtyBench(tmp_path / "indicator")
    yield made
    made.stop()


def test_a_search_ends_soon_when_told_to_and_the_port_is_free(bench: PtyBench) -> None:
    watch = Watch()

    def cancel_at_the_second() -> None:
        until_blocking(lambda: watch.tries >= 2)
        watch.cancel()

    canceller = threading.Thread(target=cancel_at_the_second)
    canceller.start()
    with pytest.raises(SearchCancelledError):
        identify(f"serial:{bench.link}", 600.0, None, watch)
    canceller.join()
    # A silent port is left after a share of the time: a second setting was being tried, or a later one on a busy machine.
    assert 2 <= watch.tries < len(SPEEDS)
    assert (watch.received, watch.line["baud"]) == (0, SPEEDS[watch.tries - 1])
    assert identify(f"serial:{bench.link}", 0.5).received == 0


def test_one_that_is_told_before_it_begins_does_not_begin(bench: PtyBench) -> None:
    watch = Watch()
    watch.cancel()
    with pytest.raises(SearchCancelledError):
        identify(f"serial:{bench.link}", 30.0, None, watch)
    assert watch.tries == 0


def test_all_ways_to_read_it_get_the_values_of_this_moment(bench: PtyBench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sniffing, "SHARE_S", LONG_S)
    value = [478]
    sent = [0]
    stop = threading.Event()

    def speak() -> None:
        while not stop.wait(0.02):
            n = sent[0]
            bench.write(frame_of(value[0] + (n % 2 if value[0] == 478 else 0), 0.001, "mm", "plain"))
            sent[0] = n + 1

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        watch = Watch()
        found = identify(f"serial:{bench.link}", 3 * LONG_S, None, watch).candidates
        assert watch.received > 0
        assert found[0].shown[-1] in ("0.478 mm", "0.479 mm")
        value[0] = -1234
        # What the port had taken in before it was opened anew is gone once this is read through.
        before = sent[0]
        until_blocking(lambda: sent[0] > before + 10)
        read_again(f"serial:{bench.link}", found, 0)
        now = read_again(f"serial:{bench.link}", found, 0)
        assert now is not None
        assert [c.table for c in now] == [c.table for c in found]
        assert {c.shown[-1] for c in now if c.table["use"] == "text-line"} == {"-1.234 mm", "-1.234 in"}
    finally:
        stop.set()
        thread.join(LONG_S)
    # Nothing but the leftovers of the port, which are fewer than three readings by then.
    while (rest := read_again(f"serial:{bench.link}", found, 0)) is not None:
        assert rest[0].shown[-1] == "-1.234 mm"


def test_what_is_a_port_and_what_is_not(bench: PtyBench, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", "utf-8")
    assert is_port(str(bench.link))
    assert not any(is_port(str(x)) for x in (tmp_path / "file", tmp_path / "none", "/dev/null", "/dev/tty", "/dev"))
    here = port_of(str(bench.link))
    assert (here.allowed, here.held_by, here.cure) == (True, [], "")
