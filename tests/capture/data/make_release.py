"""Keeps an evidence store of the present release of the tables: ``python tests/capture/data/make_release.py``.

Run once when a release of the tables is published, and never again for that release: the file is what that release wrote.
The streams are two of ``recorded_streams`` (simulated, invented benches) and a third whose writer was stopped.
"""

from __future__ import annotations

import sqlite3
import sys
from contextlib import closing
from pathlib import Path

ROOT = Path(__file__).parents[3]
NAMES = ("link-lost-and-back", "too-fast", "knocks-and-half-sweeps")


def main() -> None:
    """Make ``release-N.sqlite`` beside this file."""
    from capture.store.database import Store
    from capture.store.schema import HEAD
    from capture.store.upkeep import load_into

    file = Path(__file__).with_name(f"release-{HEAD}.sqlite")
    if file.exists():
        raise SystemExit(f"{file} exists: a published release is not made again")
    with Store(file) as store:
        for name in NAMES:
            list(load_into(store, ROOT / "recorded_streams" / name / "stream.jsonl"))
    with closing(sqlite3.connect(file, isolation_level=None)) as c:
        # Nobody else's machine has this folder.
        c.execute("UPDATE streams SET path = 'recorded_streams/' || name, state = 'closed'")
        c.execute("UPDATE streams SET state = 'interrupted' WHERE name LIKE 'knocks%'")
        c.execute("PRAGMA journal_mode = DELETE")
        c.execute("VACUUM")


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    main()
