"""Which sweeps count, and in plain words why the others do not.

A rejected sweep is never hidden: it stays in the list with its reasons and advice.
Two kinds of test: what a sweep shows by itself, and what only the whole set can show (a sweep turned back
before the bottom looks perfect alone, only too high; a bridged centre hole repeats perfectly).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.results import Reason
from analysis.sweeps import RawSweep
from analysis.valley import Bottom, Window
from analysis.valley.fit import MOST
from analysis.valley.flat import flat_tip_gain
from analysis.valley.noise import PRIOR_MM as NOISE_MM
from analysis.valley.pack import COARSE_MM, lowest
from analysis.windows import readings_within

Array = NDArray[np.float64]

ADVICE: dict[Reason, str] = {
    "too-few-samples": "Too few readings on this pass. Sweep slower, or set the indicator to send more often.",
    "too-fast": "Slow down: aim for 10 readings within the last 0.1 mm.",
    "turned-back": "The arbor turned back before the nearest point. Swing right across the face.",
    "knock": "The arbor or the case was bumped. Sweep again with both hands on the arbor.",
    "gap": "Readings are missing at the bottom. Check the cable or bring the receiver nearer.",
    "unit-changed": "The unit key was pressed during this sweep. Leave it alone and sweep again.",
    "open-hole": "The tip drops into the centre hole, or its end is flat. Lay the blade on the face or move the tip off the centre.",
    "plunger-stuck": "The plunger stuck and jumped. Clean it and work it a few times.",
    "off-the-set": "This sweep stands apart from the others. Look for dirt and movement, then sweep again.",
    "link-lost": "The link dropped during this sweep. Sweep again.",
    "after-the-end": "The set had ended. Begin a new set, or go on with this one.",
}

UNEVEN = "The hand stopped, or went to and fro, at the bottom. Sweep across it in one even motion."
"""Advice in the place of that for "too-fast" where readings are not what is missing."""

FEW_AT_BOTTOM = 5
"""Readings within 0.1 mm below which a bottom is taken only if its own uncertainty is small."""

NEAR_BOTTOM = math.sqrt(0.03)
"""Scaled angle within which a bump shifts the bottom, mm^0.5: 30 µm of climb."""

ABOVE_MM = 0.05
"""Height above the other sweeps' lowest readings that no play and no knock makes."""

AGREE_MM = 0.03
"""Width within which the lowest readings of sweeps that went across lie, play and a coarse display included."""

SAME_MM = 0.006
"""Width within which three bottoms lie that are one level and not three chances."""

SEATED_ELSEWHERE_MM = 0.5
"""Height above the rest of the set that no seating makes: a blade forgotten or grit is less, an arbor that never came near is more."""

BLUNT_MM = 0.0035
"""Standard uncertainty of one bottom that is too large to call it measured."""


ENOUGH_SWEEPS = 5
"""Sweeps of one seating from which its scatter can be told."""

THIRD = math.sqrt(2.0) * 0.4307
"""Third of the way up the differences of two values of a normal distribution of standard deviation 1."""

TURNED_MM = 0.02
"""Height above the lowest that sweeps which turned back reach in the middle; less may be play or a rough hand."""

FLAT_TIP_GAIN = 4.2
"""Log evidence a sweep from which a set is taken to ride on the edge of a flat tip."""


@dataclass(slots=True)
class Judged:
    """A sweep with its fit and what speaks against it."""

    raw: RawSweep
    window: Window
    bottom: Bottom | None
    reasons: list[Reason] = field(default_factory=list)
    spiked: bool = False
    uneven: bool = False

    @property
    def advice(self) -> str:
        """What to do about the first reason, or ""."""
        if not self.reasons:
            return ""
        return UNEVEN if self.uneven and self.reasons[0] == "too-fast" else ADVICE[self.reasons[0]]

    @property
    def accepted(self) -> bool:
        """True while nothing speaks against the sweep."""
        return not self.reasons


def enough_readings(window: Window) -> bool:
    """Whether a bottom can be fitted at all: five readings, some on either flank."""
    if window.clock.size < 5:
        return False
    low = lowest(window.z)[0]
    return low >= 1 and window.clock.size - 1 - low >= 1


