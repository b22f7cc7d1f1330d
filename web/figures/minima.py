"""The bottoms of a set by seating, against the tolerance."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from analysis.distributions import t_quantile
from web.figures.drawing import BAD, BAND, DEEP, INK, MARKS, SOFT, Figure, canvas, key, listed

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def minima(
    result: Mapping[str, Any], *, sense: Literal["grows", "shrinks"] | None = None, name: str = "minima"
) -> Figure:
    """Bottoms by seating with their intervals, the mean with its own, and the tolerance where a target is known.

    Parameters
    ----------
    result : mapping
        One line of ``analyse --json``.
    sense : {"grows", "shrinks"}, optional
        Which way the display goes as the face gets farther away; without it the tolerance cannot be drawn.
    name : str
        Identifier; give each figure of a page its own.
    """
    good = [s for s in result["sweeps"] if s["accepted"]]
    mean = result["set"]["minimum_mm"]
    with canvas(name, 1, 3.3) as d:
        a = d.axes[0]
        if mean is None:
            a.text(0.5, 0.5, "no accepted sweep", ha="center", transform=a.transAxes)
            a.set_axis_off()
            d.say("No accepted sweep", "No sweep was accepted, so there is nothing to compare.")
        else:
            half, band = _half(result), _tolerance(result, sense)
            _scale(a, good, mean, half, band)
            _tolerance_band(a, band)
            _bottoms(a, result, good)
            if half is not None:
                a.axhspan(
                    mean - half, mean + half, facecolor="none", edgecolor=DEEP, hatch="///", linewidth=0, alpha=0.6
                )
            a.axhline(mean, color=DEEP, linewidth=1.4)
            a.set_xticks(range(len(result["sweeps"])), [str(s["n"]) for s in result["sweeps"]])
            a.set_xlabel("sweep")
            a.set_ylabel("bottom on the display, mm")
            key(a, 5)
            d.say(*_words(result, good, half, band))
    return d.result()


def _scale(
    a: Axes, good: list[dict[str, Any]], mean: float, half: float | None, band: tuple[float, float] | None
) -> None:
    values = [s["minimum_mm"] for s in good]
    room = max(2.5 * max(s["u_mm"] for s in good), 0.4 * float(np.ptp(values)), 0.001)
    low, high = min(values) - room, max(values) + room
    if half is not None:
        low, high = min(low, mean - 1.2 * half), max(high, mean + 1.2 * half)
    if band is not None:
        edge = 0.12 * (band[1] - band[0])
        low, high = min(low, band[0] - edge), max(high, band[1] + edge)
    a.set_ylim(low, high)


def _tolerance_band(a: Axes, band: tuple[float, float] | None) -> None:
    if band is None:
        return
    a.axhspan(*band, color=BAND, zorder=0)
    for limit, label, way in zip(band, ("lower limit", "upper limit"), (-1, 1), strict=True):
        a.axhline(limit, color=SOFT, linewidth=1.2, linestyle=(0, (6, 3)))
        a.annotate(
            label,
            (0.995, limit),
            xycoords=("axes fraction", "data"),
            xytext=(0, 2 * way),
            textcoords="offset points",
            ha="right",
            va="bottom" if way > 0 else "top",
            fontsize=8,
        )


def _bottoms(a: Axes, result: Mapping[str, Any], good: list[dict[str, Any]]) -> None:
    place = {s["n"]: i for i, s in enumerate(result["sweeps"])}
    for k, seat in enumerate(sorted({s["seat"] for s in good})):
        mine = [s for s in good if s["seat"] == seat]
        a.errorbar(
            [place[s["n"]] for s in mine],
            [s["minimum_mm"] for s in mine],
            yerr=[1.96 * s["u_mm"] for s in mine],
            fmt=MARKS[k % len(MARKS)],
            color=INK,
            ecolor=SOFT,
            markersize=5,
            markerfacecolor="white" if k % 2 else INK,
            capsize=2,
            linewidth=1,
            label=f"seating {seat}",
        )
        if k:
            a.axvline(place[mine[0]["n"]] - 0.5, color=SOFT, linewidth=0.6, linestyle=":")
    from matplotlib.markers import CARETDOWNBASE, CARETUPBASE

    low, high = a.get_ylim()
    label: str | None = "rejected (arrow: off this scale)"
    for s in _out(result):
        y = min(max(s["minimum_mm"], low), high)
        mark = "x" if y == s["minimum_mm"] else CARETUPBASE if y == high else CARETDOWNBASE
        a.plot([place[s["n"]]], [y], linestyle="", marker=mark, color=BAD, markersize=7, label=label, clip_on=False)
        label = None


def _out(result: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [s for s in result["sweeps"] if not s["accepted"] and s["minimum_mm"] is not None]


def _words(
    result: Mapping[str, Any], good: list[dict[str, Any]], half: float | None, band: tuple[float, float] | None
) -> tuple[str, str]:
    mean, depth = result["set"]["minimum_mm"], result["depth"]
    seats = sorted({s["seat"] for s in good})
    sure = " mm" if half is None else f" ± {half:.4f} mm"
    many = f"{len(seats)} seating{'s' * (len(seats) != 1)}"
    title = f"{len(good)} sweep{'s' * (len(good) != 1)} in {many}: {mean:.4f}{sure}"
    if band is not None:
        title += f"; against the tolerance: {depth['ruling']}"
    level = listed([f"seating {k} {np.mean([s['minimum_mm'] for s in good if s['seat'] == k]):.4f} mm" for k in seats])
    alt = f"Bottoms of {len(good)} accepted sweeps with their 95 % intervals: {level}. Mean {mean:.4f}{sure}."
    if band is not None:
        alt += f" The tolerance runs from {band[0]:.4f} to {band[1]:.4f} mm on the display."
    out = _out(result)
    if out:
        alt += f" {len(out)} rejected sweep{'s' * (len(out) != 1)} with a bottom of {'their' if len(out) != 1 else 'its'} own left out."
    return title, alt


def _half(result: Mapping[str, Any]) -> float | None:
    """Half width of the set's own 95 % interval, mm."""
    u, dof = result["set"]["u_mm"], result["set"]["dof"]
    return None if u is None else float(u * t_quantile(0.975, float("inf") if dof is None else dof))


def _tolerance(result: Mapping[str, Any], sense: str | None) -> tuple[float, float] | None:
    """The tolerance as it lies on the display."""
    d, mean = result["depth"], result["set"]["minimum_mm"]
    if d.get("error_mm") is None or not d.get("tolerance_mm") or sense is None:
        return None
    on_target = mean - (1 if sense == "grows" else -1) * d["error_mm"]
    return on_target - d["tolerance_mm"], on_target + d["tolerance_mm"]
