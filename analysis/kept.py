"""A sweep as a session holds it: its window, not its whole swing."""

from __future__ import annotations

import math

from analysis.bumps import across
from analysis.sweeps import RawSweep
from analysis.valley import Window
from analysis.windows import choose


class Kept:
    """A sweep as it is held: its window, not its whole swing.

    `pairs` are the bottoms either side of each peak before and in it; `parted` its last bottom, where bumps were joined.
    """

    def __init__(
        self,
        raw: RawSweep,
        period_s: float | None,
        pairs: tuple[tuple[RawSweep, RawSweep], ...],
        *,
        parted: RawSweep | None = None,
    ) -> None:
        self.raw = raw
        self.period_s = period_s
        self.pairs = pairs
        self.parted = parted
        self._window: Window | None = None
        self._shares: tuple[float, ...] | None = None

    @property
    def shares(self) -> tuple[float, ...]:
        """Pace over each peak, as a share of the outer flanks'; nan for none."""
        if self._shares is None:
            self._shares = tuple(across(a, b) for a, b in self.pairs) or (math.nan,)
        return self._shares

    @property
    def window(self) -> Window:
        """Readings around the bottom, chosen when they are first asked for: of the two display directions only one is."""
        if self._window is None:
            self._window = choose(self.raw, self.period_s)
        return self._window
