"""Twenty kills of whoever writes the store; ``python -m tests.long.store_kill`` is the long form."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

MOST_ROUNDS = 10


def kills(seed: int) -> Counter[str]:
    """What became of twenty kills."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.long.store_kill", "--kills", "20", "--seed", str(seed)],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return Counter(json.loads(done.stdout.splitlines()[-1]))


def test_kills_leave_a_sound_store_with_the_rows_of_the_raw_streams() -> None:
    told: Counter[str] = Counter()
    # Kills that always came before the first row, or after the last, would show nothing; on a busy machine many come before it.
    for seed in range(20, 20 + MOST_ROUNDS):
        told += kills(seed)
        if told["interrupted"] >= 5 and told["readings"] > told["committed"] > 0:
            break
    assert told["kills"] >= 20
    assert told["interrupted"] >= 5
    assert told["readings"] > told["committed"] > 0
