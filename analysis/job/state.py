"""A job as it stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from analysis.job.conditions import VOIDS, Change
from analysis.job.entries import Entry
from analysis.job.quantities import quantity
from analysis.job.records import Data, DepthMove, Piece, SideMove, Stack, Taken, Zeroing


@dataclass
class Job:
    """A job as it stands; built by `fold`, not by hand."""

    entries: Sequence[Entry] = ()
    effective: list[Entry] = field(default_factory=list)
    corrections: dict[int, list[int]] = field(default_factory=dict)
    withdrawn: dict[int, str] = field(default_factory=dict)
    intake: Data | None = None
    family: Data | None = None
    gearset: Data | None = None
    target: Data | None = None
    starter: Data | None = None
    limits: dict[str, Data] = field(default_factory=dict)
    limits_for: dict[str, dict[str, Data]] = field(default_factory=dict)
    limit_doubts: dict[str, str] = field(default_factory=dict)
    instruments: dict[str, Data] = field(default_factory=dict)
    checks: list[Entry] = field(default_factory=list)
    zeroings: list[Zeroing] = field(default_factory=list)
    direction: Data | None = None
    state: dict[str, object] = field(default_factory=dict)
    stacks: dict[str, Stack] = field(default_factory=dict)
    pieces: dict[str, Piece] = field(default_factory=dict)
    reserved: set[str] = field(default_factory=set)
    discarded: dict[str, str] = field(default_factory=dict)
    readings: list[Taken] = field(default_factory=list)
    depth_moves: list[DepthMove] = field(default_factory=list)
    side_moves: list[SideMove] = field(default_factory=list)
    zero_play: Data | None = None
    blinds: dict[int, Entry] = field(default_factory=dict)
    skips: dict[str, str] = field(default_factory=dict)
    confirmed: set[tuple[int, str]] = field(default_factory=set)
    records: list[Entry] = field(default_factory=list)
    closed: Entry | None = None
    problems: list[str] = field(default_factory=list)
    shop: tuple[Piece, ...] = ()
    cache: dict[object, object] = field(default_factory=dict)

    def reading(self, n: int) -> Taken | None:
        """The reading of an entry."""
        return next((r for r in self.readings if r.n == n), None)

    def latest(self, kind: str, *, usable: bool = True) -> Taken | None:
        """Last reading of a kind."""
        return next((r for r in reversed(self.readings) if r.kind == kind and (r.usable or not usable)), None)

    def limit_mm(self, name: str) -> Decimal | None:
        """A one-valued limit, mm; None where it is not stated."""
        d = self.limits.get(name)
        return None if d is None else quantity(d["value"], "length").mm

    @property
    def open_zeroing(self) -> Zeroing | None:
        """The zeroing that has no check after it yet."""
        z = self.zeroings[-1] if self.zeroings else None
        return z if z is not None and z.after is None and not z.left_open else None


def void(job: Job, e: Entry, change: Change, *, only: Zeroing | None = None) -> None:
    """Void what a change voids: readings of the build as it was, or only those of one zeroing."""
    for kind, why in VOIDS[change.name].items():
        for r in job.readings:
            if _name(r) != kind or (only is not None and r.zeroing is not only):
                continue
            if (
                change.name == "covers"
                and kind == "depth"
                and (e.data.get("carrier") or job.state.get("carrier")) == "in"
            ):
                continue  # the arbor is out for good: the covers now hold the carrier
            # What was found stays what was found; it only stops being how things are.
            r.undo(e.n, change.say, why, past=change.name != "temperature")


def _name(r: Taken) -> str:
    """A kind of reading as the changes name it: end play of the pinion is not undone by what moves the carrier."""
    return f"{r.data['where']}-end-play" if r.kind == "end-play" else r.kind
