"""Whole scenarios in fake time, from their seeds; the long form is tests/long/simulate.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture.sources import contract
from tests.capture.fake_time import Cable
from tests.long.simulate import simulate

FOUND = (71, 152, 167, 205, 321)
"""Seeds that once showed a fault."""


@pytest.mark.parametrize("block", range(4))
def test_every_promise_holds_through_what_happens_to_a_bench(tmp_path: Path, block: int) -> None:
    for seed in [*range(10 * block, 10 * block + 10), *FOUND[block::4]]:
        try:
            simulate(seed, tmp_path / str(seed) / "streams")
        except AssertionError as e:
            raise AssertionError(f"seed {seed}: {e}") from e


def several(folder: Path) -> None:
    """A few scenarios, at least one of which has an unplugging in it."""
    for seed in range(12):
        simulate(seed, folder / str(seed) / "streams")


def test_the_simulation_finds_a_link_that_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(contract, "FIRST_WAIT_S", 20.0)
    monkeypatch.setattr(contract, "LONGEST_WAIT_S", 60.0)
    monkeypatch.setattr(Cable, "present", lambda _: None)
    with pytest.raises(AssertionError, match=r"plugged in at|nothing heard|was noticed at"):
        several(tmp_path)


def test_the_simulation_finds_bytes_read_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = contract.ReopeningSource._wait

    def again(self: Cable, seconds: float, stop: object) -> bool:
        if self.read:
            self.read.append(self.read[-1])
        return real(self, seconds, stop)  # type: ignore[arg-type]

    monkeypatch.setattr(Cable, "_wait", again)
    with pytest.raises(AssertionError, match="bytes lost or doubled"):
        several(tmp_path)
