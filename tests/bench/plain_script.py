"""What a plain script does with the same streams: peak finder and parabola in time.

Only for the side-by-side table; it takes the display's direction and step as known, which the analysis does not.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
from scipy.signal import find_peaks

HALF = 7


def bottoms(path: Path) -> list[tuple[float, float]]:
    """Time and value of each bottom: lowest sample, then a parabola through its neighbours."""
    t, z = [], []
    with open(path, encoding="utf-8") as file:
        next(file)
        for line in file:
            record = json.loads(line)
            if "rx" in record and re.fullmatch(r"[+-]?\d+\.\d+\s*", record["rx"]):
                t.append(record["t"])
                z.append(float(record["rx"]))
    times, values = np.array(t), np.array(z)
    out = []
    for i in find_peaks(-values, prominence=0.1)[0]:
        a, b = max(0, i - HALF), min(values.size, i + HALF + 1)
        x = times[a:b] - times[i]
        c2, c1, c0 = np.polyfit(x, values[a:b], 2)
        out.append((float(times[i] - c1 / (2 * c2)), float(c0 - c1 * c1 / (4 * c2))))
    return out
