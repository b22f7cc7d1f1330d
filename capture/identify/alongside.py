"""Identifying the indicator that is listened to already, from what comes while it is.

Its link is not opened a second time, nothing is sent, and the set that runs is not touched.  The link's settings are those in
use: that an indicator speaks at another speed can only be found out once its port is free.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

from capture.decoders.attribute_packets import values_in
from capture.identify.ranking import Sample
from capture.identify.sniffing import USUAL_S, Finding, Taker, ranked
from capture.identify.watching import LOOK_S, Watch
from capture.profiles import Profile
from capture.sources import Sink

Along = Callable[[Sink], AbstractContextManager[None]]
"""Has a taker given what comes from the indicator in use."""

JUDGE_S = 1.0
"""How often it is looked whether what came is explained."""

LINK = (
    "baud",
    "bytesize",
    "parity",
    "stopbits",
    "line_errors",
    "lines",
    "poll",
    "interval",
    "service",
    "characteristic",
    "command",
    "delivery",
    "notify_by",
    "boot",
)
"""Keys of a profile that say how its bytes are come by, not what they mean."""

SPEED = ("baud", "bytesize", "parity")


def link_of(source: str, profile: Profile) -> dict[str, Any]:
    """The keys of the link in use, as a profile found over it must have them."""
    line = {k: profile.table[k] for k in LINK if k in profile.table}
    if source.startswith(("serial:", "rfc2217:")):
        line = {k: profile.values[k] for k in SPEED if k in profile.values} | line
    return line


def identify_along(
    along: Along, source: str, profile: Profile, seconds: float = USUAL_S, watch: Watch | None = None
) -> Finding:
    """Rank the profiles that explain what comes from the indicator in use.

    Parameters
    ----------
    along : callable
    source : str
        What is listened to.
    profile : Profile
        The one it is read with now.
    seconds : float
        Longest time to listen; less where what came is explained, or as much came as is looked at.
    watch : Watch, optional

    Raises
    ------
    SearchCancelledError
        If `watch` was cancelled.
    """
    watch = Watch() if watch is None else watch
    line = link_of(source, profile)
    watch.trying(line)
    found = Finding()

    def explained(chunks: list[tuple[float, bytes]]) -> bool:
        nonlocal found
        found = ranked(_samples(chunks, line, profile))
        return bool(found.candidates) and found.candidates[0].sure

    hear_along(along, seconds, watch, explained)
    return found


def hear_along(
    along: Along, seconds: float, watch: Watch, enough: Callable[[list[tuple[float, bytes]]], bool] | None = None
) -> Sample:
    """Bytes of the indicator in use over a while.

    Parameters
    ----------
    along : callable
    seconds : float
    watch : Watch
    enough : callable, optional
        Asked once a second, and at the end, whether these pieces will do.

    Raises
    ------
    SearchCancelledError
        If `watch` was cancelled.
    """
    taker = Taker(watch)
    until = time.monotonic() + seconds
    judged = time.monotonic()
    with along(taker):
        while (left := until - time.monotonic()) > 0 and not watch.cancelled and not taker.stop.wait(min(LOOK_S, left)):
            if enough is not None and time.monotonic() - judged >= JUDGE_S:
                if enough(list(taker.chunks)):
                    return Sample(list(taker.chunks))
                judged = time.monotonic()
    watch.check()
    if enough is not None:
        enough(taker.chunks)
    return Sample(taker.chunks)


def _samples(chunks: list[tuple[float, bytes]], line: dict[str, Any], profile: Profile) -> list[Sample]:
    """What came as a source with another profile would have given it too."""
    if not profile.packets:
        return [Sample(chunks, line)]
    # How a counted value is laid out cannot be told from the packets alone: the one in use is the first guess.
    found = [Sample(chunks, line, [(profile.table, [])])]
    if chunks:
        bare = [(t, value) for t, data in chunks for value in values_in(data)]
        found.append(Sample(bare, line))
    return found
