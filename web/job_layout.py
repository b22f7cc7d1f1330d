"""Which forms and pictures belong to which step of a job's page, and which fields each form asks for first.

What a field may hold comes from `analysis.job`; its label and help come from the catalogue.  A form here is an object for the page:
``kind``; ``name``, its own within the step; ``first``, the fields asked for at once; ``more``, those behind a fold; ``preset``, fields
that are fixed here; ``start``, what is filled in to begin with; ``one``, when there is only one such entry, which is put right later;
``open``, unfolded from the start.
"""

from __future__ import annotations

from typing import Any

from analysis.job.kinds import KINDS
from analysis.job.quantities import UNITS, Dimension, quantity
from analysis.job.steps import STEPS
from analysis.torque import NM_PER

Form = dict[str, Any]

STATE_FIRST = "nut nut_torque seal retainer covers bearings bearings_seated turns carrier"
STATE_WARM = "housing_temperature arbor_temperature master_temperature air_temperature"
STATE_MORE = "bearings_replaced carrier_bearings covers_torque sealant note"


def form(kind: str, first: str, more: str = "", **also: Any) -> Form:
    """One form; names of fields with blanks between."""
    return {"kind": kind, "name": also.pop("name", kind), "first": first.split(), "more": more.split(), **also}


def _state(first: str = f"{STATE_FIRST} {STATE_WARM}") -> Form:
    rest = [f for f in f"{STATE_FIRST} {STATE_WARM} {STATE_MORE}".split() if f not in first.split()]
    return form("state", first, " ".join(rest))


def _zero(when: str) -> Form:
    if when == "after":
        return form("zeroing", "reading", name="zeroing-after", preset={"when": "after"})
    first = "master arbor indicator reading blade_on blade"
    return form("zeroing", first, name="zeroing-before", preset={"when": "before"})


def _typed_set(phase: str) -> Form:
    more = "person pinion_angle blind state note"
    return form("set", "seatings", more, name="set-typed", preset={"phase": phase})


def _depth(phase: str) -> list[Form]:
    attach = form("set", "", "person pinion_angle blind note", name="set-bench", preset={"phase": phase})
    return [_state(), _zero("before"), attach | {"bench": "sets"}, _typed_set(phase), _zero("after")]


def _fit(place: str) -> Form:
    return form("fit", "pieces stack", "note", name=f"fit-{place}", preset={"place": place})


def _phased(kind: str, phase: str | None, first: str, more: str, **also: Any) -> Form:
    if phase is not None:
        return form(kind, first, more, preset={"phase": phase, **also.pop("preset", {})}, **also)
    return form(kind, f"{first} phase", more, start={"phase": "trial"}, **also)


def _backlash(phase: str | None) -> Form:
    return _phased("backlash", phase, "places unit", "radius tooth_radius plunger_angle person")


def _backlash_bench(phase: str | None) -> Form:
    more = "radius tooth_radius plunger_angle indicator person"
    return _phased("backlash", phase, "", more, name="backlash-bench", bench="backlash")


def _run_out(phase: str | None) -> Form:
    return _phased("run-out", phase, "readings unit", "where person")


def _run_out_bench(phase: str | None) -> Form:
    return _phased("run-out", phase, "turns", "teeth_under where person", name="run-out-bench", bench="run-out")


def _end_play(phase: str | None, where: str) -> list[Form]:
    more, preset = "person note", {"where": where}
    return [
        _phased("end-play", phase, "play", more, name=f"end-play-{where}", preset=preset),
        _phased(
            "end-play", phase, "", f"indicator {more}", name=f"end-play-{where}-bench", preset=preset, bench="end-play"
        ),
    ]


def _preload(phase: str | None, where: str) -> Form:
    # The number of the sleeve decides whether a torque counts: it is asked for at once.
    first = "torque force radius method" + (" sleeve" if where == "pinion" else "")
    more = "through_gears person"
    return _phased("preload", phase, first, more, name=f"preload-{where}", preset={"where": where})


def _pattern(phase: str | None) -> Form:
    return _phased("pattern", phase, "drive coast load wanders photos", "person note")


