"""Limits of a job: which figure holds where the manual gives several, and when somebody has to look again.

Manuals print a limit in two units that do not agree, and give it on two pages that do not agree (seen in car service texts: 16 to 29 lb·in
beside 23 to 37 N·m).  Such a limit is not used until somebody has said which figure holds; neither is chosen, converted or averaged here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from analysis.job.entries import Entry
from analysis.job.quantities import UNITS, Dimension, Quantity, quantity
from analysis.job.records import Data
from analysis.job.rules import LIMITS
from analysis.job.state import Job
from analysis.torque import NM_PER

ALSO = ("value", "tolerance", "min", "max")
"""Figures of a limit; the same figure as printed in the other unit is called ``also_…``."""


@dataclass(frozen=True, slots=True)
class _Bound:
    """One end of a limit: its size and half its last digit, in mm or N·m."""

    size: float
    half_digit: float

    def agrees(self, other: _Bound, same_unit: bool) -> bool:
        """Whether both can be the same figure; one rounded from the other where their units differ."""
        room = 0.0 if same_unit else self.half_digit + other.half_digit
        return abs(self.size - other.size) <= room + 1e-9 * max(self.size, other.size)


def settle(job: Job) -> None:
    """Choose the limits of a job from its entries: the last one that nothing contradicts, or the one somebody has confirmed."""
    rows: dict[tuple[str, str], list[Entry]] = {}
    for e in job.effective:
        if e.kind == "limit":
            rows.setdefault((str(e.data["name"]), str(e.data.get("condition", ""))), []).append(e)
    answers = [e for e in job.effective if e.kind == "confirm" and e.data["what"] == "limit"]
    settled = {int(str(e.data["entry"])): e.n for e in answers}
    for (name, condition), entries in rows.items():
        confirmed = [e for e in entries if e.n in settled]
        chosen = max(confirmed, key=lambda e: settled[e.n]) if confirmed else entries[-1]
        later = [e for e in entries if confirmed and e.n > settled[chosen.n]]
        doubt = "" if confirmed and not later else _doubt(name, later[-1] if later else chosen, entries)
        if later and not doubt:
            chosen = later[-1]
        if doubt:
            job.limit_doubts[name] = doubt
            continue
        job.limits_for.setdefault(name, {})[condition] = {**chosen.data, "entry": chosen.n}
    for name, found in job.limits_for.items():
        job.limits[name] = max(found.values(), key=lambda d: int(str(d["entry"])))
    _among_each_other(job, settled)


def limit_for(job: Job, name: str, condition: object) -> Data | None:
    """The limit for new or for used bearings; where there is none for these, the one there is."""
    own = job.limits_for.get(name, {}).get(str(condition or ""))
    return own if own is not None else job.limits.get(name)


def shown(d: Data) -> str:
    """A limit's figures in a line."""
    if "tolerance" in d:
        return f"{d['value']} ± {d['tolerance']}"
    return f"{d['min']} to {d['max']}" if "min" in d else str(d["value"])


def _doubt(name: str, e: Entry, entries: Sequence[Entry]) -> str:
    own = also_disagrees(e.data)
    if own:
        return f"The limit {name} (entry {e.n}, page {e.data['page']}) contradicts itself: {own} {_settling(e.n)}"
    for before in entries:
        if before.n >= e.n or _same(name, before.data, e.data) or (_of_shop(before) and _of_shop(e)):
            continue
        return (
            f"The limit {name} is {shown(before.data)} on page {before.data['page']} (entry {before.n}) and {shown(e.data)} on page "
            f"{e.data['page']} (entry {e.n}). Look which one is for this unit. {_settling(before.n, e.n)}"
        )
    return ""


def _settling(*numbers: int) -> str:
    which = " or ".join(f"entry {n}" for n in numbers)
    return f"Until then it is not used: put the wrong figure right, withdraw its entry, or confirm with the reason that {which} holds as it stands."


def _of_shop(e: Entry) -> bool:
    """The shop may change its own mind."""
    return str(e.data["page"]).strip().lower() == "shop"


