"""Invented benches for judging the estimator: hands, links and displays it does not assume.

Nothing here is shared with the estimator or with the demo's simulated bench.  A hand is
a random smooth speed along a planned swing, not a spline; the noise is partly correlated;
arrivals are delayed and bunched after the fact.  All figures are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """One family of sets: how the hand moves, what the indicator does, what goes wrong."""

    name: str
    rate: float = 10.0
    step_mm: float = 0.001
    noise_mm: float = 0.001
    noise_rho: float = 0.2
    swing_deg: float = 10.0
    swing_s: float = 3.0
    uneven: float = 0.35
    dwell_s: float = 0.0
    rest_s: float = 0.0
    slow_over: float = 0.0
    rock: bool = False
    jitter_s: float = 0.002
    batch_s: float = 0.0
    lag_mm: float = 0.0
    seat_sd_mm: float = 0.0
    sweeps: int = 10
    seats: int = 1
    drift_mm_per_min: float = 0.0
    play_mm: float = 0.0
    play_kind: str = "two-level"
    knock_p: float = 0.0
    half_p: float = 0.0
    hole_mm: float = 0.0
    bore_mm: float = 0.0
    flat_tip_mm: float = 0.0
    hand: str = ""
    average_s: float = 0.0
    hold_s: float = 0.0
    bad_reading_p: float = 0.0
    missing_p: float = 0.0
    distance_mm: float = 61.3
    tip_mm: float = 1.5
    mirror: bool = False


@dataclass(frozen=True)
class Made:
    """A simulated stream with its truth."""

    t: Array
    counts: NDArray[np.int64]
    step_mm: float
    bottom_mm: float
    """Reading at the nearest point, seat and drift at their mean over the set."""
    sweep_t: Array
    """Times of the true passes over the bottom (of half sweeps: of the turning)."""
    sweep_mm: Array
    bad: NDArray[np.bool_]
    reseats: tuple[float, ...]
    device_t: Array
    """When each reading was really taken."""
    angle: Array
    """Angle from the normal at each reading, rad."""


def _smooth(rng: np.random.Generator, t: Array, scale_s: float, terms: int = 6) -> Array:
    """Smooth random function of unit variance with features of about `scale_s` seconds."""
    w = rng.normal(size=terms) * 2 * np.pi / (scale_s * 2.5)
    phase = rng.uniform(0, 2 * np.pi, terms)
    return np.asarray(np.sqrt(2 / terms) * np.sin(np.outer(t, w) + phase).sum(axis=1))


def _wandering(rng: np.random.Generator, duration: float, n: int, sd: float = 0.45, back_s: float = 0.25) -> Array:
    """Ornstein-Uhlenbeck process, smoothed over the 40 ms that a limb takes."""
    dt = duration / n
    keep = np.exp(-dt / back_s)
    kick = rng.normal(0.0, sd * np.sqrt(1 - keep**2), n)
    out = np.empty(n)
    level = rng.normal(0.0, sd)
    for i in range(n):
        level = keep * level + kick[i]
        out[i] = level
    width = max(1, round(0.04 / dt))
    padded = np.pad(out, 2 * width, mode="edge")
    box = np.ones(width) / width
    return np.asarray(np.convolve(np.convolve(padded, box, "same"), box, "same")[2 * width : 2 * width + n])


def _halting(rng: np.random.Generator, duration: float, start: float, stop: float) -> tuple[Array, Array]:
    """Stroke by stroke, with rests between and a step back now and then near the bottom."""
    way = np.sign(stop - start)
    now, at = 0.0, start
    t_parts, a_parts = [np.zeros(1)], [np.full(1, start)]
    while way * (stop - at) > 1e-9:
        near = abs(at) < 2.0
        step = min(rng.uniform(0.6, 1.6) if near else rng.uniform(2.0, 5.0), way * (stop - at))
        legs = [way * step] + ([-way * rng.uniform(0.05, 0.35)] if near and rng.random() < 0.5 else [])
        for leg in legs:
            x = np.linspace(0, 1, 60)[1:]
            took = max(0.12, 0.55 * duration * (abs(leg) / abs(stop - start)) ** 0.75)
            t_parts.append(now + took * x)
            a_parts.append(at + leg * x**3 * (10 - 15 * x + 6 * x * x))
            now, at = now + took, at + leg
        rest = rng.uniform(0.0, 0.35) if rng.random() < 0.6 else 0.0
        t_parts.append(np.array([now + rest + 1e-4]))
        a_parts.append(np.full(1, at))
        now += rest + 1e-4
    return np.concatenate(t_parts), np.concatenate(a_parts)


def _over_bore(theta: Array, distance: float, tip: float, radius: float) -> Array:
    """Extension of a ball over a bore deeper than the ball falls: on the face, on a rim, or on the bottom of the bore."""
    theta = np.abs(theta)
    face = (distance - tip) / np.cos(theta)
    stops = [np.where(face * np.sin(theta) >= radius, face, np.inf), (distance + 2.5 * radius - tip) / np.cos(theta)]
    for rim in (radius, -radius):
        # the ball's centre comes within its radius of the rim's point
        along = distance * np.cos(theta) + rim * np.sin(theta)
        room = along**2 - (distance**2 + rim**2 - tip**2)
        stops.append(np.where(room >= 0, along - np.sqrt(np.maximum(room, 0.0)), np.inf))
    return np.asarray(np.minimum.reduce(stops) + tip)


def _extension(case: Case, theta: Array) -> Array:
    """Distance from axis to tip contact, mm."""
    d = case.distance_mm
    if case.hole_mm:
        r = case.hole_mm / 2
        x = np.abs(d * np.tan(theta))
        return np.asarray(np.where(x < r, d / np.cos(theta) + (r - x) * 1.732, d / np.cos(theta)))
    if case.bore_mm:
        return _over_bore(theta, d, case.tip_mm, case.bore_mm / 2)
    if case.flat_tip_mm:
        return np.asarray((d - case.flat_tip_mm * np.abs(np.sin(theta))) / np.cos(theta))
    return np.asarray((d - case.tip_mm) / np.cos(theta) + case.tip_mm)


def _one_swing(rng: np.random.Generator, case: Case, start: float, stop: float) -> tuple[Array, Array]:
    """Angle (deg) against time (s) for one swing, on a fine grid."""
    span = abs(stop - start)
    duration = case.swing_s * (span / (2 * case.swing_deg)) * rng.uniform(0.8, 1.3)
    if case.hand == "halting":
        return _halting(rng, duration, start, stop)
    x = np.linspace(0, 1, 1200)
    if case.hand == "stroke":
        # Least jerk from rest to rest: the speed of a reaching arm (a model of the literature on movement, from memory).
        speed = 30 * (x * (1 - x)) ** 2 + 0.02
    elif case.hand == "wander":
        # A speed that wanders and is drawn back to its mean within a quarter of a second.
        speed = np.minimum(1.0, 12 * x * (1 - x) + 0.05) * np.exp(_wandering(rng, duration, x.size))
    else:
        shape = 6 * x * (1 - x) + 0.25  # slow at the ends, never still
        speed = shape * np.exp(case.uneven * _smooth(rng, x * duration, 0.9))
    path = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2)])
    angle = start + (stop - start) * path / path[-1]
    if case.slow_over:
        speed = speed * (1 - case.slow_over * np.exp(-(((angle - rng.normal(0, 0.5)) / 1.5) ** 2)))
        path = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2)])
        angle = start + (stop - start) * path / path[-1]
    dt = np.full(x.size - 1, duration / (x.size - 1))
    if case.dwell_s:
        at = rng.normal(0, 0.35)
        stay = case.dwell_s * rng.uniform(0.5, 1.5)
        near = np.exp(-(((angle[1:] - at) / 0.15) ** 2))
        if near.sum() > 0:
            dt = dt + stay * near / near.sum()
    if case.rest_s:
        # A dead stop, anywhere within a degree of the bottom.
        dt[int(np.argmin(np.abs(angle[1:] - rng.normal(0, 0.35))))] += case.rest_s * rng.uniform(0.3, 1.7)
    return np.concatenate([[0.0], np.cumsum(dt)]), angle


def make(case: Case, seed: int) -> Made:
    """One set of sweeps under `case`."""
    rng = np.random.default_rng([seed, 7919])
    offset = rng.uniform(-0.4, 0.4)  # where the display's steps lie against the face
    t_parts: list[Array] = []
    a_parts: list[Array] = []
    seat_parts: list[Array] = []
    sweep_t: list[float] = []
    sweep_seat: list[float] = []
    bad: list[bool] = []
    sweep_extra: list[float] = []
    reseats: list[float] = []
    now = rng.uniform(0.3, 1.0)
    amp = case.swing_deg
    side = -1.0
    angle0 = side * amp * rng.uniform(0.8, 1.15)
    per_seat = [case.sweeps // case.seats + (1 if i < case.sweeps % case.seats else 0) for i in range(case.seats)]
    play_parts: list[Array] = []
    knocks: list[tuple[float, float, float]] = []
    for seat, count in enumerate(per_seat):
        shift = rng.normal(0, case.seat_sd_mm) if case.seat_sd_mm else 0.0
        if seat:
            reseats.append(now)
            now += rng.uniform(2.0, 4.0)
        done = 0
        while done < count:
            half = rng.random() < case.half_p
            if half:
                turn = -side * 0 + side * rng.uniform(1.5, 4.0)  # stops short of the normal
                ts, ang = _one_swing(rng, case, angle0, turn)
                ts2, ang2 = _one_swing(rng, case, turn, side * amp * rng.uniform(0.8, 1.15))
                tt = np.concatenate([ts, ts[-1] + ts2[1:]])
                aa = np.concatenate([ang, ang2[1:]])
                bottom_at = ts[-1]
                end = aa[-1]
            else:
                end = -side * amp * rng.uniform(0.8, 1.15)
                tt, aa = _one_swing(rng, case, angle0, end)
                bottom_at = float(np.interp(0.0, aa, tt) if aa[-1] > aa[0] else np.interp(0.0, -aa, tt))
                if case.hand == "halting":
                    bottom_at = float(tt[int(np.argmin(np.abs(aa)))])
                done += 1
            level = 0.0
            moved = np.full(tt.size, 0.0)
            if case.play_mm:
                if case.play_kind == "two-level":
                    level = case.play_mm * float(rng.random() < 0.5)
                    moved[:] = level
                elif case.play_kind == "late":
                    level = case.play_mm * float(2 * done > case.sweeps)
                    moved[:] = level
                elif case.play_kind == "three":
                    level = 0.5 * case.play_mm * float(rng.integers(0, 3))
                    moved[:] = level
                elif case.play_kind == "floats":
                    level = case.play_mm * rng.random()
                    moved[:] = level
                elif case.play_kind == "heading":
                    level = case.play_mm * float(side < 0)
                    moved[:] = level
                else:
                    at = bottom_at + rng.normal(0, 0.25 * tt[-1])
                    moved = case.play_mm / (1 + np.exp(-(tt - at) / 0.02))
                    level = 0.5 * case.play_mm
            is_bad = half
            if rng.random() < case.knock_p and not half:
                size = rng.choice([-1, 1]) * rng.uniform(0.03, 0.25)
                knocks.append((now + bottom_at + rng.normal(0, 0.12), size, rng.uniform(0.05, 0.2)))
                is_bad = True
            sweep_t.append(now + bottom_at)
            sweep_seat.append(shift)
            sweep_extra.append(level)
            bad.append(is_bad)
            t_parts.append(now + tt)
            a_parts.append(aa)
            seat_parts.append(np.full(tt.size, shift))
            play_parts.append(moved)
            pause = 0.0 if case.rock else rng.uniform(0.1, 0.6)
            now += tt[-1] + pause + 1e-3
            angle0 = end
            side = float(np.sign(end))
    t_fine = np.concatenate(t_parts)
    deg = np.concatenate(a_parts)
    seat_fine = np.concatenate(seat_parts)
    play_fine = np.concatenate(play_parts)
    # the indicator's own clock, not quite its nominal rate
    period = (1 / case.rate) * (1 + rng.normal(0, 0.01))
    t_dev = np.arange(rng.uniform(0, period), t_fine[-1] + 0.2, period)
    theta = np.radians(np.interp(t_dev, t_fine, deg))
    mid = float(np.mean(sweep_t))

    def seen(t: Array) -> Array:
        """What the plunger follows."""
        at = np.radians(np.interp(t, t_fine, deg))
        moved = np.interp(t, t_fine, seat_fine) + np.interp(t, t_fine, play_fine)
        return _extension(case, at) - case.distance_mm + moved + case.drift_mm_per_min * (t - mid) / 60

    # a display that holds its value sends it again until it has measured anew
    t_seen = np.floor(t_dev / case.hold_s) * case.hold_s if case.hold_s else t_dev
    if case.average_s:
        y = np.mean([seen(t_seen - (i + 0.5) / 15 * case.average_s) for i in range(15)], axis=0)
    else:
        y = seen(t_seen)
    for at, size, width in knocks:
        y = y + size * np.where(t_dev >= at, np.exp(-(t_dev - at) / width), 0.0) * (t_dev < at + 4 * width)
    if case.lag_mm:
        out = np.empty_like(y)
        hold = y[0]
        for i, v in enumerate(y):
            hold = min(max(hold, v - case.lag_mm / 2), v + case.lag_mm / 2)
            out[i] = hold
        y = out
    white = rng.normal(size=y.size)
    noise = np.empty_like(y)
    carry = 0.0
    for i, w in enumerate(white):
        carry = case.noise_rho * carry + np.sqrt(1 - case.noise_rho**2) * w
        noise[i] = carry
    if case.hold_s:
        noise = noise[np.searchsorted(t_seen, t_seen)]
    shown = offset + y + case.noise_mm * noise
    if case.mirror:
        shown = -shown
    counts = np.rint(shown / case.step_mm).astype(np.int64)
    if case.bad_reading_p:
        hit = rng.random(counts.size) < case.bad_reading_p
        counts = counts + (hit * rng.normal(0, 0.3, counts.size) / case.step_mm).astype(np.int64)
    arrive = t_dev + np.abs(rng.normal(0, case.jitter_s, t_dev.size))
    if case.batch_s:
        phase = rng.uniform(0, case.batch_s)
        arrive = np.ceil((t_dev - phase + rng.uniform(0, 0.004, t_dev.size)) / case.batch_s) * case.batch_s + phase
    arrive = np.maximum.accumulate(arrive)
    if case.missing_p:
        there = rng.random(counts.size) >= case.missing_p
        arrive, counts, t_dev, theta = arrive[there], counts[there], t_dev[there], theta[there]
    sign = -1.0 if case.mirror else 1.0
    return Made(
        t=arrive,
        counts=counts,
        step_mm=case.step_mm,
        bottom_mm=sign * offset,
        sweep_t=np.array(sweep_t),
        sweep_mm=sign
        * (
            offset
            + np.array(sweep_seat)
            + np.array(sweep_extra)
            + case.drift_mm_per_min * (np.array(sweep_t) - mid) / 60
        ),
        bad=np.array(bad),
        reseats=tuple(reseats),
        device_t=t_dev,
        angle=theta,
    )


STEADY = Case("steady 10/s")
FAMILIES: tuple[Case, ...] = (
    STEADY,
    replace(STEADY, name="steady 50/s", rate=50, noise_rho=0.4),
    replace(STEADY, name="steady 100/s", rate=100, noise_rho=0.6),
    replace(STEADY, name="slow 5/s", rate=5, swing_s=6),
    replace(STEADY, name="rock ±2°", swing_deg=2.2, swing_s=2.0, rock=True),
    replace(STEADY, name="dwell", dwell_s=1.0),
    replace(STEADY, name="dead stop", rest_s=1.0, rate=15),
    replace(STEADY, name="slows over it", slow_over=0.8, rate=20),
    replace(STEADY, name="batched 50 ms", rate=30, batch_s=0.05),
    replace(STEADY, name="batched 30 ms", rate=20, batch_s=0.03, jitter_s=0.03),
    replace(STEADY, name="0.01 mm", step_mm=0.01, rate=20),
    replace(STEADY, name="0.01 mm slow hand", step_mm=0.01, rate=10, swing_s=6),
    replace(STEADY, name="0.01 mm 10/s", step_mm=0.01),
    replace(STEADY, name="0.0005 in", step_mm=0.0127, rate=20),
    replace(STEADY, name="0.0005 in 10/s", step_mm=0.0127),
    replace(STEADY, name="lag 2 µm", lag_mm=0.002, rate=20),
    replace(STEADY, name="noise 2 µm", noise_mm=0.002, rate=20),
    replace(STEADY, name="very uneven", uneven=0.7, rate=20),
    replace(STEADY, name="readings lost", missing_p=0.03, rate=15),
    replace(STEADY, name="sent five times", hold_s=0.1, rate=50),
    replace(STEADY, name="stroke 20/s", hand="stroke", rate=20),
    replace(STEADY, name="wander 15/s", hand="wander", rate=15),
    replace(STEADY, name="re-seated", seats=3, sweeps=12, seat_sd_mm=0.002, rate=20),
)

AVERAGING: tuple[Case, ...] = (
    replace(STEADY, name="averages 0.1 s", average_s=0.1, rate=20),
    replace(STEADY, name="averages 0.2 s quick", average_s=0.2, swing_s=2.0, rate=30, hand="stroke"),
    replace(STEADY, name="averages 0.3 s", average_s=0.3, rate=15),
)

HARD: tuple[Case, ...] = (
    replace(STEADY, name="lag 5 µm", lag_mm=0.005, rate=20),
    replace(STEADY, name="lag 5 µm 10/s", lag_mm=0.005),
    replace(STEADY, name="lag 5 µm wander", lag_mm=0.005, rate=20, hand="wander"),
    replace(STEADY, name="halting 15/s", hand="halting", rate=15),
    replace(STEADY, name="halting 50/s", hand="halting", rate=50),
    replace(STEADY, name="halting 0.01 mm", hand="halting", rate=30, step_mm=0.01),
    replace(STEADY, name="bore 1.2 mm, ball 4 mm", bore_mm=1.2, tip_mm=4.0, rate=20),
    replace(STEADY, name="flat tip 0.6 mm", flat_tip_mm=0.6, rate=20),
)

SPOILT: tuple[Case, ...] = (
    replace(STEADY, name="knocks", rate=20, knock_p=0.25),
    replace(STEADY, name="knocks 10/s", knock_p=0.25),
    replace(STEADY, name="knocks 0.01 mm", rate=20, step_mm=0.01, knock_p=0.25),
    replace(STEADY, name="half sweeps", half_p=0.2),
    replace(STEADY, name="half and half", half_p=0.5, rate=20),
    replace(STEADY, name="half 0.01 mm", half_p=0.2, rate=20, step_mm=0.01),
    replace(STEADY, name="open hole 2 mm", hole_mm=2, rate=20),
    replace(STEADY, name="open hole 4 mm", hole_mm=4),
    replace(STEADY, name="open hole 3 mm 0.01", hole_mm=3, rate=20, step_mm=0.01),
    replace(STEADY, name="bore 5 mm 100/s", bore_mm=5, tip_mm=3, rate=100, hand="stroke"),
    replace(STEADY, name="bore 8 mm", bore_mm=8, tip_mm=2, rate=20, hand="wander"),
    replace(STEADY, name="bore 11 mm 0.01", bore_mm=11, rate=20, step_mm=0.01),
    replace(STEADY, name="flat tip 1.0 mm", flat_tip_mm=1.0, rate=20),
    replace(STEADY, name="flat tip 1.5 mm", flat_tip_mm=1.5),
    replace(STEADY, name="too fast", rate=5, swing_s=1.0),
    replace(STEADY, name="too fast 0.01 mm", step_mm=0.01, swing_s=0.75),
    replace(STEADY, name="quick 10/s 1.5 s", swing_s=1.5),
    replace(STEADY, name="garbled 1 %", bad_reading_p=0.01, rate=20),
)

PLAY: tuple[Case, ...] = (
    replace(STEADY, name="play 10 two levels", play_mm=0.01),
    replace(STEADY, name="play 10 heading", play_mm=0.01, play_kind="heading"),
    replace(STEADY, name="play 10 inside", play_mm=0.01, play_kind="step", rate=20),
    replace(STEADY, name="play 20 on 0.01 mm", play_mm=0.02, step_mm=0.01, rate=20),
    replace(STEADY, name="play 20 heading 0.01", play_mm=0.02, step_mm=0.01, rate=20, play_kind="heading"),
)

PLAY_SHAPES: tuple[Case, ...] = (
    replace(STEADY, name="play 10 once", play_mm=0.01, play_kind="late"),
    replace(STEADY, name="play 10 three levels", play_mm=0.01, play_kind="three"),
    replace(STEADY, name="play 10 floats", play_mm=0.01, play_kind="floats"),
    replace(STEADY, name="play 30 three levels", play_mm=0.03, play_kind="three", rate=20, hand="wander"),
    replace(STEADY, name="play 30 inside wander", play_mm=0.03, play_kind="step", rate=20, hand="wander"),
    replace(STEADY, name="play 20 once 0.01", play_mm=0.02, play_kind="late", rate=20, step_mm=0.01),
    replace(STEADY, name="play 20 floats 0.01", play_mm=0.02, play_kind="floats", rate=20, step_mm=0.01),
)

NO_PLAY: tuple[Case, ...] = (
    replace(STEADY, name="drift 5 µm/min", drift_mm_per_min=0.005),
    replace(STEADY, name="drift 30 µm/min", drift_mm_per_min=0.03, rate=20),
    replace(STEADY, name="drift 0.01 mm", drift_mm_per_min=0.02, rate=20, step_mm=0.01),
    replace(STEADY, name="re-seats 5 µm", seats=3, sweeps=12, seat_sd_mm=0.005),
    replace(STEADY, name="lag 4 µm", lag_mm=0.004, rate=20),
    replace(STEADY, name="lag 4 µm 0.01 mm", lag_mm=0.004, rate=20, step_mm=0.01),
)
