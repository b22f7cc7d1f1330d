"""From chunks to the session: the very same for a live link, a replay and a batch."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from analysis.readings import Reading
from capture.decoders import Damaged, Frame
from capture.profiles import Profile
from capture.received import damaged_places

Listener = Callable[[Reading, str], None]

NEW_SET = "new set"
"""Why a link is said to be open at the start of a set that was begun while it stood."""

ON_THE_LINE = "damaged on the line (parity or stop bit)"


class Taker(Protocol):
    """Who is handed what a stream holds: the session of a set, or of rocks, or of a turned ring gear."""

    def reading(self, r: Reading) -> None:
        """One reading."""
        ...

    def mark(self, t: float, mark: str) -> None:
        """A mark made by the user."""
        ...

    def link(self, t: float, state: str, why: str = "") -> None:
        """A change of the link."""
        ...

    def damaged(self, t: float, why: str) -> None:
        """Bytes that made no reading."""
        ...


class Pipeline:
    """Decodes chunks and hands readings, marks and link events to a session.

    Parameters
    ----------
    profile : Profile
    session : Taker
    on_reading : callable, optional
        Told of every reading and how the display shows it.
    on_damaged : callable, optional
        Told of every damaged frame that is not merely the first after an opening.
    """

    def __init__(
        self,
        profile: Profile,
        session: Taker,
        on_reading: Listener | None = None,
        on_damaged: Callable[[float, Damaged], None] | None = None,
    ) -> None:
        self._decoder = profile.decoder()
        self.session = session
        self._tell = on_reading
        self._tell_damaged = on_damaged
        self._hurt = False
        self._settle_s = float(profile.values.get("settle", 0.0))
        self._settled = float("-inf")
        self._lost = False

    @property
    def between_frames(self) -> bool:
        """Whether the next byte is known to begin a frame."""
        return bool(getattr(self._decoder, "between_frames", False))

    def chunk(self, t: float, data: bytes) -> None:
        """Take bytes; a reading bears the time of the piece that completed it."""
        if t < self._settled:
            # What it says of itself when its port is opened may hold a number, and is no reading.
            return
        start = 0
        for at in damaged_places(data):
            self._decode(t, data[start:at])
            # What a damaged byte belongs to is no reading, and it may have been the end of one: the next may lack its start.
            self._decoder.reset()
            if not self._hurt:
                self._hurt = True
                self._spoilt(t, Damaged(ON_THE_LINE, data[at : at + 1]))
            start = at + 1
        self._decode(t, data[start:] if start else data)

    def _decode(self, t: float, data: bytes) -> None:
        for item in self._decoder.feed(data):
            self._hurt = False
            if isinstance(item, Frame):
                reading = Reading(t, item.counts, item.scale)
                self.session.reading(reading)
                if self._tell is not None:
                    self._tell(reading, item.shown)
            elif not item.first_after_open:
                self._spoilt(t, item)

    def _spoilt(self, t: float, item: Damaged) -> None:
        self.session.damaged(t, item.why)
        if self._tell_damaged is not None:
            self._tell_damaged(t, item)

    def mark(self, t: float, mark: str) -> None:
        """Take a mark."""
        self.session.mark(t, mark)

    def link(self, t: float, state: str, why: str = "") -> None:
        """Take a change of the link."""
        if state in ("opened", "lost"):
            # Not at "back": after a loss nothing is held, and after mere silence the held half of a line is good.
            self._decoder.reset()
        if (state == "opened" and why != NEW_SET) or (state == "back" and self._lost):
            self._settled = t + self._settle_s
        self._lost = state == "lost" or (self._lost and state == "stale")
        self.session.link(t, state, why)
