"""What the uncertainty is made of."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from web.figures.drawing import DEEP, INK, SOFT, Figure, canvas, is_narrow, listed, percent, um


def budget(result: Mapping[str, Any], *, name: str = "budget") -> Figure:
    """Bars of the uncertainty budget, largest first: filled for readings (A), hatched for what is stated (B).

    Parameters
    ----------
    result : mapping
        One line of ``analyse --json``; the set's own budget is drawn where no distance is given.
    """
    whose = "depth" if result["depth"].get("budget") else "set"
    lines = sorted(result[whose]["budget"], key=lambda x: -x["u_mm"])
    with canvas(name, 1, 0.9 + 0.36 * max(len(lines), 1)) as d:
        a = d.axes[0]
        if not lines:
            a.set_axis_off()
            d.say("No uncertainty yet", "No sweep was accepted, so there is no uncertainty budget.")
        else:
            whole = sum(x["u_mm"] ** 2 for x in lines)
            for i, x in enumerate(lines):
                stated = x["kind"] == "B"
                a.barh(
                    i,
                    1000.0 * x["u_mm"],
                    height=0.62,
                    facecolor="none" if stated else DEEP,
                    edgecolor=DEEP,
                    hatch="////" if stated else None,
                )
                share = (
                    f"{1000.0 * x['u_mm']:.2f} µm{chr(10) if is_narrow() else '  '}({percent(x['u_mm'] ** 2 / whole)})"
                )
                a.annotate(
                    share,
                    (1000.0 * x["u_mm"], i),
                    xytext=(5, 0),
                    textcoords="offset points",
                    va="center",
                    color=INK,
                    fontsize=8 if is_narrow() else 9.5,
                )
            a.set_yticks(range(len(lines)), [f"{x['name']} ({x['kind']})" for x in lines])
            a.invert_yaxis()
            a.set_xlim(0.0, (2200.0 if is_narrow() else 1300.0) * lines[0]["u_mm"])
            apart = "\n" if is_narrow() else "   "
            a.set_xlabel(f"standard uncertainty, µm{apart}(share of the variance)")
            a.tick_params(axis="y", length=0)
            a.grid(axis="x")
            a.spines["left"].set_color(SOFT)
            first = lines[0]
            part = 100.0 * first["u_mm"] ** 2 / whole
            most = "Most of the uncertainty" if part > 50 else "Largest share of the uncertainty"
            total = whole**0.5
            of = "distance" if whose == "depth" else "minimum"
            d.say(
                f"{most}: {first['name']} ({part:.0f} %); all together {um(total)}",
                f"Uncertainty budget of the {of}, largest first: "
                + listed([f"{x['name']} {1000 * x['u_mm']:.2f} µm (type {x['kind']}, {x['source']})" for x in lines])
                + f". Combined standard uncertainty {1000 * total:.2f} µm.",
            )
    return d.result()
