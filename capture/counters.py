"""What has happened on a link since the program began to listen."""

from __future__ import annotations

from dataclasses import asdict, dataclass


@dataclass
class Counters:
    """Counts over the life of a station, all sets together.

    Attributes
    ----------
    opens, losses : int
        Times the link came up and went.
    bytes, readings, damaged : int
        What came over it; of damaged frames, those that are not merely the first after an opening.
    gaps : int
        Silences, and losses that did not follow one.
    clock_steps : int
        Times the computer's clock was set.
    """

    opens: int = 0
    losses: int = 0
    bytes: int = 0
    readings: int = 0
    damaged: int = 0
    gaps: int = 0
    clock_steps: int = 0
    _open: bool = False
    _silent: bool = False

    def link(self, state: str) -> None:
        """Take a change of the link."""
        if state == "stale":
            self.gaps += not self._silent
            self._silent = True
            return
        if state == "lost":
            self.losses += self._open
            self.gaps += self._open and not self._silent
            self._open = False
        elif not self._open:
            self.opens += 1
            self._open = True
        self._silent = False

    def as_dict(self) -> dict[str, int]:
        """For JSON."""
        return {k: int(v) for k, v in asdict(self).items() if not k.startswith("_")}