def also_disagrees(d: Data) -> str:
    """Where a limit printed in two units contradicts itself; empty where it does not."""
    dimension = LIMITS[str(d["name"])][0]
    for key in ALSO:
        if f"also_{key}" not in d or key not in d:
            continue
        one, other = quantity(d[key], dimension), quantity(d[f"also_{key}"], dimension)
        if one.unit == other.unit or _bound(one, dimension).agrees(_bound(other, dimension), False):
            continue
        meant = [
            f"{other.value:f} {u}"
            for u in UNITS[dimension]
            if u not in (one.unit, other.unit) and _would(one, other.value, u, dimension)
        ]
        hint = f" {meant[0]} would agree." if meant else ""
        return f"{one} is {_in(one, other.unit, dimension)}, not {other}.{hint}"
    return ""


def _would(one: Quantity, figure: Decimal, unit: str, dimension: Dimension) -> bool:
    return _bound(one, dimension).agrees(_bound(Quantity(figure, unit), dimension), False)


def _in(q: Quantity, unit: str, dimension: Dimension) -> str:
    size = _bound(q, dimension).size
    return f"{size / (float(Quantity(Decimal(1), unit).mm) if dimension == 'length' else NM_PER[unit]):.4g} {unit}"


def _bound(q: Quantity, dimension: Dimension) -> _Bound:
    digit = Quantity(Decimal(1).scaleb(int(q.value.as_tuple().exponent)), q.unit)
    return _Bound(_base(q, dimension), _base(digit, dimension) / 2.0)


def _base(q: Quantity, dimension: Dimension) -> float:
    return float(q.mm) if dimension == "length" else q.newton_metres


def _ends(name: str, d: Data) -> tuple[list[_Bound], str]:
    dimension = LIMITS[name][0]
    q = {k: quantity(d[k], dimension) for k in ALSO if k in d}
    unit = next(iter(q.values())).unit
    if "tolerance" not in q:
        return [_bound(x, dimension) for x in q.values()], unit
    value, tolerance = (_bound(q[k], dimension) for k in ("value", "tolerance"))
    room = value.half_digit + tolerance.half_digit
    return [_Bound(value.size - tolerance.size, room), _Bound(value.size + tolerance.size, room)], unit


def _same(name: str, a: Data, b: Data) -> bool:
    (one, unit), (other, other_unit) = _ends(name, a), _ends(name, b)
    same = unit == other_unit
    return len(one) == len(other) and all(x.agrees(y, same) for x, y in zip(one, other, strict=True))


def _among_each_other(job: Job, settled: Mapping[int, int]) -> None:
    """Limits that are sound one by one and cannot both hold."""
    aim, tolerance = (job.limits.get(k) for k in ("depth-aim", "depth-tolerance"))
    if aim is not None and tolerance is not None and _mm(aim["value"]) > _mm(tolerance["value"]):
        job.limit_doubts["depth-aim"] = (
            f"The shop's aim of ±{aim['value']} (entry {aim['entry']}) is wider than the tolerance of ±{tolerance['value']} "
            f"(entry {tolerance['entry']}): one of the two is mistyped, or in another unit. Until one is put right the aim is not used."
        )
        del job.limits["depth-aim"]
    preload = job.limits_for.get("pinion-preload", {})
    if {"new", "used"} <= preload.keys():
        new, used = preload["new"], preload["used"]
        last = max(int(str(new["entry"])), int(str(used["entry"])))
        if _nm(used["min"]) > _nm(new["max"]) and last not in settled:
            job.limit_doubts["pinion-preload"] = (
                f"The pinion preload for used bearings ({shown(used)}, entry {used['entry']}) lies above that for new ones ({shown(new)}, entry "
                f"{new['entry']}); used bearings usually take about half. {_settling(last)}"
            )
            del job.limits["pinion-preload"], job.limits_for["pinion-preload"]


def _mm(text: object) -> Decimal:
    return quantity(text, "length").mm


def _nm(text: object) -> float:
    return quantity(text, "torque").newton_metres
