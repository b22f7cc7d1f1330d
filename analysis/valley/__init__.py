"""The bottom of a sweep: exact geometry under a hand of unknown, uneven speed.

Model.  A reading is ``y = m + f(u(t)) + noise`` with `f` the exact climb of the secant
(`analysis.geometry`) and `u(t)` the scaled angle, a cubic spline whose third differences are
penalised.  How uneven the hand is (the size of those differences) is not chosen once: every value on
a grid is fitted, each is weighed by its marginal likelihood (Laplace approximation over the
spline), the sweeps of a set share what they say about hand and noise, and the answer is the weighted mixture.  Its
variance therefore holds the doubt about the hand, which one penalty picked by cross-validation
leaves out.

Display.  A reading says only that the true value lay within half a step.  Where the step
is not small against the noise the likelihood of that interval is used as it stands, so
twenty equal readings at the bottom count as one fact and the moments at which the display
changes carry the information.  Where the likeliest fit lies in the middle of its steps its bend says nothing of how wide it
is; there the intervals are stood for by normal factors (`coarse`).

Rest.  A hand that stops at the bottom stops anywhere near it: the angle it rests at and the way it makes between two
readings are unknowns of their own.

Sources: penalised splines after the literature on P-splines (uniform knots, difference penalty);
Laplace approximation and marginal likelihood: standard texts on Bayesian computation; grouped (interval)
likelihood: standard texts on rounded data; expectation propagation: standard texts on Bayesian computation.  Derived here where combined.
"""

from analysis.valley.fit import fit_bottoms
from analysis.valley.types import Bottom, Rest, Window

__all__ = ["Bottom", "Rest", "Window", "fit_bottoms"]
