"""Three invented units as entries of a job, in the order they are worked on.  Figures invented, arithmetic derived here."""

from __future__ import annotations

from typing import Any

Row = tuple[str, dict[str, Any]]

BUILT = {
    "nut": "torqued",
    "seal": "out",
    "covers": "torqued",
    "bearings": "new",
    "bearings_seated": True,
    "turns": 20,
    "carrier": "out",
}


def seated(unit: str, *passes: str | tuple[str, dict[str, Any]]) -> list[dict[str, Any]]:
    """Seatings from lines of readings."""
    out = []
    for p in passes:
        words, more = p if isinstance(p, tuple) else (p, {})
        out.append({"readings": words.split(), "unit": unit, **more})
    return out


def measured(phase: str, seatings: list[dict[str, Any]], before: dict[str, Any], after: str) -> list[Row]:
    """Zero, set, zero."""
    return [
        ("zeroing", {"when": "before", **before}),
        ("set", {"phase": phase, "seatings": seatings}),
        ("zeroing", {"when": "after", "reading": after}),
    ]


# 1: transaxle, spiral bevel, one shim on the retainer side, metric

ONE_ZERO = {
    "reading": "0.000 mm",
    "master": "M60",
    "indicator": "I1",
    "arbor": "A1",
    "blade": "B10",
    "blade_on": "pinion",
}

