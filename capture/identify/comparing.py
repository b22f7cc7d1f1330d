"""Reading an indicator once more with a profile that was found, to compare with its display."""

from __future__ import annotations

from capture.identify.ranking import LEAST_FRAMES, Candidate, explain
from capture.identify.sniffing import LONGEST_SHARE_S, SHARE_S, hear
from capture.identify.watching import Watch


def read_again(source: str, candidate: Candidate, watch: Watch | None = None) -> Candidate | None:
    """The same profile with the values of this moment; None if nothing came that it explains.

    Parameters
    ----------
    source : str
        SOURCE text.
    candidate : Candidate
    watch : Watch, optional

    Raises
    ------
    CaptureError
        If the source cannot be opened.
    SearchCancelledError
        If `watch` was cancelled.
    """
    rate = float(candidate.table.get("rate", 1.0))
    seconds = min(LONGEST_SHARE_S, SHARE_S + (LEAST_FRAMES + 1) / rate)
    sample = hear(source, candidate.table, seconds, watch)
    found = explain(sample, candidate.table, candidate.guessed)
    # The rate of a moment's readings is a worse one than that of the whole search.
    if found is not None and "rate" in candidate.table:
        found.table["rate"] = candidate.table["rate"]
    return found
