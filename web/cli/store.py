"""``shimwright store``: the evidence store."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from capture.store.checks import check
from capture.store.database import Store
from capture.store.upkeep import rebuild, streams_in
from web.cli.findings import tell

SHOW_PROGRESS_AFTER_S = 1.0


def rebuild_command(folder: Path | None, where: str | None, setup_path: Path | None, json_out: bool = False) -> int:
    """Exit code: 1 if a stream could not be brought in."""
    setup = None
    if setup_path is not None:
        from capture.setup_file import load_setup

        setup = load_setup(setup_path)
    if folder is None:
        from platformdirs import user_data_path

        folder = user_data_path("shimwright") / "streams"
    paths = streams_in(folder)
    show = _Progress()
    done = readings = 0
    problems: dict[str, str] = {}
    with Store(where) as store:
        told = {p: n for n, p in enumerate(paths)}
        for r in rebuild(
            store,
            paths,
            setup,
            progress=lambda p, n: show(told[p], len(paths), f"streams, {n} readings of {p.parent.name}"),
        ):
            if r.problem:
                problems[str(r.path)] = r.problem
                show.clear()
                sys.stderr.write(f"shimwright: {r.problem}\n")
            else:
                done += 1
                readings += r.readings
        shown = store.location.shown
    show.clear()
    if json_out:
        _out({"store": shown, "streams": done, "readings": readings, "problems": problems})
        return 1 if problems else 0
    sys.stdout.write(f"{done} streams with {readings} readings are in {shown} as their raw streams have them.\n")
    if problems:
        sys.stdout.write(f"{len(problems)} streams are not.\n")
    return 1 if problems else 0


def backup_command(to: Path, where: str | None, json_out: bool = False) -> int:
    """Exit code."""
    show = _Progress()
    with Store(where, make=False) as store:
        store.backup(to, lambda done, total: show(done, total, "pages"))
        show.clear()
        if json_out:
            _out({"store": store.location.shown, "file": str(to), "bytes": to.stat().st_size})
            return 0
        sys.stdout.write(f"{store.location.shown} is copied to {to}, {to.stat().st_size / 1e6:.1f} MB, checked.\n")
    return 0


def _out(data: object) -> None:
    sys.stdout.write(json.dumps(data, ensure_ascii=False) + "\n")


def check_command(where: str | None, json_out: bool) -> int:
    """Exit code: 0 if nothing is wrong."""
    show = _Progress()
    with Store(where, make=False) as store:
        findings = list(check(store, lambda done, total: show(done, total, "streams")))
    show.clear()
    return tell(findings, json_out)


def list_command(where: str | None, json_out: bool) -> int:
    """Exit code."""
    with Store(where, make=False) as store:
        streams = store.streams()
    if json_out:
        for s in streams:
            sys.stdout.write(json.dumps(s, ensure_ascii=False) + "\n")
        return 0
    sys.stdout.write(
        f"{'started (UTC)':<20}  {'state':<11}  {'readings':>8}  {'sweeps':>6}  {'distance mm':>20}  {'ruling':<10}  stream\n"
    )
    for s in streams:
        sys.stdout.write(_line(s))
    return 0


def _line(s: dict[str, Any]) -> str:
    sweeps = "–" if s["accepted"] is None else str(s["accepted"])
    depth = "–" if s["distance_mm"] is None else f"{s['distance_mm']:.4f} ± {s['U95_mm'] or 0.0:.4f}"
    note = f"  ({s['note']})" if s["note"] else ""
    return (
        f"{s['started']:<20}  {s['state']:<11}  {s['readings']:>8}  {sweeps:>6}  {depth:>20}  {s['ruling'] or '–':<10}  "
        f"{s['path']}{note}\n"
    )


class _Progress:
    """A line on a terminal, once the work takes over a second."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._begin = clock()
        self._shown = False

    def __call__(self, done: int, total: int, of: str) -> None:
        if total and sys.stderr.isatty() and self._clock() - self._begin > SHOW_PROGRESS_AFTER_S:
            full = 30 * done // total
            sys.stderr.write(f"\r{'█' * full}{'·' * (30 - full)} {done} of {total} {of[:60]:<60} ")
            sys.stderr.flush()
            self._shown = True

    def clear(self) -> None:
        """Take the line away."""
        if self._shown:
            sys.stderr.write("\r" + " " * 110 + "\r")
            self._shown = False
