"""Run-out from a stream: the ring gear is turned by hand, whole turns without a stop, the plunger on its back face.

The hand's speed is not known and wanders, so where the gear stands is worked out with the face: one wave a turn, its second and third
overtone, a steady drift, and a smooth way of the angle through the turns.  The turns are stated; whether they were whole shows in the
reading coming back to where it began and in the turns agreeing.  What is left after the fit is noise, or, where it is stated that the
plunger runs over teeth, theirs: a wave of so many a turn is far from the three that are taken for the face.

Sources: harmonic analysis by least squares, standard texts; the thresholds are our own and judged on simulated streams
(tests/bench/turns.py).
"""

from analysis.turning.judging import FEWEST_TURNS, PLACES, run_out
from analysis.turning.session import TurningSession

__all__ = ["FEWEST_TURNS", "PLACES", "TurningSession", "run_out"]
