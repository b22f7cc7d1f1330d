"""A recorded stream once more, through the pipeline that every live link goes through."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from capture.pipeline import Listener, Pipeline, Taker
from capture.profiles import load_profile
from capture.rawstream import Record, StreamHeader, hand_over, read_header, read_records


def replay(
    first: Path,
    taker: Taker,
    on_reading: Listener | None = None,
    each: Callable[[Record], None] | None = None,
) -> StreamHeader:
    """Hand a whole stream to whoever takes its readings.

    Parameters
    ----------
    first : Path
        The stream, or the first of its segments.
    taker : Taker
        Gets readings, marks, link events and damage in order.
    on_reading : callable, optional
        Told of every reading and how the display showed it.
    each : callable, optional
        Told of every record before it is handed over.

    Raises
    ------
    CaptureError
        If the stream or its profile cannot be used.
    """
    header = read_header(first)
    pipe = Pipeline(load_profile(header.profile, f"{first}, line 1, profile"), taker, on_reading)
    for record in read_records(first):
        if each is not None:
            each(record)
        hand_over(record, pipe)
    return header
