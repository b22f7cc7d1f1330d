"""Reading an indicator once more with a profile that was found, to compare with its display."""

from __future__ import annotations

from collections.abc import Callable

from capture.identify.ranking import LEAST_FRAMES, Candidate, Sample, explain
from capture.identify.sniffing import LONGEST_SHARE_S, SHARE_S, hear
from capture.identify.watching import Watch

_LINK = ("baud", "bytesize", "parity", "poll", "characteristic", "packets")
"""Keys that say which bytes come at all."""


Hear = Callable[[float], Sample]
"""Bytes of an indicator over a while."""


def read_again(
    source: str, candidates: list[Candidate], n: int, watch: Watch | None = None, hear_now: Hear | None = None
) -> list[Candidate] | None:
    """The same profiles with the values of this moment; None if nothing came that the chosen one explains.

    Profiles for other settings of the link keep the values they had.

    Parameters
    ----------
    source : str
        SOURCE text.
    candidates : list of Candidate
    n : int
        The chosen one, counted from 0.
    watch : Watch, optional
    hear_now : callable, optional
        Listens for so many seconds; the source is opened without it.

    Raises
    ------
    CaptureError
        If the source cannot be opened.
    SearchCancelledError
        If `watch` was cancelled.
    """
    chosen = candidates[n]
    rate = float(chosen.table.get("rate", 1.0))
    seconds = min(LONGEST_SHARE_S, SHARE_S + (LEAST_FRAMES + 1) / rate)
    sample = hear(source, chosen.table, seconds, watch) if hear_now is None else hear_now(seconds)

    def now(c: Candidate) -> Candidate | None:
        if any(c.table.get(k) != chosen.table.get(k) for k in _LINK):
            return c
        found = explain(sample, c.table, c.guessed)
        # The rate of a moment's readings is a worse one than that of the whole search.
        if found is not None and "rate" in c.table:
            found.table["rate"] = c.table["rate"]
        return found

    fresh = [now(c) for c in candidates]
    return None if fresh[n] is None else [new or old for new, old in zip(fresh, candidates, strict=True)]
