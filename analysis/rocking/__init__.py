"""Backlash from a stream: the ring gear is rocked between its two dead stops, place by place, the pinion locked.

At each place the gear is pushed against one stop, held, pushed against the other, held, and so on; the stops are levels in the
stream, found by `analysis.plateaus`.  Between places the plunger is lifted and the gear turned on.  The backlash of a place is the
difference of its two levels by paired comparison, a steady drift taken out, so neither the display's zero nor its direction has a part
in it.

What counts as a stop: the level is held (it hardly creeps) and comes again at the same reading.  A level that creeps or comes
elsewhere each time is soft: the pinion turns, the base gives, or the hand pushes harder and harder; such a place is refused.

Sources: least squares and Student's t, standard texts; GUM (JCGM 100) for the budget; the thresholds are our own and judged on
simulated streams (tests/bench/rocks.py).
"""

from analysis.rocking.place import summary
from analysis.rocking.session import RockingSession

__all__ = ["RockingSession", "summary"]