GEARSET = form(
    "gearset",
    "pinion_pair ring_pair mark no_mark reason form nominal count sense mark_unit face head_heights page read_by second_reader second_reading",
    "head_height place etched_backlash housing_mark housing_count housing_sense",
    one=True,
)
FAMILY = form(
    "family",
    "shim_place shim_effect effect_basis page max_pieces packs preload_by material",
    "layout counts_in_stack thin_limit max_thin rounding grades_from grades_to grades_step decision_rule left_moves right_moves "
    "left_preload right_preload carrier_step carrier_max_pieces backlash_ratio expansion bore_to_seat pinion_teeth ring_teeth "
    "pressure_angle spiral_angle gear_indicator",
    one=True,
)
SIDES = form(
    "family",
    "left_moves right_moves left_preload right_preload",
    "carrier_step carrier_max_pieces backlash_ratio",
    name="family-sides",
    one=True,
)
PIECE = form(
    "piece",
    "id readings unit marked",
    "micrometer place inner_diameter outer_diameter from_job note",
)
ACCEPTED = form("deviation", "entry what allowed_by reason", fold=True)
CLOSE = form("close", "not_checked recheck", "running_in compounds")

AT: dict[str, dict[str, Any]] = {
    "intake": {
        "forms": [
            form(
                "intake",
                "unit manual complaint ran_quietly",
                "job_no owner serial mileage decision",
                one=True,
            )
        ]
    },
    "limits": {
        "forms": [
            form(
                "limit",
                "name value tolerance min max condition page",
                "method also_value also_tolerance also_min also_max",
            )
        ],
        "panel": "limits",
    },
    "family": {"forms": [FAMILY]},
    "instruments": {
        "forms": [
            form(
                "instrument",
                "type id constant distance thickness resolution mpe repeatability tip_radius u",
                "travel certificate last_check note",
            ),
            form("check", "instrument found deviation date", fold=True),
            form("incident", "instrument what note", fold=True),
        ]
    },
    "direction": {"forms": [form("direction", "pushed_in", "stated basis", one=True)]},
    "blind": {"forms": [form("blind", "first second"), *_depth("trial")], "reads": "depth"},
    "zero-after": {"forms": [_zero("after")]},
    "as-found": {
        "forms": [
            _backlash("as-found"),
            _backlash_bench("as-found"),
            *_depth("as-found"),
            _run_out("as-found"),
            _run_out_bench("as-found"),
            *_end_play("as-found", "pinion"),
            *_end_play("as-found", "carrier"),
            _preload("as-found", "pinion"),
            _pattern("as-found"),
        ],
        "panel": "as-found",
    },
    "marks": {
        "forms": [
            GEARSET,
            form("target", "distance source", fold=True, one=True),
            form("starter", "old_mark new_mark taller", fold=True, one=True),
        ]
    },
    "old-shims": {"forms": [PIECE, _fit("depth")], "panel": "stock"},
    "convention": {"forms": [GEARSET, FAMILY]},
    "trial": {"forms": _depth("trial"), "panel": "depth", "reads": "depth"},
    "closure": {"forms": [_fit("depth"), *_depth("trial")], "panel": "closure", "reads": "depth"},
    "depth": {
        "forms": [PIECE, _fit("depth"), _fit("far"), ACCEPTED],
        "panel": "shim",
    },
    "pinion-preload": {
        "forms": [
            _preload(None, "pinion"),
            _state("nut nut_torque turns seal"),
            PIECE,
            _fit("spacer"),
            *_end_play(None, "pinion"),
            ACCEPTED,
        ],
        "panel": "torque",
        "reads": "pinion-preload",
    },
    "final-depth": {"forms": _depth("final"), "panel": "depth", "reads": "depth"},
    "run-out": {
        "forms": [_state("carrier covers covers_torque"), _run_out_bench(None), _run_out(None), ACCEPTED],
        "panel": "run-out",
        "reads": "run-out",
    },
    "carrier-preload": {
        "forms": [
            _state("carrier covers covers_torque"),
            SIDES,
            form("zero-play", "sum", one=True),
            _fit("left"),
            _fit("right"),
            _preload(None, "carrier"),
            *_end_play(None, "carrier"),
            ACCEPTED,
        ],
        "panel": "carrier",
        "reads": "carrier-preload",
    },
    "backlash": {
        "forms": [
            _backlash_bench(None),
            _backlash(None),
            SIDES,
            _fit("left"),
            _fit("right"),
            _state("covers covers_torque"),
            ACCEPTED,
        ],
        "panel": "backlash",
        "reads": "backlash",
    },
    "pattern": {"forms": [_pattern(None), ACCEPTED], "panel": "pattern", "reads": "pattern"},
    "close": {"forms": [CLOSE, form("reopen", "reason", fold=True)], "panel": "sheet"},
}
"""What each step shows."""

