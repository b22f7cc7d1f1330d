"""Which profiles explain bytes, and how well."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from capture.decoders import Frame
from capture.errors import ProfileError
from capture.profiles import load_profile

Proposal = tuple[dict[str, Any], list[str]]
"""A profile table, and the keys in it that are guesses."""

LEAST_FRAMES = 3
LEAST_EXPLAINED = 0.6
"""A profile that explains less is not shown: it fits by chance."""

SURE_FRAMES = 5
SURE_EXPLAINED = 0.95
SHOWN = 4
MADE_UP = 0.2
"""A profile that is known from elsewhere may explain so much less."""


@dataclass(frozen=True)
class Sample:
    """What an indicator sent over a while.

    Attributes
    ----------
    chunks : list of (float, bytes)
        Seconds since the start, and bytes.
    line : dict
        Profile keys of the link they came over, such as ``baud``.
    hints : list of (dict, list of str)
        Profiles to try that the bytes alone do not suggest, and the keys in each that are guesses.
    """

    chunks: list[tuple[float, bytes]] = field(default_factory=list)
    line: dict[str, Any] = field(default_factory=dict)
    hints: list[Proposal] = field(default_factory=list)

    @property
    def data(self) -> bytes:
        """All bytes."""
        return b"".join(d for _, d in self.chunks)


@dataclass(frozen=True)
class Candidate:
    """A profile that explains a sample.

    Attributes
    ----------
    table : dict
        The profile: ``use`` and what differs from it.
    readings : int
    explained : float
        Share of the bytes that belong to readings.
    shown : list of str
        The last values as the display would show them.
    guessed : list of str
        Keys whose value the bytes do not tell.
    zeros : float
        Share of zero bytes: a character with a bad stop bit is given as one.
    proven : bool
        Whether such a zero would be seen: it is no text, and a check tells; packed digits take it for two noughts.
    """

    table: dict[str, Any]
    readings: int
    explained: float
    shown: list[str]
    guessed: list[str]
    zeros: float = 0.0
    proven: bool = True

    @property
    def made_up(self) -> bool:
        """Whether its layout was made up after these very bytes, with no check to prove it."""
        return "layout" in self.guessed

    @property
    def worth(self) -> float:
        """How much it explains, in steps that count; what was made up explains much by its making."""
        return round(self.explained, 2) - (MADE_UP if self.made_up else 0.0)

    @property
    def sure(self) -> bool:
        """Whether it explains next to everything by what it is."""
        return not self.made_up and self.readings >= SURE_FRAMES and self.explained >= SURE_EXPLAINED


def rank(sample: Sample, proposals: Iterable[Proposal]) -> list[Candidate]:
    """Profiles that explain a sample, the best first; of equals, the first proposed.

    Parameters
    ----------
    sample : Sample
    proposals : iterable of Proposal
    """
    found = [c for table, guessed in proposals if (c := explain(sample, table, guessed)) is not None]
    return sorted(found, key=lambda c: (-c.worth, -c.readings))


def explain(sample: Sample, table: dict[str, Any], guessed: list[str]) -> Candidate | None:
    """How well a profile explains a sample; None if it does not."""
    table = {**table, **sample.line}
    try:
        profile = load_profile(table)
        decoder = profile.decoder()
    except ProfileError:
        return None
    decoder.reset()
    frames: list[Frame] = []
    times: list[float] = []
    damaged = 0
    for t, data in sample.chunks:
        for item in decoder.feed(data):
            if isinstance(item, Frame):
                frames.append(item)
                times.append(t)
            elif not item.first_after_open:
                damaged += len(item.data)
    explained = 1 - damaged / max(1, len(sample.data))
    if len(frames) < LEAST_FRAMES or explained < LEAST_EXPLAINED:
        return None
    rate = _rate(times)
    if rate is not None:
        table["rate"] = rate
    data = sample.data
    proven = profile.kind in ("text-line", "json-lines", "gatt-length") or profile.values.get("check", "none") != "none"
    shown = [f.shown for f in frames[-SHOWN:]]
    return Candidate(table, len(frames), explained, shown, guessed, data.count(0) / len(data), proven)


def _rate(times: list[float]) -> float | None:
    """Readings per second with two digits, or None if they came at once."""
    span = times[-1] - times[0]
    return float(f"{(len(times) - 1) / span:.2g}") if span > 0.2 else None
