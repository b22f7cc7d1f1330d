"""From chunks to the session: the very same for a live link, a replay and a batch."""

from __future__ import annotations

from collections.abc import Callable

from analysis.readings import Reading
from analysis.session import Session
from capture.decoders import Damaged, Frame
from capture.profiles import Profile

Listener = Callable[[Reading, str], None]


class Pipeline:
    """Decodes chunks and hands readings, marks and link events to a session.

    Parameters
    ----------
    profile : Profile
    session : Session
    on_reading : callable, optional
        Told of every reading and how the display shows it.
    on_damaged : callable, optional
        Told of every damaged frame that is not merely the first after an opening.
    """

    def __init__(
        self,
        profile: Profile,
        session: Session,
        on_reading: Listener | None = None,
        on_damaged: Callable[[float, Damaged], None] | None = None,
    ) -> None:
        self._decoder = profile.decoder()
        self.session = session
        self._tell = on_reading
        self._tell_damaged = on_damaged

    @property
    def between_frames(self) -> bool:
        """Whether the next byte is known to begin a frame."""
        return bool(getattr(self._decoder, "between_frames", False))

    def chunk(self, t: float, data: bytes) -> None:
        """Take bytes; a reading bears the time of the piece that completed it."""
        for item in self._decoder.feed(data):
            if isinstance(item, Frame):
                reading = Reading(t, item.counts, item.scale)
                self.session.reading(reading)
                if self._tell is not None:
                    self._tell(reading, item.shown)
            elif not item.first_after_open:
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
        self.session.link(t, state, why)