def judge_alone(j: Judged, period_s: float | None) -> None:
    """Add what the sweep shows by itself."""
    if j.raw.cut:
        j.reasons.append(j.raw.cut)
        return
    if _stuck(j.raw):
        j.reasons.append("plunger-stuck")
    b = j.bottom
    if b is None:
        j.reasons.append("too-few-samples")
        return
    w = j.window
    near = readings_within(w, b.minimum_mm, 0.1)
    wild = wild_readings(w, b)
    j.spiked = near >= FEW_AT_BOTTOM and _spiked(wild, b)
    if _bumped(wild, b, w):
        j.reasons.append("too-fast" if near < FEW_AT_BOTTOM else "knock")
    hole = _hole_at_bottom(w, b)
    if period_s and hole > max(3.5 * period_s, 0.2) and _straddle(w, b) > 0.02:
        j.reasons.append("gap")
    blunt = BLUNT_MM + 0.25 * w.step_mm
    # On a coarse display so few readings fit many hands, and one that fits well looks sure of itself.
    sure = b.u_mm <= 0.5 * blunt and w.step_mm <= COARSE_MM
    if not j.reasons and ((near < FEW_AT_BOTTOM and not sure) or near < 3 or b.u_mm > blunt):
        j.reasons.append("too-fast")
        j.uneven = near >= 2 * FEW_AT_BOTTOM


def wild_readings(w: Window, b: Bottom) -> NDArray[np.bool_]:
    """Readings no hand and no noise explains."""
    # High on a flank a small jerk of the hand moves a reading far: ask for more there.
    climb = np.maximum(w.z - b.residual - b.minimum_mm, 0.0)
    least = np.maximum(0.008, np.where(climb < 0.25, 0.15, 0.35) * climb)
    # The display may be half a step off without anything being wrong; what is left must be noise.
    half = 0.5 * w.step_mm
    noise = np.sqrt(np.maximum(b.sd**2 - half**2 / 3.0, b.noise_mm**2))
    off = np.abs(b.residual)
    return np.asarray((np.maximum(off - half, 0.0) > 5.5 * noise) & (off > least))


def _spiked(wild: NDArray[np.bool_], b: Bottom) -> bool:
    """Whether the tip went farther in right at the bottom: the sign of a centre hole."""
    at = np.abs(b.u[wild])
    return bool(at.size and (b.residual[wild] > 0).all() and at.min() < math.sqrt(0.08))


def _bumped(wild: NDArray[np.bool_], b: Bottom, w: Window) -> bool:
    """One odd reading by itself is left out of the fit; several are a bump."""
    hits = np.flatnonzero(wild)
    if hits.size == 0:
        return False
    # A bump takes its time: neighbours, or one after another.
    if hits.size > 2 or (np.diff(hits) <= 2).any():
        return True
    return any(not _garbled(int(i), b, w) for i in hits)


def _garbled(i: int, b: Bottom, w: Window) -> bool:
    """Whether one odd reading is a garbled value, which the fit leaves out, and not a bump caught by one reading only.

    A bump rings on into the next reading; near the bottom a small one that does not is given no benefit of the doubt.
    """
    size = abs(float(b.residual[i]))
    around = [abs(float(b.residual[j])) for j in (i - 1, i + 1) if 0 <= j < b.residual.size]
    quiet = max(around, default=0.0) < max(2.5 * b.noise_mm + 0.5 * w.step_mm, 0.04 * size)
    near = abs(float(b.u[i])) < NEAR_BOTTOM
    return quiet and (not near or size > 0.06)


def _hole_at_bottom(w: Window, b: Bottom) -> float:
    """Longest time without a reading across the bottom, s."""
    after = int(np.searchsorted(w.clock, b.bottom_s))
    if after == 0 or after >= w.clock.size:
        return 0.0
    return float(w.clock[after] - w.clock[after - 1])


def _straddle(w: Window, b: Bottom) -> float:
    """Climb of the lower of the two readings either side of the bottom, mm."""
    after = int(np.searchsorted(w.clock, b.bottom_s))
    if after == 0 or after >= w.clock.size:
        return 0.0
    return float(max(w.z[after - 1], w.z[after]) - b.minimum_mm)


def _stuck(raw: RawSweep) -> bool:
    """A run of equal readings that ends in a jump the following readings do not go on with."""
    z = np.asarray(raw.z)
    if z.size < 8:
        return False
    d = np.diff(z)
    still = np.abs(d) <= 0.5 * raw.step_mm
    run = 0
    for i in range(d.size):
        if still[i]:
            run += 1
            continue
        if run >= 4:
            jump = abs(float(d[i]))
            after = np.abs(d[i + 1 : i + 4])
            usual = float(after.max()) if after.size else 0.0
            if jump > max(0.025, 6 * raw.step_mm) and jump > 3.0 * usual and after.size >= 2:
                return True
        run = 0
    return False


