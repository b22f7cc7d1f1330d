"""Which sweeps count, and in plain words why the others do not.

A rejected sweep is never hidden: it stays in the list with its reasons and advice.
Two kinds of test: what a sweep shows by itself, and what only the whole set can show (a sweep turned back
before the bottom looks perfect alone, only too high; a bridged centre hole repeats perfectly).
"""

from analysis.screen.alone import enough_readings, judge_alone
from analysis.screen.judged import Judged
from analysis.screen.together import judge_together

__all__ = ["Judged", "enough_readings", "judge_alone", "judge_together"]
