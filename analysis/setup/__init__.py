"""The set-up: gear set, arbor, indicator, housing, decision rule, shims.

A pure model of the set-up file.  Lengths are exact decimals in the file's unit; conversion happens once, in
the properties ending in ``_mm``.  Nothing that decides a direction has a default.
"""

from analysis.setup.problems import SetupError, SetupProblem
from analysis.setup.reading import parse_setup
from analysis.setup.whole import Setup

__all__ = ["Setup", "SetupError", "SetupProblem", "parse_setup"]