ONE_START: list[Row] = [
    (
        "intake",
        {
            "unit": "invented transaxle",
            "ran_quietly": "yes",
            "manual": "invented manual, 2nd edition",
            "complaint": "leak",
        },
    ),
    ("limit", {"name": "depth-tolerance", "value": "0.03 mm", "page": "12"}),
    ("limit", {"name": "depth-aim", "value": "0.02 mm", "page": "shop"}),
    ("limit", {"name": "backlash", "value": "0.18 mm", "tolerance": "0.03 mm", "page": "14"}),
    ("limit", {"name": "backlash-spread", "value": "0.05 mm", "page": "14"}),
    ("limit", {"name": "run-out", "value": "0.05 mm", "page": "15"}),
    ("limit", {"name": "carrier-pinch", "value": "0.20 mm", "page": "16"}),
    ("limit", {"name": "pinion-preload", "min": "2.0 N·m", "max": "4.0 N·m", "condition": "new", "page": "17"}),
    (
        "family",
        {
            "shim_effect": "+1",
            "effect_basis": "manual",
            "page": "11",
            "max_pieces": 1,
            "grades_from": "0.60 mm",
            "grades_to": "1.20 mm",
            "grades_step": "0.02 mm",
            "left_moves": "toward",
            "right_moves": "away",
            "left_preload": "more",
            "right_preload": "more",
            "carrier_step": "0.01 mm",
            "backlash_ratio": "0.70",
            "material": "cast aluminium",
        },
    ),
    ("instrument", {"id": "M60", "type": "master", "distance": "60.000 mm"}),
    ("instrument", {"id": "A1", "type": "arbor"}),
    ("instrument", {"id": "I1", "type": "indicator"}),
    ("instrument", {"id": "B10", "type": "blade", "thickness": "0.10 mm"}),
    ("direction", {"pushed_in": "falls"}),
    (
        "gearset",
        {
            "pinion_pair": "417",
            "ring_pair": "417",
            "mark": "+14",
            "form": "deviation",
            "nominal": "61.50 mm",
            "count": "0.01 mm",
            "sense": "adds",
            "page": "11",
            "read_by": "AB",
            "second_reader": "CD",
            "second_reading": "+14",
            "etched_backlash": "0.18 mm",
        },
    ),
]
ONE_AS_FOUND: list[Row] = [
    ("backlash", {"phase": "as-found", "places": ["0.24", "0.25", "0.24", "0.23"], "unit": "mm"}),
    (
        "state",
        {
            "nut": "as found",
            "covers": "torqued",
            "bearings": "used",
            "carrier": "out",
            "housing_temperature": "21 °C",
            "arbor_temperature": "21 °C",
            "master_temperature": "20 °C",
        },
    ),
    *measured(
        "as-found",
        seated("mm", "1.553 1.551 1.554 1.552", "1.548 1.549 1.547 1.549", "1.551 1.552 1.550 1.551"),
        ONE_ZERO,
        "0.000 mm",
    ),
]
ONE_TRIAL: list[Row] = [
    ("piece", {"id": "old", "readings": ["0.921", "0.919", "0.920", "0.920"], "unit": "mm"}),
    ("fit", {"place": "depth", "pieces": ["old"]}),
    ("state", {**BUILT, "bearings_replaced": "pinion"}),
    *measured(
        "trial",
        seated(
            "mm",
            "1.634 1.633 1.635 1.634",
            "1.631 1.630 1.632 1.630",
            ("1.679 1.662 1.655 1.671", {"push_pull": "0.03 mm", "rejected": "push and pull 0.03: grit in the bore"}),
            "1.633 1.634 1.632 1.633",
        ),
        ONE_ZERO,
        "0.000 mm",
    ),
]
ONE_BOX: list[Row] = [
    ("piece", {"id": "0.80", "readings": ["0.801", "0.801", "0.801"], "unit": "mm", "marked": "0.80 mm"}),
    ("piece", {"id": "0.86", "readings": ["0.861", "0.861", "0.861"], "unit": "mm", "marked": "0.86 mm"}),
]
ONE_DELIVERED: list[Row] = [
    ("piece", {"id": "0.82", "readings": ["0.823", "0.823", "0.823", "0.823"], "unit": "mm", "marked": "0.82 mm"}),
    ("fit", {"place": "depth", "pieces": ["0.82"]}),
    ("state", {"nut": "torqued", "turns": 25}),
]
ONE_NEW: list[Row] = measured(
    "trial",
    seated("mm", "1.536 1.535 1.537 1.536", "1.534 1.533 1.535 1.534", "1.537 1.536 1.538 1.537"),
    ONE_ZERO,
    "0.000 mm",
)
ONE_FINAL: list[Row] = [
    ("preload", {"where": "pinion", "phase": "trial", "torque": "2.8 N·m", "method": "turning"}),
    *measured(
        "final",
        seated("mm", "1.536 1.535 1.537 1.536", "1.534 1.533 1.535 1.534", "1.537 1.536 1.538 1.537"),
        ONE_ZERO,
        "0.000 mm",
    ),
]
ONE_CARRIER: list[Row] = [
    ("fit", {"place": "left", "stack": "1.80 mm"}),
    ("fit", {"place": "right", "stack": "1.86 mm"}),
    ("state", {"carrier": "in", "covers": "torqued"}),
    ("zero-play", {"sum": "3.46 mm"}),
    (
        "run-out",
        {"phase": "trial", "readings": ["0", "0.01", "0.02", "0.03", "0.03", "0.02", "0.01", "0"], "unit": "mm"},
    ),
    ("backlash", {"phase": "trial", "places": ["0.27", "0.28", "0.26", "0.27"], "unit": "mm"}),
]
ONE_MOVED: list[Row] = [
    ("fit", {"place": "left", "stack": "1.93 mm"}),
    ("fit", {"place": "right", "stack": "1.73 mm"}),
    ("state", {"covers": "torqued"}),
    ("backlash", {"phase": "final", "places": ["0.18", "0.19", "0.17", "0.18"], "unit": "mm"}),
]
ONE_END: list[Row] = [
    ("pattern", {"phase": "final", "drive": ["centre"], "coast": ["centre"], "load": "hand"}),
    ("close", {"not_checked": "noise under load", "recheck": "2026-09-01"}),
]
ONE = (
    ONE_START
    + ONE_AS_FOUND
    + ONE_TRIAL
    + ONE_BOX
    + ONE_DELIVERED
    + ONE_NEW
    + ONE_FINAL
    + ONE_CARRIER
    + ONE_MOVED
    + ONE_END
)

# 2: axle, hypoid, shim at the head, inch, display negative when extended

