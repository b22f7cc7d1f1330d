"""Still-surface study: how well the indicator repeats when nothing moves.

Hold the plunger on a still surface (a clamped block, the master) for half a minute.  What the display then does by itself is its
repeatability; the set-up's ``indicator.repeatability`` takes it.  Drift of the stand is taken out, readings that err together
count for fewer, and where the display step hides the noise the study says so instead of giving nought.

Sources: rounding adds step squared over twelve to the variance (Sheppard; used only for a noise of half a step or more, below that
the scatter may as well be nought); interval of a variance from chi-square, standard texts; worth of correlated readings from the sums
of their correlations and squared correlations, standard texts on time series (value from memory); interval on a coarse display
from the likelihood of rounded readings, standard texts.  Thresholds are our own, judged on simulated stretches.
"""

from analysis.still.found import NotStillError, StillStudy
from analysis.still.studying import study

__all__ = ["NotStillError", "StillStudy", "study"]
