"""Closing the loop: what each change of the depth shim was to do, what it did, and what that teaches."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from analysis.closure import Closure, Effect, compare, effect_shown
from analysis.job.derive import moves
from analysis.job.figures import depth_of
from analysis.job.fitting import base_set
from analysis.job.quantities import quantity
from analysis.job.records import DepthMove, Stack, Taken
from analysis.job.state import Job

COMMON = ("arbor constant", "master", "bridge blade", "indicator")
"""Budget lines that are the same error in two sets taken with the same instruments."""


FEWEST_LOOPS = 2
"""Closed changes of shim from which the unit's own response is reckoned with."""

SOUND = 0.05
"""Standard deviation of the response of sound builds round 1: what squashes or gives takes a few hundredths (common practice, no source)."""

ODD = 0.25
"""A response this far from 1 is no property of the unit but a fault to be found."""


@dataclass(frozen=True, slots=True)
class Response:
    """What share of a change of shim the pinion moves by on this unit.

    Attributes
    ----------
    response, u : float
        1 in a rigid build; its standard uncertainty.
    loops : int
        Closed changes it comes from.
    used : bool
        Predictions and choices reckon with it.
    seen : float
        What was seen, before it is drawn to 1.
    odd : bool
        So far from 1 that it is a fault to be found and no property of the unit.
    alike : bool
        Every change agrees with what all of them together show, within twice its own uncertainty.
    """

    response: float
    u: float
    loops: int
    used: bool
    say: str
    seen: float = 1.0
    odd: bool = False
    alike: bool = False


@dataclass(frozen=True, slots=True)
class Loop:
    """One change of shim, from the set before to the set after.

    Attributes
    ----------
    predicted_mm : float or None
        As written down before building, else as worked out with the sign stated now; None where that is unknown.
    recorded : bool
        It was written down before building.
    closure, effect : Closure or None, Effect or None
        None while no set has followed.
    settled : bool
        The sign has been corrected since, and with the sign stated now the measurement agrees.
    """

    move: DepthMove
    before: Taken
    after: Taken | None
    change_mm: float
    predicted_mm: float | None
    recorded: bool
    closure: Closure | None
    effect: Effect | None
    settled: bool
    moved_mm: float | None = None
    moved_u_mm: float = 0.0


def loops(job: Job) -> list[Loop]:
    """Every change of the depth shim that started from a measured set."""
    found: list[Loop] | None = job.cache.get("loops")  # type: ignore[assignment]
    if found is None:
        found = job.cache["loops"] = [x for m in job.depth_moves if (x := _loop(job, m)) is not None]
    return found


def _loop(job: Job, m: DepthMove) -> Loop | None:
    before = job.reading(m.base) if m.base is not None else None
    if before is None or m.old is None:
        return None
    d = depth_of(job, before)
    if d["distance_mm"] is None:
        return None
    change = float(m.new.thickness.mm - m.old.thickness.mm)
    later = [x.n for x in job.depth_moves if x.n > m.n]
    until = min(later) if later else math.inf
    after = next((r for r in job.readings if r.kind == "depth" and m.n < r.n < until and _tells(r)), None)
    sign = {"+1": 1.0, "-1": -1.0}.get(str((job.family or {}).get("shim_effect")))
    now = None if sign is None else d["distance_mm"] + sign * change
    recorded = m.recorded is not None and m.recorded.get("predicted_mm") is not None
    predicted = float(str(m.recorded["predicted_mm"])) if recorded and m.recorded is not None else now
    closure = effect = moved = None
    settled, u = False, 0.0
    if after is not None and (a := depth_of(job, after))["distance_mm"] is not None:
        if predicted is not None:
            closure = _compare(job, d, a, predicted, m)
            if not closure.agrees and now is not None and now != predicted:
                settled = _compare(job, d, a, now, m).agrees
        if change:
            u = math.sqrt(max(0.0, d["u_mm"] ** 2 + a["u_mm"] ** 2 - 2 * _common(d, a) ** 2))
            moved = a["distance_mm"] - d["distance_mm"]
            effect = effect_shown(moved, change, u)
    return Loop(m, before, after, change, predicted, recorded, closure, effect, settled, moved, u)


def _tells(r: Taken) -> bool:
    """A set that was good when it was taken; a change that came later does not undo what it showed."""
    if r.questions or r.in_wrong_state:
        return False
    return all("came back on the master" not in v.reason and "the other way" not in v.reason for v in r.voided)


def _compare(job: Job, d: Mapping[str, Any], a: Mapping[str, Any], predicted: float, m: DepthMove) -> Closure:
    # Within a stack the micrometer's error is the same for every piece and adds up in full (JCGM 100:2008, 5.2.2); the old
    # stack was measured on another day, and nothing says that its error was the same.
    counts = math.hypot(m.new.measured, m.old.measured if m.old else 1)
    us = [quantity(x["u"], "length").mm for x in job.instruments.values() if x["type"] == "micrometer" and "u" in x]
    return compare(
        d["distance_mm"],
        predicted,
        a["distance_mm"],
        before_u_mm=d["u_mm"],
        measured_u_mm=a["u_mm"],
        before_dof=math.inf if d["dof"] is None else d["dof"],
        measured_dof=math.inf if a["dof"] is None else a["dof"],
        stack_u_mm=float(max(us)) * counts if us else 0.0,
        common_u_mm=_common(d, a),
    )


def _common(d: Mapping[str, Any], a: Mapping[str, Any]) -> float:
    lines = [{b["name"]: b["u_mm"] for b in x["budget"] if b["name"] in COMMON} for x in (d, a)]
    both = math.sqrt(sum(min(lines[0][k], lines[1][k]) ** 2 for k in lines[0].keys() & lines[1].keys()))
    return min(both, float(d["u_mm"]), float(a["u_mm"]))


