"""The ring gear all round: backlash and run-out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from web.figures.drawing import BAND, DEEP, INK, SOFT, Figure, canvas, is_narrow, key, listed

PLATE = {"boxstyle": "round,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.7}


def backlash(found: Mapping[str, Any], limits: tuple[float, float] | None = None, *, name: str = "backlash") -> Figure:
    """Backlash at each place round the ring, the tight spot marked, between its limits where they are known.

    Parameters
    ----------
    found : mapping
        ``carrier.backlash`` of a job's plain data.
    limits : tuple of float, optional
        Least and largest backlash allowed, mm.
    """
    places = [float(x) for x in found["places_mm"]]
    n, tight = len(places), int(found["tight_spot"])
    with canvas(name, 1, 3.9) as d:
        d.axes[0].remove()
        a: Any = d.figure.add_subplot(projection="polar")
        a.set_theta_zero_location("N")
        a.set_theta_direction(-1)
        angle = [2 * math.pi * k / n for k in range(n)]
        round_ = np.linspace(0, 2 * math.pi, 181)
        if limits is not None:
            a.fill_between(round_, limits[0], limits[1], color=BAND, zorder=0)
            for x, dash in zip(limits, ((0, (6, 3)), (0, (2, 2))), strict=True):
                a.plot(round_, np.full(round_.size, x), color=SOFT, linewidth=1.0, linestyle=dash)
        a.plot([*angle, angle[0]], [*places, places[0]], color=DEEP, linewidth=1.2)
        for k, (t, x) in enumerate(zip(angle, places, strict=True), start=1):
            here = k == tight
            a.plot([t], [x], marker="v" if here else "o", color=INK, markersize=9 if here else 5, linestyle="")
            a.annotate(f"{x:.3f}", (t, x), xytext=(7, 7), textcoords="offset points", fontsize=8.5, bbox=PLATE)
        a.set_xticks(angle, [f"place {k}" for k in range(1, n + 1)])
        a.set_rlim(0.0, 1.2 * max([*places, *(limits or ())]))
        a.set_rlabel_position(180.0 / n)
        a.tick_params(axis="y", labelsize=7.5)
        a.grid(color=SOFT, linewidth=0.4)
        d.say(
            f"Backlash {found['smallest_mm']:.3f} to {found['largest_mm']:.3f} mm round the ring, tight spot at place {tight}",
            f"Backlash by place: {listed([f'place {k} {x:.3f} mm' for k, x in enumerate(places, start=1)])}. Mean {found['mean_mm']:.3f} mm, "
            f"spread {found['spread_mm']:.3f} mm; a triangle marks the tight spot."
            + ("" if limits is None else f" Allowed from {limits[0]:.3f} (dashed) to {limits[1]:.3f} mm (dotted)."),
        )
    return d.result()


def run_out(
    heights: Sequence[float], found: Mapping[str, Any], limit: float | None = None, *, name: str = "runout"
) -> Figure:
    """Run-out of the back face: each place, and the one wave a turn in it.

    Parameters
    ----------
    heights : sequence of float
        Readings over one turn, mm.
    found : mapping
        ``run_out`` of a reading in a job's plain data.
    limit : float, optional
        Largest run-out allowed, mm.
    """
    n = len(heights)
    x = np.asarray(heights, dtype=float) * 1000.0
    mean = float(x.mean())
    wave = 2.0 / n * complex(np.sum((x - mean) * np.exp(-2j * math.pi * np.arange(n) / n)))
    with canvas(name, 1, 2.9) as d:
        a = d.axes[0]
        fine = np.linspace(0, n, 200)
        a.plot(
            fine + 1,
            np.real(wave * np.exp(2j * math.pi * fine / n)),
            color=DEEP,
            linestyle=(0, (5, 2)),
            label="one wave a turn",
        )
        a.plot(np.arange(1, n + 1), x - mean, marker="o", linestyle="", color=INK, label="reading less mean")
        if limit is not None:
            a.axhspan(-500.0 * limit, 500.0 * limit, color=BAND, zorder=0, label=f"allowed in all: {limit:.3f} mm")
        a.set_xticks(range(1, n + 1))
        a.set_xlabel("place")
        a.set_ylabel("back face, µm")
        a.grid(axis="y")
        key(a, 1 if is_narrow() else 3)
        d.say(
            f"Run-out {found['total_mm']:.3f} mm in all, {found['first_harmonic_mm']:.3f} mm of it one wave a turn",
            f"Back face less its mean, place by place: {listed([f'{k} {y:+.0f} µm' for k, y in enumerate(x - mean, start=1)])}. Highest at place "
            f"{found['highest_at']}." + ("" if limit is None else f" Allowed {limit:.3f} mm in all."),
        )
    return d.result()
