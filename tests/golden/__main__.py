"""``python -m tests.golden check | show NAME | accept NAME --because "…" | new NAME…``"""

from __future__ import annotations

import argparse
import sys
from datetime import UTC, datetime

from tests.golden import compare
from tests.golden.catalogue import ENTRIES
from tests.golden.record import record_many


def _check() -> int:
    bad = 0
    for folder in compare.folders():
        try:
            found = list(compare.differences(compare.expected(folder), compare.replay(folder)))
        except FileNotFoundError:
            found = ["no expected.jsonl: look at `show`, then `accept`"]
        bad += bool(found)
        sys.stdout.write(f"{'differs' if found else 'same':8}{compare.slug(folder)}\n")
        for line in found[:12]:
            sys.stdout.write(f"        {line}\n")
    if not compare.folders():
        sys.stdout.write("no recordings found\n")
        return 1
    return 1 if bad else 0


def _show(name: str) -> int:
    from web.cli.analyse import table

    folder = compare.ROOT / name
    sys.stdout.write(table({"stream": name, **compare.replay(folder)}))
    return 0


def _accept(name: str, because: str) -> int:
    folder = compare.ROOT / name
    (folder / "expected.jsonl").write_text(compare.as_text(compare.replay(folder)), "utf-8")
    changes = folder / "CHANGES.md"
    head = "" if changes.exists() else f"# {name}: why its expected result is what it is\n\n"
    with open(changes, "a", encoding="utf-8") as file:
        file.write(f"{head}- {datetime.now(UTC):%Y-%m-%d}: {because}\n")
    return 0


def main() -> int:
    """Exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.golden")
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("check", help="replay every recording and compare")
    commands.add_parser("show", help="what a recording gives now").add_argument("name")
    accept = commands.add_parser("accept", help="take what it gives now as expected")
    accept.add_argument("name", nargs="+")
    accept.add_argument("--because", required=True, help="why; kept in the recording's CHANGES.md")
    commands.add_parser("new", help="make recordings of the catalogue, in real time").add_argument(
        "name", nargs="+", choices=sorted(ENTRIES)
    )
    a = parser.parse_args()
    if a.command == "check":
        return _check()
    if a.command == "show":
        return _show(a.name)
    if a.command == "accept":
        return max(_accept(n, a.because) for n in a.name)
    record_many(a.name, compare.ROOT)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
