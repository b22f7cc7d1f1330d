"""The clocks in use, in one place so that tests can stand in for them."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from datetime import UTC, datetime


@dataclass
class Clock:
    """Seconds since the start of a stream, on the monotonic clock."""

    started: datetime = field(default_factory=lambda: datetime.now(UTC))
    _zero: float = field(default_factory=time.monotonic)

    def now(self) -> float:
        """Seconds since the start."""
        return time.monotonic() - self._zero

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)

    @property
    def started_text(self) -> str:
        """Start in UTC as the stream's header has it."""
        return self.started.strftime("%Y-%m-%dT%H:%M:%SZ")
