"""The bottoms of a set along time, by heading."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from web.figures.drawing import BAD, DEEP, INK, SOFT, Figure, canvas, key, listed, um

DRIFT_P = 0.01
"""Below this a drift is named."""


def drift(result: Mapping[str, Any], *, name: str = "drift") -> Figure:
    """Bottoms along time, out and back told apart by shape, with the line of a steady drift."""
    st, play = result["set"], result["play"]
    good = [s for s in result["sweeps"] if s["accepted"]]
    with canvas(name, 1, 2.9) as d:
        a = d.axes[0]
        a.set_xlabel("time, min")
        a.set_ylabel("bottom less mean, µm")
        a.axhline(0.0, color=SOFT, linewidth=0.8)
        a.grid(axis="y")
        if not good:
            d.say("No accepted sweep", "No sweep was accepted, so neither drift nor heading can be seen.")
        else:
            mean = float(np.mean([s["minimum_mm"] for s in good]))
            means = {}
            for heading, mark, face in (("out", ">", INK), ("back", "<", "white")):
                mine = [s for s in good if s["heading"] == heading]
                if not mine:
                    continue
                y = [1000.0 * (s["minimum_mm"] - mean) for s in mine]
                means[heading] = float(np.mean(y))
                a.plot(
                    [s["bottom_s"] / 60.0 for s in mine],
                    y,
                    mark,
                    color=INK,
                    markerfacecolor=face,
                    markersize=7,
                    label=heading,
                )
                a.axhline(means[heading], color=DEEP, linewidth=1.0, linestyle="-" if heading == "out" else (0, (5, 3)))
            slope, p = st["drift_mm_per_min"], st["drift_p"]
            moving = slope is not None and p is not None and p < DRIFT_P
            if moving:
                at = np.array([s["bottom_s"] / 60.0 for s in good])
                a.plot(at, 1000.0 * slope * (at - at.mean()), "-", color=BAD, linewidth=1.4, label="drift")
            key(a, 3)
            gap = abs(means["out"] - means["back"]) if len(means) == 2 else None
            told = [f"drift {1000 * slope:+.1f} µm a minute" if moving else "no drift shows"]
            if gap is not None:
                by = play["pattern"] == "heading" and play["finding"] in ("present", "suspected")
                told.append(f"out and back differ by {gap:.1f} µm" + (": play by heading" if by else ""))
            title = "; ".join(told)
            how = (
                "not known"
                if slope is None
                else f"{1000 * slope:+.2f} µm a minute" + ("" if p is None else f" (p = {p:.3g})")
            )
            levels = listed([f"{k} {v:+.2f} µm" for k, v in means.items()])
            d.say(
                title[0].upper() + title[1:],
                f"Bottoms of {len(good)} accepted sweeps along time. Mean by heading, less the mean of all: {levels}. Drift: {how}. "
                f"Spread of all: {um(float(np.ptp([s['minimum_mm'] for s in good])))}.",
            )
    return d.result()
