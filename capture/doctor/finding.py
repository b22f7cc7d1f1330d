"""One thing looked at, and its cure."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

State = Literal["fine", "note", "wrong"]


@dataclass(frozen=True)
class Finding:
    """One thing looked at.

    Attributes
    ----------
    what : str
    state : {"fine", "note", "wrong"}
        A note does not stand in the way of everybody; what is wrong does.
    cure : str
        What to do; empty only where all is fine.
    """

    what: str
    state: State
    cure: str = ""

    def as_dict(self) -> dict[str, str]:
        """For JSON."""
        return asdict(self)