TWO_ZERO = {"reading": "0.0000 in", "arbor": "A2", "blade_on": "none"}
TWO_START: list[Row] = [
    ("intake", {"unit": "invented axle", "ran_quietly": "unknown", "manual": "invented manual"}),
    ("limit", {"name": "depth-tolerance", "value": "0.0020 in", "page": "3"}),
    ("limit", {"name": "depth-aim", "value": "0.0010 in", "page": "shop"}),
    ("limit", {"name": "pinion-preload", "min": "16 lb·in", "max": "24 lb·in", "condition": "new", "page": "5"}),
    ("limit", {"name": "backlash", "min": "0.006 in", "max": "0.009 in", "page": "6"}),
    ("limit", {"name": "carrier-preload", "min": "8 lb·in", "max": "14 lb·in", "page": "6"}),
    ("limit", {"name": "run-out", "value": "0.002 in", "page": "6"}),
    (
        "family",
        {
            "shim_effect": "-1",
            "effect_basis": "manual",
            "page": "2",
            "max_pieces": 3,
            "thin_limit": "0.005 in",
            "max_thin": 1,
            "grades_from": "0.020 in",
            "grades_to": "0.045 in",
            "grades_step": "0.001 in",
            "left_moves": "toward",
            "right_moves": "away",
            "left_preload": "more",
            "right_preload": "more",
            "carrier_step": "0.002 in",
            "backlash_ratio": "0.65",
            "preload_by": "crush sleeve",
        },
    ),
    ("instrument", {"id": "A2", "type": "arbor", "constant": "0.8125 in"}),
    ("direction", {"pushed_in": "rises"}),
    (
        "gearset",
        {
            "pinion_pair": "88",
            "ring_pair": "88",
            "mark": "-3",
            "form": "deviation",
            "nominal": "2.5000 in",
            "count": "0.001 in",
            "sense": "adds",
            "page": "2",
            "read_by": "AB",
            "second_reader": "CD",
            "second_reading": "-3",
        },
    ),
    ("skip", {"step": "as-found", "reason": "came in pieces"}),
    ("fit", {"place": "depth", "stack": "0.0385 in"}),
    ("state", BUILT),
    *[
        ("piece", {"id": t, "readings": [t, t, t], "unit": "in"})
        for t in ("0.0251", "0.0119", "0.0061", "0.0040", "0.0029")
    ],
]
TWO_OLD = (
    "-1.6782 -1.6785 -1.6780 -1.6783",
    "-42.640 -42.633 -42.637 -42.633",
    "-1.6778 -1.6781 -1.6779 -1.6779",
)
TWO_TRIAL: list[Row] = measured(
    "trial",
    [*seated("in", TWO_OLD[0]), *seated("mm", TWO_OLD[1]), *seated("in", TWO_OLD[2])],
    TWO_ZERO,
    "0.0000 in",
)
TWO_DELIVERED: list[Row] = [
    ("piece", {"id": "0.032", "readings": ["0.0321", "0.0321", "0.0321"], "unit": "in"}),
    ("fit", {"place": "depth", "pieces": ["0.032"]}),
    ("state", {"nut": "torqued", "turns": 20}),
]
_TWO_NEW = seated(
    "in",
    "-1.6847 -1.6849 -1.6846 -1.6848",
    "-1.6845 -1.6847 -1.6846 -1.6846",
    "-1.6848 -1.6850 -1.6849 -1.6848",
)
TWO_NEW: list[Row] = measured("trial", _TWO_NEW, TWO_ZERO, "0.0000 in")
TWO_FINAL: list[Row] = [
    *[("preload", {"where": "pinion", "phase": "trial", "torque": f"{x} lb·in"}) for x in (4, 9, 14, 19)],
    *measured("final", _TWO_NEW, TWO_ZERO, "0.0000 in"),
]
TWO_CARRIER: list[Row] = [
    ("fit", {"place": "left", "stack": "0.2420 in"}),
    ("fit", {"place": "right", "stack": "0.2510 in"}),
    ("state", {"carrier": "in", "covers": "torqued"}),
    ("run-out", {"phase": "trial", "readings": ["0", "0", "0.001", "0.001", "0.001", "0.001", "0", "0"], "unit": "in"}),
    ("preload", {"where": "carrier", "phase": "trial", "torque": "10 lb·in"}),
    ("backlash", {"phase": "trial", "places": ["0.0125", "0.0130", "0.0120", "0.0128"], "unit": "in"}),
]
TWO_MOVED: list[Row] = [
    ("fit", {"place": "left", "stack": "0.2500 in"}),
    ("fit", {"place": "right", "stack": "0.2430 in"}),
    ("state", {"covers": "torqued"}),
    ("preload", {"where": "carrier", "phase": "final", "torque": "10 lb·in"}),
    ("backlash", {"phase": "final", "places": ["0.0074", "0.0078", "0.0070", "0.0076"], "unit": "in"}),
]
TWO = TWO_START + TWO_TRIAL + TWO_DELIVERED + TWO_NEW + TWO_FINAL + TWO_CARRIER + TWO_MOVED + ONE_END

