"""What the folding of a job builds up: stacks, pieces, zeroings, readings, moves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from analysis.job.conditions import Void
from analysis.job.quantities import Quantity, quantity

Data = Mapping[str, object]
Status = Literal["valid", "provisional", "wrong state", "void", "question", "past"]

NINE = Decimal("1e-9")


@dataclass(frozen=True, slots=True)
class Piece:
    """One shim measured by micrometer.

    Attributes
    ----------
    thickness : Quantity
        Mean of the spots, in the unit they were read in.
    spread : Quantity
        Largest less smallest.
    rejected : str
        Why it is not used; else empty.
    """

    id: str
    n: int
    thickness: Quantity
    spread: Quantity
    place: str
    data: Data
    rejected: str = ""


@dataclass(frozen=True, slots=True)
class Stack:
    """Shims at one place: their thickness, and the pieces where they are known.

    Attributes
    ----------
    measured : int
        Measurements by micrometer that are added up: 1 where the stack was measured as it is, else one a piece.
    odd : str
        What is odd about the size of the change it came in with; else empty.
    """

    entry: int
    thickness: Quantity
    pieces: tuple[str, ...] = ()
    doubt: str = ""
    measured: int = 1
    odd: str = ""


@dataclass
class Zeroing:
    """The display on the master before, and after, and what was measured in between."""

    n: int
    before: Quantity
    data: Data
    instruments: Mapping[str, Data] = field(default_factory=dict)
    after: Quantity | None = None
    n_after: int | None = None
    left_open: bool = False
    incident: str = ""

    @property
    def drift_mm(self) -> Decimal | None:
        """How far the display came back off, exact."""
        return None if self.after is None else self.after.mm - self.before.mm


@dataclass
class Taken:
    """One reading, with the state it was taken in and what happened to it since."""

    n: int
    kind: str
    phase: str
    at: str
    by: str
    data: Data
    state: Data
    stacks: Mapping[str, Stack]
    zeroing: Zeroing | None = None
    direction: str | None = None
    wrong: list[str] = field(default_factory=list)
    voided: list[Void] = field(default_factory=list)
    past: list[Void] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)
    allowed: str = ""
    allowed_wrongs: int = 0
    blind_for: int | None = None

    def undo(self, entry: int, what: str, why: str, *, past: bool = False) -> None:
        """Void the reading, unless something has voided it for the same reason; with `past`, an as-found one stays what was found.

        What is done twenty times over, as a nut that crushes a sleeve in small steps is, is told once: the first time undid the reading.
        """
        reasons = self.past if past and self.phase == "as-found" else self.voided
        if not any(v.reason.endswith(why) for v in reasons):
            reasons.append(Void(entry, f"{what}: {why}"))

    @property
    def status(self) -> Status:
        """Whether the reading may be used."""
        if self.voided:
            return "void"
        if self.questions:
            return "question"
        if self.in_wrong_state:
            return "wrong state"
        if self.past:
            return "past"
        z = self.zeroing
        return "provisional" if z is not None and z.after is None and not z.left_open else "valid"

    @property
    def in_wrong_state(self) -> bool:
        """Something is wrong that nobody has allowed; what was allowed once does not cover what comes to light later."""
        return len(self.wrong) > self.allowed_wrongs

    @property
    def usable(self) -> bool:
        """Valid, or valid so far."""
        return self.status in ("valid", "provisional")


@dataclass(frozen=True, slots=True)
class DepthMove:
    """A change of the depth shim, and the set a prediction starts from (None where there was none)."""

    n: int
    old: Stack | None
    new: Stack
    base: int | None
    recorded: Data | None


@dataclass(frozen=True, slots=True)
class SideMove:
    """A change of a side shim."""

    n: int
    side: str
    old: Stack | None
    new: Stack


def mean_of(readings: object, unit: str) -> tuple[Quantity, Quantity]:
    """Mean and spread of micrometer readings, in their unit."""
    assert isinstance(readings, list)
    values = [quantity(x, "length", unit).value for x in readings]
    mean = sum((Fraction(v) for v in values), Fraction(0)) / len(values)
    exact = Decimal(mean.numerator) / Decimal(mean.denominator)
    # As many places as were read, where the mean needs no more.
    read = exact.quantize(Decimal(1).scaleb(min(int(v.as_tuple().exponent) for v in values)))
    rounded = read if read == exact else exact.quantize(NINE).normalize()
    return Quantity(rounded, unit), Quantity(max(values) - min(values), unit)