def learnt_effect(job: Job) -> Effect | None:
    """What the last change of shim that can tell has shown."""
    shown = [x.effect for x in loops(job) if x.effect is not None and x.effect.moves != "not shown"]
    return shown[-1] if shown else None


def learnt_response(job: Job) -> Response | None:
    """How much of a change of shim reached the pinion, over all closed changes that went the stated way; None before the first.

    Notes
    -----
    Least squares through the origin, each change weighed by its own uncertainty, then drawn to 1 by what sound builds do
    (`SOUND`), so that a few small changes do not outweigh what is known of all units.
    """
    sign = {"away": 1.0, "toward": -1.0}.get(moves(job))
    rows = [
        (sign * x.change_mm, x.moved_mm, max(x.moved_u_mm, 1e-4))
        for x in loops(job)
        if sign is not None and x.moved_mm is not None and x.effect is not None
    ]
    rows = [(c, m, u) for c, m, u in rows if m / c > 0.0 or abs(m) <= 2.0 * u]
    if not rows:
        return None
    weight = math.fsum((c / u) ** 2 for c, _, u in rows)
    seen = math.fsum(c * m / u**2 for c, m, u in rows) / weight
    seen_u = 1.0 / math.sqrt(weight)
    share = SOUND**2 / (SOUND**2 + seen_u**2)
    response, u = 1.0 + share * (seen - 1.0), SOUND * math.sqrt(1.0 - share)
    alike = len(rows) > 1 and all(abs(m - seen * c) <= 2.0 * u for c, m, u in rows)
    changes = "1 change" if len(rows) == 1 else f"{len(rows)} changes"
    say = f"Seen on this unit: {seen:.3f} of a change of shim reaches the pinion (standard uncertainty {seen_u:.3f}, {changes})."
    if abs(seen - 1.0) > ODD + 2.0 * seen_u:
        say += " That is no property of a sound build: look for what gives or was not home."
        return Response(response, u, len(rows), False, say, seen, True, alike)
    used = len(rows) >= FEWEST_LOOPS
    if used:
        say += f" With what sound builds do that makes {response:.3f} ± {u:.3f}, and predictions and choices reckon with it."
    else:
        say += f" From {FEWEST_LOOPS} changes on, predictions reckon with it."
    return Response(response, u, len(rows), used, say, seen, False, alike)


def alarm(job: Job) -> Loop | None:
    """The last change of shim, where the measurement after it misses its prediction and nothing has settled that."""
    all_loops = loops(job)
    last = all_loops[-1] if all_loops else None
    if last is None or last.closure is None or last.closure.agrees or last.settled:
        return None
    looked = last.after is not None and (last.after.n, "response") in job.confirmed
    return None if looked and _may_be_the_unit(job, last) else last


def _may_be_the_unit(job: Job, x: Loop) -> bool:
    """Whether a miss can be what the unit gives under another shim: it went the right way, by nearly as much as it should."""
    learnt = learnt_response(job)
    if learnt is None or learnt.odd or x.closure is None or x.closure.cause in ("sign reversed", "nothing changed"):
        return False
    return x.moved_mm is not None and abs(x.moved_mm / x.change_mm) > 0.0


def asks_of_unit(job: Job, x: Loop) -> int | None:
    """The set after a missed change, where somebody may answer that everything was looked at; None where that is no answer."""
    return x.after.n if x.after is not None and _may_be_the_unit(job, x) else None


def alarm_say(job: Job, x: Loop) -> str:
    """What is missed, and what to look at before the job goes on: it is asked, and never taken for granted."""
    if x.closure is None or x.after is None:
        return ""
    say = x.closure.say
    learnt = learnt_response(job)
    if learnt is None or not _may_be_the_unit(job, x):
        return say
    answer = f"at set {x.after.n}, with what was looked at"
    if not learnt.used:
        return (
            f"{say} If all of that is as it should be and nothing is found, confirm it {answer}; the job goes on, and from {FEWEST_LOOPS} "
            "changes on predictions reckon with what this unit does."
        )
    alike = "alike each time, which dirt or a wrong piece seldom is" if learnt.alike else "not alike each time"
    return (
        f"{say} Of {learnt.loops} changes on this unit {learnt.seen:.2f} reached the pinion, {alike}. Something gives: a wavy shim, a thin "
        "one among many, a flange or a seat that bends. Measure the pieces that are in again, feel that each race is home (a 0.04 mm "
        f"feeler must not enter), put nut and covers to their torque. If nothing is found, confirm it {answer}: the job goes on, and the "
        f"next choice reckons with {learnt.response:.3f} of a change of shim."
    )


def prediction(job: Job, new: Stack) -> dict[str, object] | None:
    """What the next set must show once `new` is in; None where there is no set to start from or no stack to change."""
    old = job.stacks.get("depth")
    base = base_set(job)
    if old is None or base is None:
        return None
    d = depth_of(job, base)
    effect = {"away": 1, "toward": -1}.get(moves(job))
    if d["distance_mm"] is None:
        return None
    change = float(new.thickness.mm - old.thickness.mm)
    learnt = learnt_response(job)
    share = learnt.response if learnt is not None and learnt.used else 1.0
    return {
        **({} if share == 1.0 else {"response": round(share, 4)}),
        "base": base.n,
        "before_mm": d["distance_mm"],
        "change_mm": change,
        "effect": None if effect is None else f"{effect:+d}",
        "predicted_mm": None if effect is None else d["distance_mm"] + effect * round(share, 4) * change,
        "target_mm": d.get("target_mm"),
    }
