"""Twenty kills of whoever writes the store; ``python -m tests.long.store_kill`` is the long form."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path


def test_kills_leave_a_sound_store_with_the_rows_of_the_raw_streams() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.long.store_kill", "--kills", "20", "--seed", "20"],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["kills"] >= 20
    # Kills that always came before the first row, or after the last, would show nothing.
    assert told["interrupted"] >= 5
    assert told["committed"] > 0
    assert told["readings"] > told["committed"]
