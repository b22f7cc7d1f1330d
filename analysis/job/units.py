"""The unit a job is worked in, and its lengths in that unit, exact."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal

from analysis.job.quantities import quantity
from analysis.job.state import Job

_LENGTHS: dict[str, tuple[str, ...]] = {
    "family": ("thin_limit", "grades_from", "grades_to", "grades_step", "carrier_step", "bore_to_seat"),
    "gearset": ("nominal", "count", "head_height", "etched_backlash", "housing_count"),
    "target": ("distance",),
    "instrument": ("constant", "distance", "thickness", "u", "resolution", "mpe", "repeatability", "tip_radius"),
    "zeroing": ("reading",),
    "fit": ("stack",),
}


def units_of(job: Job) -> str:
    """Unit the job's lengths are written down in: "in" only where all are."""
    cached = job.cache.get("units")
    if cached is None:
        cached = job.cache["units"] = "in" if (found := set(_units(job))) and found == {"in"} else "mm"
    return str(cached)


def _units(job: Job) -> Iterable[str]:
    yield from (p.thickness.unit for p in job.shop)
    for e in job.effective:
        for key in _LENGTHS.get(e.kind, ()):
            if key in e.data:
                yield quantity(e.data[key], "length").unit
        if e.kind in ("piece", "backlash"):
            yield str(e.data["unit"])
        elif e.kind == "limit" and not str(e.data["name"]).endswith("-preload"):
            for key in ("value", "tolerance", "min", "max"):
                if key in e.data:
                    yield quantity(e.data[key], "length").unit
        elif e.kind == "gearset":
            yield from (str(e.data[k]) for k in ("mark_unit", "unit") if k in e.data)


INCH = Decimal("25.4")


class InUnit:
    """Lengths in the unit of the set-up."""

    def __init__(self, unit: str) -> None:
        self.unit = unit

    def __call__(self, written: object) -> Decimal:
        q = quantity(written, "length")
        if self.unit == q.unit:
            return q.value
        return q.mm if self.unit == "mm" else q.mm / INCH

    def some(self, d: Mapping[str, object] | None, **names: str) -> dict[str, Decimal]:
        """Keys of the set-up from the fields that are stated."""
        return {} if d is None else {key: self(d[name]) for key, name in names.items() if name in d}
