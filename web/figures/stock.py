"""The choice from the box against the stack that is needed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from web.figures.drawing import BAND, DEEP, INK, SOFT, Figure, canvas, is_narrow, listed, percent

HATCHES = ("", "////", "....", "xxxx", "\\\\\\\\", "++++")


def stock(result: Mapping[str, Any], *, name: str = "stock") -> Figure | None:
    """Stacks of shims as bars of pieces: the choice, the runner-up, the grades to order, with the needed thickness.

    Parameters
    ----------
    result : mapping
        One line of ``analyse --json``.

    Returns
    -------
    Figure or None
        None where there is nothing to choose.
    """
    shim = result.get("shim")
    if not shim or shim["stack_mm"] is None:
        return None
    need, tolerance = shim["stack_mm"], result["depth"].get("tolerance_mm")
    rows = _rows(shim)
    if not rows:
        return None
    with canvas(name, 1, 1.2 + 0.55 * len(rows)) as d:
        a = d.axes[0]
        if tolerance:
            a.axvspan(need - tolerance, need + tolerance, color=BAND, zorder=0)
        a.axvline(need, color=DEEP, linewidth=1.6, linestyle=(0, (5, 2)))
        edge = need + (tolerance or 0.0)

        def beyond(end: float) -> float:
            """Where words after a bar stand clear of the band."""
            return max(end, edge) if end > 0.6 * need else end

        named = []
        for i, (row, pieces, _, chance) in enumerate(rows):
            at = 0.0
            for k, (label, thick) in enumerate(pieces):
                a.barh(i, thick, left=at, height=0.6, facecolor="none", edgecolor=INK, hatch=HATCHES[k % len(HATCHES)])
                text = f"{label}\n{thick:.3f}" if is_narrow() else f"{label} {thick:.3f}"
                box = {"boxstyle": "round,pad=0.2", "facecolor": "white", "edgecolor": "none"}
                a.annotate(text, (at + thick / 2, i), ha="center", va="center", fontsize=8, color=INK, bbox=box)
                at += thick
            if is_narrow():
                named.append(f"{row}\n{at:.3f} mm" + chance.replace(", ", "\n"))
                continue
            named.append(row)
            a.annotate(
                f"{at:.3f} mm{chance}",
                (beyond(at), i),
                xytext=(5, 0),
                textcoords="offset points",
                va="center",
                fontsize=8.5,
            )
        a.set_yticks(range(len(rows)), named)
        a.invert_yaxis()
        widest = max(need, *(sum(p[1] for p in r[1]) for r in rows))
        a.set_xlim(0.0, (1.05 if is_narrow() else 1.4) * max(widest, edge))
        apart = "\n" if is_narrow() else "   "
        a.set_xlabel(
            f"thickness, mm{apart}(dashed: needed, {need:.3f}" + (f"; band: ± {tolerance:.3f})" if tolerance else ")")
        )
        a.tick_params(axis="y", length=0)
        a.spines["left"].set_color(SOFT)
        _, pieces, error, _ = rows[0]
        ids = " + ".join(p[0] for p in pieces)
        if shim["stock"]:
            title = (
                f"{ids} makes {sum(p[1] for p in pieces):.3f} mm of the {need:.3f} mm needed; leaves {error:+.3f} mm"
            )
        elif shim["order"]:
            title = f"Nothing in the box fits {need:.3f} mm: order {shim['order'][0]['thickness']} {shim['order'][0]['unit']}"
        else:
            title = f"Nothing in the box fits the {need:.3f} mm needed"
        told = [
            f"{row}: {' + '.join(f'{p} {x:.3f}' for p, x in ps)} = {sum(x for _, x in ps):.3f} mm, leaves {e:+.3f} mm of error"
            for row, ps, e, _ in rows
        ]
        d.say(title, f"Needed {need:.3f} mm. {listed(told)}.")
    return d.result()


def _rows(shim: Mapping[str, Any]) -> list[tuple[str, list[tuple[str, float]], float, str]]:
    """Name, pieces, error left (mm) and chance, as text, of each stack worth showing."""
    rows = []
    for key, label in (("stock", "choice"), ("fallback", "fallback"), ("runner_up", "runner-up")):
        c = shim.get(key)
        if c:
            pieces = [(p["id"], p["thickness_mm"]) for p in c["pieces"]]
            chance = "" if c["p_within"] is None else f", {percent(c['p_within'])} within"
            rows.append((label, pieces, c["predicted_error_mm"], chance))
    for o in shim["order"]:
        rows.append((f"order: {o['role']}", [("", o["thickness_mm"])], o["predicted_error_mm"], ""))
    return rows
