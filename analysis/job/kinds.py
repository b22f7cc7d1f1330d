"""The kinds of entries a job is made of: their fields, and what must hold between the fields of one entry."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from analysis.job import rules
from analysis.job.fields import (
    Field,
    choice,
    date,
    figure,
    file_name,
    flag,
    identifier,
    length,
    listed,
    measure,
    number,
    path_in_streams,
    positive,
    sha256,
    signed_length,
    table,
    text,
    uncertainty,
    unit_of,
    whole,
)

Data = Mapping[str, object]
Faults = list[tuple[str, str]]

PHASES = ("as-found", "trial", "final")
PLACES = ("depth", "far", "spacer", "left", "right")

_text, _flag, _length = Field(text), Field(flag), Field(length)
_person = Field(text, says="who did it")
_ref = Field(whole(1, 10**6), True, "the number of the entry it is about")
_reason = Field(text, True, "why, in words; it stays with the job")
_phase = Field(choice(*PHASES), True, "as-found, trial or final")
_unit = Field(unit_of("length"), True, "mm or in; it is never assumed")


_ALSO = "the same figure as the manual prints it in the other unit; the two are compared, never converted"


def _choice(*options: str, required: bool = False) -> Field:
    return Field(choice(*options), required, "one of: " + ", ".join(options))


def _figures(fewest: int) -> Field:
    return Field(listed(figure, fewest), True, f"{fewest} or more figures")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of entry."""

    title: str
    fields: Mapping[str, Field]
    rule: Callable[[Data], Faults] = rules.nothing


STATE: dict[str, Field] = {
    "nut": _choice("as found", "loose", "nipped", "torqued"),
    "nut_torque": Field(positive("torque", "2000")),
    "seal": _choice("out", "in"),
    "sealant": _choice("none", "fitted"),
    "turns": Field(whole(0, 1000)),
    "retainer": _choice("loose", "torqued"),
    "covers": _choice("loose", "torqued"),
    "covers_torque": Field(positive("torque", "2000")),
    "bearings": _choice("new", "used"),
    "bearings_seated": _flag,
    "bearings_replaced": _choice("pinion", "carrier", "both"),
    "carrier_bearings": _choice("new", "used"),
    "carrier": _choice("in", "out"),
    "housing_temperature": Field(measure("temperature", "-50", "200")),
    "arbor_temperature": Field(measure("temperature", "-50", "200")),
    "master_temperature": Field(measure("temperature", "-50", "200")),
    "air_temperature": Field(measure("temperature", "-50", "200")),
    "note": _text,
}

SEATING: dict[str, Field] = {
    "readings": _figures(1),
    "unit": _unit,
    "pinion_angle": Field(measure("angle", "-360", "360")),
    "push_pull": Field(uncertainty),
    "rejected": _text,
    "accepted_because": _text,
    "person": _person,
}


def _result(given: object) -> object:
    return rules.analysed(given)


def _heights_found(given: object) -> object:
    return rules.worked_out(given, "heights_mm")


def _places_found(given: object) -> object:
    return rules.worked_out(given, "places")