# 3: transaxle, hypoid, two packs at constant sum, mark is the whole mounting distance, mixed units

THREE_ZERO = {"reading": "0.250 mm", "master": "M59", "blade": "B15", "blade_on": "both"}
THREE_START: list[Row] = [
    ("intake", {"unit": "invented magnesium transaxle", "ran_quietly": "unknown", "manual": "invented manual"}),
    ("limit", {"name": "depth-tolerance", "value": "0.03 mm", "page": "8"}),
    ("limit", {"name": "depth-aim", "value": "0.015 mm", "page": "shop"}),
    ("limit", {"name": "pinion-preload", "min": "2.0 N·m", "max": "4.0 N·m", "condition": "new", "page": "9"}),
    ("limit", {"name": "backlash", "value": "0.16 mm", "tolerance": "0.03 mm", "page": "9"}),
    (
        "family",
        {
            "shim_effect": "-1",
            "effect_basis": "manual",
            "page": "7",
            "packs": "two at constant sum",
            "max_pieces": 1,
            "material": "magnesium",
            "preload_by": "pack sum",
        },
    ),
    ("instrument", {"id": "M59", "type": "master", "distance": "59.000 mm"}),
    ("instrument", {"id": "B15", "type": "blade", "thickness": "0.15 mm"}),
    ("direction", {"pushed_in": "rises"}),
    (
        "gearset",
        {
            "pinion_pair": "5",
            "ring_pair": "5",
            "mark": "97.46",
            "mark_unit": "mm",
            "form": "full-distance",
            "face": "back",
            "head_height": "1.4965 in",
            "page": "7",
            "read_by": "AB",
            "second_reader": "CD",
        },
    ),
    ("skip", {"step": "as-found", "reason": "stripped by somebody else"}),
    ("piece", {"id": "h1.245", "readings": ["1.245", "1.245", "1.245"], "unit": "mm"}),
    ("piece", {"id": "f1.130", "readings": ["1.130", "1.130", "1.130"], "unit": "mm", "place": "far"}),
    ("fit", {"place": "depth", "pieces": ["h1.245"]}),
    ("fit", {"place": "far", "pieces": ["f1.130"]}),
    *[("piece", {"id": f"h{t}", "readings": [t, t, t], "unit": "mm"}) for t in ("1.262", "1.271", "1.243")],
    *[("piece", {"id": f"f{t}", "readings": [t, t, t], "unit": "mm", "place": "far"}) for t in ("1.112", "1.121")],
]
THREE_HOT: list[Row] = [
    ("state", {**BUILT, "housing_temperature": "38 °C", "arbor_temperature": "22 °C"}),
    *measured("trial", seated("mm", "-0.260 -0.260 -0.260"), THREE_ZERO, "0.250 mm"),
]
THREE_COLD: list[Row] = [
    ("state", {"housing_temperature": "22 °C", "arbor_temperature": "22 °C"}),
    *measured(
        "trial",
        seated(
            "mm",
            "-0.218 -0.216 -0.219 -0.217 -0.218",
            "-0.222 -0.221 -0.223 -0.222 -0.221",
            "-0.214 -0.215 -0.213 -0.216 -0.214",
        ),
        THREE_ZERO,
        "0.250 mm",
    ),
]
THREE_FINAL: list[Row] = [
    ("fit", {"place": "depth", "pieces": ["h1.262"]}),
    ("fit", {"place": "far", "pieces": ["f1.112"]}),
    ("state", {"nut": "torqued", "turns": 20}),
    *measured(
        "final",
        seated(
            "mm",
            "-0.201 -0.200 -0.202 -0.201 -0.201",
            "-0.204 -0.203 -0.205 -0.204 -0.204",
            "-0.198 -0.199 -0.197 -0.198 -0.198",
        ),
        THREE_ZERO,
        "0.250 mm",
    ),
    ("preload", {"where": "pinion", "phase": "final", "torque": "290 N·cm"}),
]
THREE_RING: list[Row] = [
    ("state", {"carrier": "in", "covers": "torqued"}),
    (
        "backlash",
        {
            "phase": "final",
            "places": ["0.113", "0.116", "0.110", "0.114"],
            "unit": "mm",
            "radius": "62 mm",
            "tooth_radius": "88 mm",
        },
    ),
]
THREE = THREE_START + THREE_HOT + THREE_COLD + THREE_FINAL + THREE_RING
