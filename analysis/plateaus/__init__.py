"""Levels by turns in the stream, found one reading at a time.

Readings that stand nearly still are a plateau; plateaus that go up and down by turns, without the plunger leaving the levels in
between, are an episode.  A swing passes below or beyond its own turning points, a rest has one level, and an arbor lifted out
goes far away, so most of what is no push-pull test ends here; the judge in `analysis.pushpull` looks at the rest.

The thresholds are our own and judged on simulated streams (tests/bench/plateaus.py).
"""

from analysis.plateaus.finder import FEWEST_TURNS, PlateauFinder
from analysis.plateaus.levels import LEAST_STEPS, Episode, Plateau

__all__ = ["FEWEST_TURNS", "LEAST_STEPS", "Episode", "Plateau", "PlateauFinder"]