_WHEN_MARK: dict[str, dict[str, list[Any]]] = {
    "mark": {"no_mark": [None, False]},
    "form": {"no_mark": [None, False]},
    "reason": {"no_mark": [True]},
    "nominal": {"form": ["deviation", "two-decimals"]},
    "count": {"form": ["deviation"]},
    "sense": {"form": ["deviation"]},
    "mark_unit": {"form": ["full-distance"]},
    "face": {"form": ["full-distance"]},
    "head_heights": {"face": ["back"]},
    "head_height": {"face": ["back"]},
    "housing_count": {"housing_mark": ["*"]},
    "housing_sense": {"housing_mark": ["*"]},
}
WHEN: dict[str, dict[str, dict[str, list[Any]]]] = {
    "gearset": _WHEN_MARK,
    "family": {
        "page": {"effect_basis": ["manual"]},
        "effect_basis": {"shim_effect": ["+1", "-1"]},
        "grades_to": {"grades_from": ["*"]},
        "grades_step": {"grades_from": ["*"]},
    },
    "zeroing": {"blade": {"blade_on": ["pinion", "master", "both"]}},
    "direction": {"basis": {"stated": ["grows", "shrinks"]}},
    "state": {"nut_torque": {"nut": ["nipped", "torqued"]}, "covers_torque": {"covers": ["torqued"]}},
}
"""Fields that are asked for only while another one has one of these values; None is an empty one, "*" any."""

QUIET = ("blind", "zero-after", "convention", "closure")
"""Steps that are shown only while something is missing there."""

LONG = ["complaint", "note", "text", "not_checked", "running_in", "compounds", "reason", "layout", "counts_in_stack"]
"""Fields in which more than a line may be said."""

NAMES: dict[str, str] = {
    "zeroing.master": "instrument:master",
    "zeroing.arbor": "instrument:arbor",
    "zeroing.indicator": "instrument:indicator",
    "zeroing.blade": "instrument:blade",
    "backlash.indicator": "instrument:indicator",
    "end-play.indicator": "instrument:indicator",
    "piece.micrometer": "instrument:micrometer",
    "check.instrument": "instrument:",
    "incident.instrument": "instrument:",
    "fit.pieces": "piece:free",
    "reserve.piece": "piece:free",
    "discard.piece": "piece:own",
    "skip.step": "step:",
    "blind.first": "reading:depth",
    "allow.entry": "reading:",
    "void.entry": "reading:",
    "confirm.entry": "reading:",
    "set.blind": "blind:",
}
"""Fields that name something which stands in the job."""

ANY = tuple(k for k in KINDS if k not in ("set", "withdraw", "skip", "photo"))
"""Kinds that can be written down out of order."""


def units() -> dict[str, list[dict[str, Any]]]:
    """Units by dimension: what one of each is in the first one, and where its zero lies."""
    out: dict[str, list[dict[str, Any]]] = {}
    for dimension, names in UNITS.items():
        out[dimension] = [
            {"unit": u, "factor": _factor(dimension, u), "zero": 32.0 if u == "°F" else 0.0} for u in names
        ]
    return out


def _factor(dimension: Dimension, unit: str) -> float:
    q = quantity(f"1 {unit}", dimension)
    if dimension == "length":
        return float(q.mm)
    if dimension == "torque":
        return NM_PER[unit]
    if dimension == "force":
        return float(q.newtons)
    return 5 / 9 if unit == "°F" else 1.0


def layout() -> dict[str, Any]:
    """Everything the page needs to lay itself out."""
    steps = [{"step": s, "quiet": s in QUIET, **AT.get(s, {"forms": []})} for s in STEPS]
    rest = [form(k, " ".join(KINDS[k].fields), name=f"any-{k}") for k in ANY]
    return {"steps": steps, "long": LONG, "any": rest, "when": WHEN, "names": NAMES, "units": units()}
