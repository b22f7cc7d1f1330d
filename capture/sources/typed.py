"""Readings typed or pasted, one a line, on standard input."""

from __future__ import annotations

import re
import sys
import threading
from io import TextIOWrapper
from typing import TextIO

from capture.clock import Clock
from capture.profiles import Profile
from capture.sources.contract import Sink, Source

_MINUS_SIGNS = str.maketrans("\u2212\u2013", "--")
_WHOLE = re.compile(r"\s*[+\-\u2212\u2013]?[0-9]+\s*", re.ASCII)


class TypedSource(Source):
    """Lines from a terminal, a pipe or a keyboard-wedge cable.

    The minus sign of print and the dash count as minus; any other character that is no byte makes its line a damaged one.
    A whole number is given its decimal point: who types 5 means 5, while a 5 that came over a wire may be what is left of more.

    Parameters
    ----------
    file : text file, optional
        Standard input by default.
    profile : Profile, optional
        One that states decimal places for values without a point leaves whole numbers as they are.
    """

    name = "typed"

    def __init__(self, file: TextIO | None = None, profile: Profile | None = None) -> None:
        self._file = file if file is not None else sys.stdin
        if isinstance(self._file, TextIOWrapper):
            self._file.reconfigure(errors="replace")
        self._point = profile is None or "places" not in profile.values

    def run(self, sink: Sink, clock: Clock, stop: threading.Event) -> None:
        """Give every line as it is finished."""
        sink.link(clock.now(), "opened")
        # After a line end the first line is known to have its start: nothing typed is cut short.
        sink.chunk(clock.now(), b"\n")
        for line in self._file:
            if stop.is_set():
                return
            if self._point and _WHOLE.fullmatch(line):
                line = line.strip() + "."
            sink.chunk(clock.now(), _bytes(line if line.endswith("\n") else line + "\n"))
        self.finished = True


def _bytes(line: str) -> bytes:
    return "".join(c if ord(c) < 256 else "\xff" for c in line.translate(_MINUS_SIGNS)).encode("latin-1")
