"""Finding out how an indicator speaks: listen, rank the profiles that explain the bytes, keep the one that fits.

Nothing is sent to the indicator unless asking was wanted.
"""

from __future__ import annotations

from capture.identify.comparing import read_again
from capture.identify.keeping import keep
from capture.identify.ranking import Candidate, Sample, rank
from capture.identify.sniffing import Finding, identify
from capture.identify.watching import SearchCancelledError, Watch

__all__ = [
    "Candidate",
    "Finding",
    "Sample",
    "SearchCancelledError",
    "Watch",
    "identify",
    "keep",
    "rank",
    "read_again",
]
