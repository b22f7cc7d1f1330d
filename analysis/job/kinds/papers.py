"""What the job begins with: the unit, the family, the gear set, the target, the limits."""

from __future__ import annotations

from analysis.job import rules
from analysis.job.fields import (
    Field,
    choice,
    length,
    measure,
    number,
    signed_length,
    text,
    unit_of,
    whole,
)
from analysis.job.kinds.kind import FLAG, LENGTH, PERSON, REASON, TEXT, Kind, one_of
from analysis.job.several import figures

_ALSO = "the same figure as the manual prints it in the other unit; the two are compared, never converted"

PAPERS: dict[str, Kind] = {
    "intake": Kind(
        "the unit, the owner's words, the manual",
        {
            "unit": Field(text, True, "what is on the bench: type and serial number"),
            "job_no": TEXT,
            "owner": TEXT,
            "serial": TEXT,
            "mileage": TEXT,
            "complaint": TEXT,
            "ran_quietly": one_of("yes", "no", "unknown"),
            "manual": TEXT,
            "decision": one_of("go", "refer"),
        },
    ),
    "family": Kind(
        "where the shims sit and what they do",
        {
            "layout": TEXT,
            "shim_place": TEXT,
            "shim_effect": one_of("+1", "-1", "unknown", required=True),
            "effect_basis": one_of("manual", "bench", "stated"),
            "page": TEXT,
            "counts_in_stack": TEXT,
            "packs": one_of("one", "two at constant sum"),
            "max_pieces": Field(whole(1, 6)),
            "thin_limit": LENGTH,
            "max_thin": Field(whole(0, 6)),
            "rounding": one_of("nearest", "nearest not above", "next up"),
            "grades_from": LENGTH,
            "grades_to": LENGTH,
            "grades_step": LENGTH,
            "decision_rule": one_of("one-sided", "expanded"),
            "left_moves": one_of("toward", "away", "unknown"),
            "right_moves": one_of("toward", "away", "unknown"),
            "left_preload": one_of("more", "less", "unknown"),
            "right_preload": one_of("more", "less", "unknown"),
            "carrier_step": LENGTH,
            "carrier_max_pieces": Field(whole(1, 6)),
            "backlash_ratio": Field(number("0.01", "5")),
            "preload_by": one_of("crush sleeve", "solid spacer", "pack sum", "adjuster"),
            "material": TEXT,
            "expansion": Field(number("0.000001", "0.0001")),
            "bore_to_seat": LENGTH,
            "pinion_teeth": Field(whole(3, 100)),
            "ring_teeth": Field(whole(3, 400)),
            "pressure_angle": Field(measure("angle", "5", "45")),
            "spiral_angle": Field(measure("angle", "0", "60")),
            "gear_indicator": one_of("along", "square"),
        },
        rules.family,
    ),
    "gearset": Kind(
        "the gear set and its marks as they stand",
        {
            "pinion_pair": TEXT,
            "ring_pair": TEXT,
            "mark": TEXT,
            "no_mark": FLAG,
            "reason": TEXT,
            "place": one_of("pinion", "ring", "housing"),
            "form": one_of("deviation", "full-distance", "two-decimals"),
            "nominal": LENGTH,
            "count": LENGTH,
            "sense": one_of("adds", "subtracts", "unknown"),
            "mark_unit": Field(unit_of("length")),
            "face": one_of("end", "back", "unknown"),
            "head_height": Field(length, says="one figure; measured at 3 spots (head_heights) its spread is known too"),
            "head_heights": Field(figures(3, 12), says="3 or more spots, end face to back face"),
            "unit": Field(unit_of("length"), says="mm or in, for the head heights"),
            "etched_backlash": LENGTH,
            "housing_mark": Field(
                text, says="a mark on the housing that enters the target beside the gear's, such as -2"
            ),
            "housing_count": Field(length, says="length of one count of the housing's mark"),
            "housing_sense": Field(
                choice("adds", "subtracts", "unknown"), says="what a positive mark on the housing does to the target"
            ),
            "page": TEXT,
            "read_by": PERSON,
            "second_reader": PERSON,
            "second_reading": TEXT,
        },
        rules.gearset,
    ),
    "target": Kind(
        "a target distance that does not come from the mark",
        {"distance": Field(length, True, "the distance from axis to end face"), "source": REASON},
    ),
    "limit": Kind(
        "a limit, with the page it stands on",
        {
            "name": one_of(*rules.LIMITS, required=True),
            "value": TEXT,
            "tolerance": TEXT,
            "min": TEXT,
            "max": TEXT,
            "condition": one_of("new", "used"),
            "method": one_of("turning", "starting"),
            **dict.fromkeys(("also_value", "also_tolerance", "also_min", "also_max"), Field(text, says=_ALSO)),
            "page": Field(text, True, 'the page of the manual, or "shop" for the shop\'s own aim'),
        },
        rules.limit,
    ),
    "starter": Kind(
        "what a first shim can be guessed from",
        {"old_mark": TEXT, "new_mark": TEXT, "taller": Field(signed_length)},
        rules.starter,
    ),
}
