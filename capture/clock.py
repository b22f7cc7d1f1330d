"""The clocks in use, in one place so that tests can stand in for them."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from datetime import UTC, datetime

STEP_S = 1.0
"""A change of the computer's clock, against the steady one, that is no correction but a step."""


def _steady() -> float:
    """Seconds that no setting of the clock touches and that go on while the machine sleeps, where the system has such."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boot is None else time.clock_gettime(boot)


@dataclass
class Clock:
    """Seconds since the start of a stream, on a clock that nobody sets."""

    started: datetime = field(default_factory=lambda: datetime.now(UTC))
    _zero: float = field(default_factory=_steady)

    def now(self) -> float:
        """Seconds since the start."""
        return _steady() - self._zero

    def wall(self) -> float:
        """Seconds since 1970 by the computer's clock, which may jump."""
        return time.time()

    @property
    def started_text(self) -> str:
        """Start in UTC as the stream's header has it."""
        return utc_text(self.started.timestamp())


def utc_text(wall: float) -> str:
    """A moment in UTC as streams have it."""
    return datetime.fromtimestamp(wall, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class StepWatch:
    """Notices when the computer's clock is set."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._offset = clock.wall() - clock.now()

    def step(self) -> float | None:
        """By how many seconds it was set since the last look; None if it was not.

        Slow corrections are followed and are no step.
        """
        offset = self._clock.wall() - self._clock.now()
        change, self._offset = offset - self._offset, offset
        return change if abs(change) >= STEP_S else None