KINDS: dict[str, Kind] = {
    "intake": Kind(
        "the unit, the owner's words, the manual",
        {
            "unit": Field(text, True, "what is on the bench: type and serial number"),
            "job_no": _text,
            "owner": _text,
            "serial": _text,
            "mileage": _text,
            "complaint": _text,
            "ran_quietly": _choice("yes", "no", "unknown"),
            "manual": _text,
            "decision": _choice("go", "refer"),
        },
    ),
    "family": Kind(
        "where the shims sit and what they do",
        {
            "layout": _text,
            "shim_place": _text,
            "shim_effect": _choice("+1", "-1", "unknown", required=True),
            "effect_basis": _choice("manual", "bench", "stated"),
            "page": _text,
            "counts_in_stack": _text,
            "packs": _choice("one", "two at constant sum"),
            "max_pieces": Field(whole(1, 6)),
            "thin_limit": _length,
            "max_thin": Field(whole(0, 6)),
            "rounding": _choice("nearest", "nearest not above", "next up"),
            "grades_from": _length,
            "grades_to": _length,
            "grades_step": _length,
            "decision_rule": _choice("one-sided", "expanded"),
            "left_moves": _choice("toward", "away", "unknown"),
            "right_moves": _choice("toward", "away", "unknown"),
            "left_preload": _choice("more", "less", "unknown"),
            "right_preload": _choice("more", "less", "unknown"),
            "carrier_step": _length,
            "carrier_max_pieces": Field(whole(1, 6)),
            "backlash_ratio": Field(number("0.01", "5")),
            "preload_by": _choice("crush sleeve", "solid spacer", "pack sum", "adjuster"),
            "material": _text,
            "expansion": Field(number("0.000001", "0.0001")),
            "bore_to_seat": _length,
            "pinion_teeth": Field(whole(3, 100)),
            "ring_teeth": Field(whole(3, 400)),
            "pressure_angle": Field(measure("angle", "5", "45")),
            "spiral_angle": Field(measure("angle", "0", "60")),
            "gear_indicator": _choice("along", "square"),
        },
        rules.family,
    ),
    "gearset": Kind(
        "the gear set and its marks as they stand",
        {
            "pinion_pair": _text,
            "ring_pair": _text,
            "mark": _text,
            "no_mark": _flag,
            "reason": _text,
            "place": _choice("pinion", "ring", "housing"),
            "form": _choice("deviation", "full-distance", "two-decimals"),
            "nominal": _length,
            "count": _length,
            "sense": _choice("adds", "subtracts", "unknown"),
            "mark_unit": Field(unit_of("length")),
            "face": _choice("end", "back", "unknown"),
            "head_height": Field(length, says="one figure; measured at 3 spots (head_heights) its spread is known too"),
            "head_heights": Field(listed(figure, 3, 12), says="3 or more spots, end face to back face"),
            "unit": Field(unit_of("length"), says="mm or in, for the head heights"),
            "etched_backlash": _length,
            "housing_mark": Field(
                text, says="a mark on the housing that enters the target beside the gear's, such as -2"
            ),
            "housing_count": Field(length, says="length of one count of the housing's mark"),
            "housing_sense": Field(
                choice("adds", "subtracts", "unknown"), says="what a positive mark on the housing does to the target"
            ),
            "page": _text,
            "read_by": _person,
            "second_reader": _person,
            "second_reading": _text,
        },
        rules.gearset,
    ),
    "target": Kind(
        "a target distance that does not come from the mark",
        {"distance": Field(length, True, "the distance from axis to end face"), "source": _reason},
    ),
    "limit": Kind(
        "a limit, with the page it stands on",
        {
            "name": _choice(*rules.LIMITS, required=True),
            "value": _text,
            "tolerance": _text,
            "min": _text,
            "max": _text,
            "condition": _choice("new", "used"),
            **dict.fromkeys(("also_value", "also_tolerance", "also_min", "also_max"), Field(text, says=_ALSO)),
            "page": Field(text, True, 'the page of the manual, or "shop" for the shop\'s own aim'),
        },
        rules.limit,
    ),
    "starter": Kind(
        "what a first shim can be guessed from",
        {"old_mark": _text, "new_mark": _text, "taller": Field(signed_length)},
        rules.starter,
    ),
    "instrument": Kind(
        "an arbor, master, indicator, micrometer, blade or gauge",
        {
            "id": Field(identifier, True, "its name"),
            "type": _choice(
                "arbor",
                "master",
                "indicator",
                "micrometer",
                "blade",
                "torque gauge",
                "spring scale",
                "thermometer",
                required=True,
            ),
            "constant": _length,
            "distance": _length,
            "thickness": _length,
            "u": Field(uncertainty),
            "resolution": _length,
            "mpe": Field(uncertainty),
            "repeatability": Field(uncertainty),
            "travel": _length,
            "tip_radius": Field(measure("length", "0", "100")),
            "certificate": _text,
            "last_check": Field(date),
            "note": _text,
        },
        rules.instrument,
    ),
    "check": Kind(
        "a check of an instrument",
        {
            "instrument": Field(identifier, True, "its name"),
            "found": Field(text, True, "what was found"),
            "deviation": Field(signed_length),
            "date": Field(date),
        },
    ),
    "incident": Kind(
        "something that happened to an instrument",
        {
            "instrument": Field(identifier),
            "what": _choice("knock", "dropped", "battery changed", "key pressed", "other", required=True),
            "note": _text,
        },
    ),
    "direction": Kind(
        "which way the display goes",
        {"pushed_in": _choice("rises", "falls"), "stated": _choice("grows", "shrinks"), "basis": _text},
        rules.direction,
    ),
    "zeroing": Kind(
        "the display on the master, before or after",
        {
            "when": _choice("before", "after", required=True),
            "reading": Field(signed_length, True, "the display on the master, with its unit"),
            "arbor": Field(identifier),
            "master": Field(identifier),
            "indicator": Field(identifier),
            "blade": Field(identifier),
            "blade_on": _choice("none", "pinion", "master", "both"),
        },
        rules.zeroing,
    ),
    "state": Kind("what was done to the build, or how it stands", STATE, rules.something),
    "fit": Kind(
        "shims put in",
        {
            "place": _choice(*PLACES, required=True),
            "pieces": Field(listed(identifier, 1, 12)),
            "stack": _length,
            "predicted": Field(rules.prediction),
            "note": _text,
        },
        rules.fit,
    ),
    "piece": Kind(
        "a shim measured by micrometer",
        {
            "id": Field(identifier, True, "its name"),
            "readings": Field(listed(figure, 3, 12), True, "3 or 4 spots"),
            "unit": _unit,
            "marked": _length,
            "micrometer": Field(identifier),
            "inner_diameter": _length,
            "outer_diameter": _length,
            "place": _choice("depth", "far", "spacer", "side"),
            "from_job": _text,
            "note": _text,
        },
        rules.figures("readings"),
    ),
    "reserve": Kind(
        "a shim set aside for this job, or given free", {"piece": Field(identifier, True), "release": _flag}
    ),
    "discard": Kind("a shim thrown away or used up", {"piece": Field(identifier, True), "reason": _reason}),
    "set": Kind(
        "a measured set of the depth",
        {
            "phase": _phase,
            "stream": Field(path_in_streams),
            "sha256": Field(sha256),
            "result": Field(_result),
            "seatings": Field(listed(table(SEATING, "readings and unit"), 1, 40)),
            "person": _person,
            "pinion_angle": Field(measure("angle", "-360", "360")),
            "blind": Field(whole(1, 10**6)),
            "state": Field(table(STATE, "the fields of a state entry")),
            "note": _text,
        },
        rules.measured_set,
    ),
    "blind": Kind(
        "a second person measures without seeing the first one's set",
        {"first": _ref, "second": Field(text, True, "who measures second")},
    ),
    "preload": Kind(
        "a turning torque",
        {
            "where": _choice("pinion", "carrier", required=True),
            "phase": _phase,
            "torque": Field(positive("torque", "2000")),
            "force": Field(positive("force", "2000")),
            "radius": _length,
            "method": _choice("turning", "starting"),
            "through_gears": _flag,
            "sleeve": _text,
            "person": _person,
        },
        rules.preload,
    ),
    "zero-play": Kind("the sum of both side shims at which play just vanishes", {"sum": Field(length, True)}),
    "backlash": Kind(
        "backlash at several places",
        {
            "places": Field(listed(figure, 1), says="one figure a place; a stream gives them itself"),
            "unit": Field(unit_of("length"), says="mm or in, for the places; a stream gives it itself"),
            "stream": Field(path_in_streams),
            "sha256": Field(sha256),
            "result": Field(_places_found),
            "phase": _phase,
            "indicator": Field(identifier, says="its name, for its error over the travel"),
            "radius": _length,
            "tooth_radius": _length,
            "plunger_angle": Field(measure("angle", "0", "80")),
            "person": _person,
        },
        rules.backlash,
    ),
    "end-play": Kind(
        "end play of the pinion or the carrier, pushed and pulled along its shaft",
        {
            "where": _choice("pinion", "carrier", required=True),
            "phase": _phase,
            "play": Field(uncertainty, says="how far it moves; 0 where it does not; a stream gives it itself"),
            "stream": Field(path_in_streams),
            "sha256": Field(sha256),
            "result": Field(_places_found),
            "indicator": Field(identifier, says="its name, for its error over the travel"),
            "person": _person,
            "note": _text,
        },
        rules.end_play,
    ),
    "run-out": Kind(
        "run-out of the ring gear's back face over one turn",
        {
            "readings": Field(listed(figure, 8), says="8 or more figures; a stream gives them itself"),
            "unit": Field(unit_of("length"), says="mm or in, for the readings; a stream gives it itself"),
            "stream": Field(path_in_streams),
            "sha256": Field(sha256),
            "result": Field(_heights_found),
            "turns": Field(whole(2, 20), says="whole turns made in the stream, from rest to rest at the same mark"),
            "teeth_under": Field(whole(3, 400), says="teeth of the ring gear, where the plunger ran over them"),
            "phase": _phase,
            "where": _text,
            "person": _person,
        },
        rules.run_out,
    ),
    "pattern": Kind(
        "the contact pattern in words, with photos",
        {
            "drive": Field(listed(choice("centre", "high", "low", "toe", "heel"), 1, 2), True, "where it lies"),
            "coast": Field(listed(choice("centre", "high", "low", "toe", "heel"), 1, 2), True, "where it lies"),
            "phase": _phase,
            "load": _text,
            "wanders": _flag,
            "photos": Field(listed(file_name, 0, 40)),
            "person": _person,
            "note": _text,
        },
        rules.pattern,
    ),
    "photo": Kind(
        "a photo in the job's folder", {"file": Field(file_name, True), "sha256": Field(sha256), "of": _text}
    ),
    "deviation": Kind(
        "something accepted that is not as it should be, and who allowed it",
        {
            "entry": Field(whole(1, 10**6), says="the number of the reading that is accepted as it is"),
            "what": Field(text, True),
            "allowed_by": Field(text, True),
            "reason": _reason,
        },
    ),
    "allow": Kind("a reading taken in a wrong state is used all the same, marked", {"entry": _ref, "reason": _reason}),
    "void": Kind("a reading is void", {"entry": _ref, "reason": _reason}),
    "withdraw": Kind("an entry written by mistake", {"entry": _ref, "reason": _reason}),
    "confirm": Kind(
        "a question answered",
        {"entry": _ref, "what": _choice("unit", "large change", "limit", "response", required=True), "reason": _reason},
    ),
    "skip": Kind("a step left out, with the reason", {"step": Field(identifier, True), "reason": _reason}),
    "note": Kind("a note", {"text": Field(text, True)}),
    "close": Kind(
        "the job is closed",
        {
            "not_checked": Field(text, True, 'what was not checked, or "nothing left out"'),
            "recheck": Field(date),
            "running_in": _text,
            "compounds": _text,
        },
    ),
    "reopen": Kind("a closed job is opened again", {"reason": _reason}),
}
"""Every kind of entry by name."""
