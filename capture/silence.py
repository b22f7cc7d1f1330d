"""When silence is no longer the pause between two readings."""

from __future__ import annotations

from collections import deque

PERIODS = 1.8
"""Expected periods without a reading; with the time it takes to notice, it is told within two."""

LEAST_S = 0.15
"""Links hand readings over in bunches: a shorter pause says nothing."""

SEEN = 32
LEAST_SEEN = 5
"""Pauses that tell the period."""

FIRST_S = 3.0
"""Some indicators start anew when their port is opened."""


class Silence:
    """Tells once that readings have stopped, and once that they are back.

    Parameters
    ----------
    period_s : float
        Expected time between readings, until enough have come to see it.
    """

    def __init__(self, period_s: float) -> None:
        self.period_s = period_s
        self._pauses: deque[float] = deque(maxlen=SEEN)
        self.stale = False
        self._since: float | None = None
        self._heard = False

    def opened(self, t: float) -> None:
        """The link opened: the first reading may take a while."""
        self.stale, self._since, self._heard = False, t, False

    def lost(self) -> None:
        """The link is gone, which says more than silence does."""
        self.stale, self._since = False, None

    def heard(self, t: float) -> bool:
        """A reading came; True if that ends a silence that was told."""
        was = self.stale
        if self._heard and self._since is not None and t > self._since:
            self._pauses.append(t - self._since)
            if len(self._pauses) >= LEAST_SEEN:
                # Bunched readings come at one moment and leave no pause; a few long pauses do not count.
                self.period_s = sorted(self._pauses)[int(0.8 * (len(self._pauses) - 1))]
        self.stale, self._since, self._heard = False, t, True
        return was

    def moved(self, by: float) -> None:
        """Times are counted from a moment `by` seconds later from now on; silence that was told will be told again."""
        self.stale = False
        if self._since is not None:
            self._since -= by

    @property
    def heard_any(self) -> bool:
        """Whether a reading has come since the link opened."""
        return self._heard

    @property
    def due(self) -> float | None:
        """When silence is to be told if no reading comes; None if that is not awaited."""
        if self._since is None or self.stale:
            return None
        return self._since + max(PERIODS * self.period_s, LEAST_S if self._heard else FIRST_S)

    def told(self, now: float) -> str | None:
        """What to tell, once, when silence has lasted too long."""
        due = self.due
        if due is None or now < due or self._since is None:
            return None
        self.stale = True
        age = now - self._since
        return f"no reading for {age:.1f} s" if self._heard else f"no reading in {age:.1f} s since it was opened"
