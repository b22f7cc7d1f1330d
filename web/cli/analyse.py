"""``shimwright analyse``."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from capture.analyse import analyse_many

SHOW_PROGRESS_AFTER_S = 1.0


def analyse_command(streams: Sequence[Path], setup_path: Path | None, json_lines: bool, workers: int | None) -> int:
    """Exit code: 0, or 1 if a stream could not be read."""
    setup = None
    if setup_path is not None:
        from capture.setup_file import load_setup

        setup = load_setup(setup_path)
    failed = False
    for result in _progress(analyse_many(streams, setup, workers), len(streams)):
        if "error" in result:
            failed = True
            sys.stderr.write(f"shimwright: {result['error']}\n")
        if json_lines:
            sys.stdout.write(json.dumps(result, separators=(",", ":")) + "\n")
            sys.stdout.flush()
        elif "error" not in result:
            sys.stdout.write(table(result))
    return 1 if failed else 0


def _progress(results: Iterable[dict[str, Any]], total: int) -> Iterator[dict[str, Any]]:
    """A line of progress on a terminal once the work takes over a second."""
    begin = time.monotonic()
    shown = False
    for n, result in enumerate(results, start=1):
        if shown:
            sys.stderr.write("\r" + " " * 60 + "\r")
        yield result
        if total > 1 and n < total and sys.stderr.isatty() and time.monotonic() - begin > SHOW_PROGRESS_AFTER_S:
            full = 30 * n // total
            sys.stderr.write(f"\r{'█' * full}{'·' * (30 - full)} {n} of {total} streams ")
            sys.stderr.flush()
            shown = True


def _mm(x: float | None, places: int = 4, sign: bool = False) -> str:
    return "–" if x is None else f"{x:{'+' if sign else ''}.{places}f}"


def table(r: dict[str, Any]) -> str:
    """A result for people: sweeps, set, play, depth, shim."""
    s, p, d, shim = r["set"], r["play"], r["depth"], r["shim"]
    lines = [f"{r['stream']}: {r['readings']} readings, {r['bad_frames']} damaged frames, {len(r['gaps'])} gaps", ""]
    lines.append("sweep  seat  way   at s      minimum mm   u mm     verdict")
    for x in r["sweeps"]:
        verdict = "accepted" if x["accepted"] else "rejected: " + ", ".join(x["reasons"])
        lines.append(
            f"{x['n']:>5}  {x['seat']:>4}  {x['heading']:<4}  {x['bottom_s']:>8.2f}  {_mm(x['minimum_mm'], 5):>11}  "
            f"{_mm(x['u_mm'], 5):>7}  {verdict}"
        )
    advice = {x["advice"] for x in r["sweeps"] if x["advice"]}
    lines += [f"       {a}" for a in sorted(advice)]
    lines.append("")
    lines.append(
        f"Set: {s['accepted']} accepted, {s['rejected']} rejected; minimum {_mm(s['minimum_mm'], 5)} mm, "
        f"u {_mm(s['u_mm'], 5)} mm; scatter {_mm(s['sd_mm'], 5)} mm, two sweeps agree within {_mm(s['repeatability_limit_mm'], 4)} mm"
    )
    lines += [f"     {n}" for n in s["notes"]]
    lines.append(f"Play: {p['finding']}. {p['say']}")
    lines.append("")
    if d["distance_mm"] is None:
        lines.append(f"Depth: not given. {d['reason']}")
    else:
        lines.append(f"Depth: {_mm(d['distance_mm'])} ± {_mm(d['U95_mm'])} mm (95 %, k = {d['k']:.2f})")
        if d["error_mm"] is not None:
            chance = "" if d["p_within"] is None else f"; chance of being within: {100 * d['p_within']:.1f} %"
            lines.append(
                f"       target {_mm(d['target_mm'])} mm, error {_mm(d['error_mm'], 4, True)} mm: {d['ruling']}{chance}"
            )
        lines += [f"       {step}" for step in d["steps"]]
        lines.append("       uncertainty, largest first:")
        lines += [f"         {b['u_mm'] * 1000:7.2f} µm  {b['name']} ({b['kind']}; {b['source']})" for b in d["budget"]]
        lines += [f"       note: {n}" for n in d["notes"]]
    if shim is not None:
        lines += ["", f"Shim: {shim['say']}"]
    return "\n".join([*lines, "", ""])
