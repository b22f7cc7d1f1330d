"""The demonstration's job: an invented transaxle, written down as far as the depth that is to be measured."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from capture.jobs import JobFolder
from capture.jobs.bench_memory import remember

NAME = "invented-transaxle"
WRITER = "demo"

ROWS: tuple[tuple[str, dict[str, Any]], ...] = (
    (
        "intake",
        {
            "unit": "INVENTED transaxle (demonstration)",
            "complaint": "invented: a whine on drive",
            "ran_quietly": "no",
            "manual": "invented manual, no edition: no figure in this job is a specification",
        },
    ),
    ("limit", {"name": "depth-tolerance", "value": "0.03 mm", "page": "invented, 12"}),
    ("limit", {"name": "depth-aim", "value": "0.015 mm", "page": "shop"}),
    ("limit", {"name": "backlash", "value": "0.18 mm", "tolerance": "0.03 mm", "page": "invented, 14"}),
    ("limit", {"name": "backlash-spread", "value": "0.05 mm", "page": "invented, 14"}),
    ("limit", {"name": "run-out", "value": "0.05 mm", "page": "invented, 15"}),
    (
        "limit",
        {"name": "pinion-preload", "min": "2.0 N·m", "max": "4.0 N·m", "condition": "new", "page": "invented, 17"},
    ),
    ("limit", {"name": "carrier-pinch", "value": "0.20 mm", "page": "invented, 16"}),
    (
        "family",
        {
            "shim_place": "one pack under the pinion's retainer",
            "shim_effect": "+1",
            "effect_basis": "manual",
            "page": "invented, 11",
            "max_pieces": 2,
            "thin_limit": "0.15 mm",
            "max_thin": 1,
            "grades_from": "0.80 mm",
            "grades_to": "1.60 mm",
            "grades_step": "0.02 mm",
            "material": "cast aluminium",
            "bore_to_seat": "118 mm",
            "left_moves": "toward",
            "right_moves": "away",
            "left_preload": "more",
            "right_preload": "more",
            "carrier_step": "0.01 mm",
            "backlash_ratio": "0.70",
        },
    ),
    ("instrument", {"id": "M58", "type": "master", "distance": "58.000 mm", "u": "0.0015 mm"}),
    ("instrument", {"id": "A1", "type": "arbor", "tip_radius": "1.5 mm"}),
    (
        "instrument",
        {"id": "I1", "type": "indicator", "resolution": "0.001 mm", "mpe": "0.004 mm", "repeatability": "0.001 mm"},
    ),
    ("instrument", {"id": "MIC1", "type": "micrometer", "resolution": "0.001 mm", "u": "0.001 mm"}),
    ("direction", {"pushed_in": "falls"}),
    ("skip", {"step": "as-found", "reason": "invented: the unit came in pieces"}),
    (
        "gearset",
        {
            "pinion_pair": "417",
            "ring_pair": "417",
            "mark": "+6",
            "form": "deviation",
            "nominal": "59.90 mm",
            "count": "0.01 mm",
            "sense": "adds",
            "page": "invented, 11",
            "read_by": "AB",
            "second_reader": "CD",
            "second_reading": "+6",
        },
    ),
    *(
        ("piece", {"id": name, "readings": readings.split(), "unit": "mm", "micrometer": "MIC1"})
        for name, readings in (
            ("old", "1.120 1.121 1.120 1.119"),
            ("A", "0.402 0.402 0.402"),
            ("B", "0.497 0.497 0.497"),
            ("C", "0.551 0.551 0.551"),
            ("D1", "0.603 0.603 0.603"),
            ("D2", "0.603 0.603 0.603"),
            ("E", "1.004 1.004 1.004"),
            ("F", "1.252 1.252 1.252"),
        )
    ),
    ("fit", {"place": "depth", "pieces": ["old"]}),
    (
        "state",
        {
            "nut": "torqued",
            "seal": "out",
            "retainer": "torqued",
            "covers": "torqued",
            "bearings": "new",
            "bearings_seated": True,
            "turns": 20,
            "carrier": "out",
            "housing_temperature": "21 °C",
            "arbor_temperature": "21 °C",
            "master_temperature": "21 °C",
        },
    ),
    (
        "zeroing",
        {
            "when": "before",
            "master": "M58",
            "arbor": "A1",
            "indicator": "I1",
            "reading": "0.000 mm",
            "blade_on": "none",
        },
    ),
)
"""What stands in it; invented, as every figure says that has a page."""


def demo_jobs(folder: Path) -> JobFolder:
    """A folder of jobs with the demonstration's job in it, which is at the bench."""
    jobs = JobFolder(folder)
    jobs.new(NAME).add_all([(kind, data, None) for kind, data in ROWS], WRITER)
    remember(folder, NAME)
    return jobs
