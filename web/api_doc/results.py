"""What a set gives: one line of ``analyse --json``.  Lengths are mm, times s from the start of the stream, unless a name says otherwise."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, Field


class Gap(BaseModel):
    """A stretch without readings."""

    start_s: float
    end_s: float
    why: str


class Sweep(BaseModel):
    """One pass of the arbor; a rejected one stays in the list."""

    n: int
    start_s: float | None
    bottom_s: float | None
    end_s: float | None
    heading: Literal["out", "back"]
    seat: int
    minimum_mm: float | None
    u_mm: float | None = Field(description="standard uncertainty of the minimum")
    accepted: bool
    reasons: list[str]
    advice: str


class BudgetLine(BaseModel):
    """One source of uncertainty."""

    name: str
    u_mm: float | None = Field(description="standard uncertainty, its sensitivity in it")
    kind: Literal["A", "B"]
    dof: float | None = Field(description="degrees of freedom; null where there is no end of them")
    source: str
    distribution: str


class SetStatistics(BaseModel):
    """The accepted sweeps together."""

    accepted: int
    rejected: int
    seats: int
    minimum_mm: float | None = Field(description="before the arbor's constant")
    sd_mm: float | None = Field(description="standard deviation within seatings")
    seat_sd_mm: float | None = Field(description="standard deviation of the seatings' means")
    repeatability_limit_mm: float | None
    u_mm: float | None
    dof: float | None
    drift_mm_per_min: float | None
    drift_p: float | None
    budget: list[BudgetLine]
    notes: list[str]


class Play(BaseModel):
    """Bearing play; the size with its 95 % interval where one is found."""

    finding: Literal["none", "suspected", "present", "not assessable"]
    size_mm: float | None
    size_low_mm: float | None
    size_high_mm: float | None
    pattern: Literal["two-level", "heading", "step", "drift", "none"]
    p_value: float | None
    say: str | None


class Depth(BaseModel):
    """The distance from axis to face, or why none is given."""

    distance_mm: float | None
    reason: str | None = None
    U95_mm: float | None = None
    k: float | None = None
    dof: float | None = None
    target_mm: float | None = None
    error_mm: float | None = None
    ruling: Literal["within", "outside", "not proven"] | None = None
    p_within: float | None = None
    budget: list[BudgetLine] = []


class Result(BaseModel):
    """What a set gives, without the stream's name."""

    readings: int
    bad_frames: int
    gaps: list[Gap]
    sweeps: list[Sweep]
    set: SetStatistics
    play: Play
    depth: Depth
    shim: dict[str, Any] | None