def judge_together(
    judged: Sequence[Judged],
    seats: Sequence[int],
    swing_radius_mm: float,
    repeatability_mm: float | None,
    *,
    rims: bool = False,
) -> None:
    """Add what only the set shows: holes, half sweeps, sweeps off the set.

    `rims`: the bottoms come in pairs, on two rims of a hole.
    """
    _open_hole(judged, swing_radius_mm, repeatability_mm, rims)
    for _ in range(3):
        if not _off_the_set(judged, seats):
            break
    _above_the_rest(judged, seats)


def _above_the_rest(judged: Sequence[Judged], seats: Sequence[int]) -> None:
    """A bottom well above what other sweeps of its seating went down to, rejected ones included, is no bottom.

    Nor is one that no seating explains: on a seating of its own it is held against those of the whole set.
    """
    whole = [j for j in judged if not j.raw.cut]
    for seat in set(seats):
        _none_above([j for j, s in zip(judged, seats, strict=True) if s == seat and not j.raw.cut], ABOVE_MM)
    _none_above(whole, SEATED_ELSEWHERE_MM)


def _none_above(group: Sequence[Judged], above_mm: float) -> None:
    lows = sorted(j.raw.z[j.raw.lowest] for j in group)
    if len(lows) < 4:
        return
    # Those that went across agree, however many a trembling hand turned back on the way.
    agree = [x for x, third in zip(lows, lows[2:], strict=False) if third < x + AGREE_MM]
    centre = min(lows[len(lows) // 2], agree[0] + AGREE_MM if agree else math.inf)
    above = [
        (j, b.minimum_mm)
        for j in group
        if j.accepted and (b := j.bottom) is not None and b.minimum_mm > centre + above_mm + 4.0 * b.u_mm
    ]
    if _a_level([m for _, m in above]):
        # Turned back three times to the same micrometres is no hand: the zero key, or the indicator slipped in its clamp.
        return
    for j, _ in above:
        j.reasons.append("turned-back")


def _a_level(m: Sequence[float]) -> bool:
    """Whether three of them agree as bottoms do."""
    x = sorted(m)
    return any(third - first < SAME_MM for first, third in zip(x, x[2:], strict=False))


def _open_hole(judged: Sequence[Judged], swing_radius_mm: float, repeatability_mm: float | None, rims: bool) -> None:
    """Mark every sweep once the set shows a hole or a flat tip: it belongs to the face, not to one pass."""
    whole = [j for j in judged if j.bottom is not None and not j.raw.cut]
    spiked = sum(j.spiked for j in whole)
    if rims or (spiked >= 2 and spiked >= 0.5 * len(whole)) or _flat_tip(whole, swing_radius_mm, repeatability_mm):
        for j in whole:
            if "turned-back" not in j.reasons:
                j.reasons[:] = ["open-hole"]


def _flat_tip(judged: Sequence[Judged], swing_radius_mm: float, repeatability_mm: float | None) -> bool:
    """Whether the bottoms together carry a ridge between two false bottoms: a flat tip on its edge."""
    whole = [(j.window, j.bottom) for j in judged if j.bottom is not None]
    if len(whole) < 3:
        return False
    first = whole[0][1]
    # Only where a ridge seems to be there, or the fits leave more than any display's noise, is the set fitted anew.
    rough = first.noise_mm > 1.7 * max(repeatability_mm or NOISE_MM, 0.1 * whole[0][0].step_mm)
    # Where many sweeps seem bumped it may be the ridge that the fit took for bumps.
    bumped = sum("knock" in j.reasons for j in judged) >= max(2, 0.3 * len(judged))
    if not (rough or bumped or _ridge_seems_there([b for _, b in whole])):
        return False
    return flat_tip_gain([x for x, _ in whole], swing_radius_mm, repeatability_mm, MOST) > FLAT_TIP_GAIN


def _ridge_seems_there(bottoms: Sequence[Bottom]) -> bool:
    """First look: a common ``-|u|`` term over the sweeps; of coefficient b it lowers two false bottoms by b^2/4."""
    cusp = np.array([b.cusp for b in bottoms])
    u = np.array([b.u_cusp for b in bottoms])
    keep = u < 4.0 * np.median(u)
    cusp, u = cusp[keep], u[keep]
    w = 1.0 / (u**2 + np.median(u) ** 2)
    mean = float((w * cusp).sum() / w.sum())
    scatter = float(np.sqrt((w**2 * (cusp - mean) ** 2).sum()) / w.sum())
    sd = max(1.0 / math.sqrt(float((1 / u**2).sum())), scatter)
    return mean > 2.2 * sd and mean**2 / 4 > 0.001


def _off_the_set(judged: Sequence[Judged], seats: Sequence[int]) -> bool:
    """One round of set tests; True if a sweep was marked.

    Each sweep is held against the middle of its seating.  The scale is the median absolute deviation, so several bad
    sweeps cannot hide one another.  Seatings of fewer than five sweeps are judged together, each from its own middle; a small one by itself
    only shows what stands off by more than 30 µm.
    """
    groups = [
        [j for j, s in zip(judged, seats, strict=True) if s == seat and j.accepted and j.bottom is not None]
        for seat in sorted(set(seats))
    ]
    small = [g for g in groups if 3 <= len(g) < ENOUGH_SWEEPS]
    together = len(small) > 1 and sum(map(len, small)) >= 2 * ENOUGH_SWEEPS - 1
    found = _off_together(small) if together else False
    for group in groups:
        if len(group) < 3 or (together and len(group) < ENOUGH_SWEEPS):
            continue
        m, u = _minima(group)
        own = float(np.median(u))
        lowest_few = _lowest_that_agree(m, own)
        centre = _low_centre(m) if lowest_few is None else lowest_few
        near = np.abs(m - centre)
        scale = max(1.4826 * float(np.median(near)), own, 0.0005)
        if lowest_few is not None:
            scale = max(own, 0.0005)
        limit = max(4.5 * scale, 0.003) if len(group) >= ENOUGH_SWEEPS else max(8.0 * scale, 0.030)
        found = _mark_off(group, m - centre, limit, u, most_may=lowest_few is not None) or found
    return found


def _off_together(groups: Sequence[Sequence[Judged]]) -> bool:
    """Small seatings as one: what sweeps of one seating differ by is the same in all of them."""
    apart, pairs = [], []
    for group in groups:
        m, _ = _minima(group)
        apart.append(m - _low_centre(m))
        pairs.append(np.abs(m[:, None] - m[None, :])[np.triu_indices(m.size, 1)])
    sweeps = [j for group in groups for j in group]
    u = _minima(sweeps)[1]
    # The smallest third of the differences between two sweeps: three in ten may be bad and it still tells the scatter of the good.
    scale = max(float(np.quantile(np.concatenate(pairs), 1 / 3)) / THIRD, float(np.median(u)), 0.0005)
    return _mark_off(sweeps, np.concatenate(apart), max(6.0 * scale, 0.004), u, together=True)


def _minima(group: Sequence[Judged]) -> tuple[Array, Array]:
    bottoms = [j.bottom for j in group if j.bottom is not None]
    return np.array([b.minimum_mm for b in bottoms]), np.array([b.u_mm for b in bottoms])


def _mark_off(
    group: Sequence[Judged], apart: Array, limit: float, u: Array, *, most_may: bool = False, together: bool = False
) -> bool:
    """Mark what stands `apart` by more than `limit`, unless it is a second level or, where not `most_may`, most of them.

    Where seatings are judged `together` their middles blur a second level, and may lie on either.
    """
    bar = np.maximum(limit, 4.0 * u)
    far = np.flatnonzero(np.abs(apart) > bar)
    if far.size == 0:
        return False
    # Two levels that each repeat are bearing play, not bad sweeps; those that just miss the bar belong to the second level too.
    second = np.flatnonzero(np.abs(apart) > 0.6 * bar)
    own = float(np.median(u))
    if together:
        if second.size >= 2 and _second_level(np.abs(apart[second]), 1.5 * own):
            return False
    elif _second_level(apart[second], own) and second.size >= max(2, 0.2 * len(group)):
        return False
    if far.size > 0.5 * len(group) and not most_may:
        return False
    for i in far:
        group[int(i)].reasons.append("turned-back" if apart[i] > 0 else "off-the-set")
    return True


def _low_centre(m: Array) -> float:
    """Centre of the densest half of the values: half sweeps and knocks are a scattered minority."""
    x = np.sort(m)
    half = x.size // 2 + 1
    widths = x[half - 1 :] - x[: x.size - half + 1]
    at = int(np.argmin(widths))
    return float(np.median(x[at : at + half]))


def _lowest_that_agree(m: Array, own_u: float) -> float | None:
    """Level of the lowest few where they agree and most others are scattered far above; else None.

    An arbor that turns back stands too high, each time elsewhere, and never too low: however many turned back, those that went
    across agree with each other.
    """
    x = np.sort(m)
    agree = int(np.count_nonzero(x < x[0] + max(8.0 * own_u, 0.004)))
    above = x[agree:]
    if agree < 3 or above.size <= agree or float(np.median(above)) < x[0] + TURNED_MM:
        return None
    # Levels that repeat are play, however many there are.
    return float(np.median(x[:agree])) if np.median(np.diff(above)) > 2.0 * own_u else None


def _second_level(m: Array, own_u: float) -> bool:
    return bool(m.size >= 2 and float(np.ptp(m)) < max(8.0 * own_u, 0.004))
