"""What was measured or seen."""

from __future__ import annotations

from analysis.job import rules_measured as rules
from analysis.job.fields import (
    Field,
    choice,
    file_name,
    identifier,
    length,
    measure,
    path_in_streams,
    positive,
    sha256,
    text,
    uncertainty,
    unit_of,
    whole,
)
from analysis.job.kinds.build import STATE
from analysis.job.kinds.kind import FLAG, LENGTH, PERSON, PHASE, REF, TEXT, UNIT, Kind, figures_from, one_of
from analysis.job.several import SHORT_SEATINGS, figures, listed, names, seatings, table

SEATING: dict[str, Field] = {
    "readings": figures_from(1),
    "unit": UNIT,
    "pinion_angle": Field(measure("angle", "-360", "360")),
    "push_pull": Field(uncertainty),
    "rejected": TEXT,
    "accepted_because": TEXT,
    "person": PERSON,
}


def _result(given: object) -> object:
    return rules.analysed(given)


def _heights_found(given: object) -> object:
    return rules.worked_out(given, "heights_mm")


def _places_found(given: object) -> object:
    return rules.worked_out(given, "places")


MEASURED: dict[str, Kind] = {
    "set": Kind(
        "a measured set of the depth",
        {
            "phase": PHASE,
            "stream": Field(path_in_streams),
            "sha256": Field(sha256),
            "result": Field(_result),
            "seatings": Field(
                seatings(table(SEATING, "readings and unit"), 40), says=f"typed, a seating each: {SHORT_SEATINGS}"
            ),
            "person": PERSON,
            "pinion_angle": Field(measure("angle", "-360", "360")),
            "blind": Field(whole(1, 10**6)),
            "state": Field(table(STATE, "the fields of a state entry")),
            "note": TEXT,
        },
        rules.measured_set,
    ),
    "blind": Kind(
        "a second person measures without seeing the first one's set",
        {"first": REF, "second": Field(text, True, "who measures second")},
    ),
    "preload": Kind(
        "a turning torque",
        {
            "where": one_of("pinion", "carrier", required=True),
            "phase": PHASE,
            "torque": Field(positive("torque", "2000")),
            "force": Field(positive("force", "2000")),
            "radius": LENGTH,
            "method": one_of("turning", "starting"),
            "through_gears": FLAG,
            "sleeve": TEXT,
            "person": PERSON,
        },
        rules.preload,
    ),
    "zero-play": Kind("the sum of both side shims at which play just vanishes", {"sum": Field(length, True)}),
    "backlash": Kind(
        "backlash at several places",
        {
            "places": Field(figures(1), says="one figure a place; a stream gives them itself"),
            "unit": Field(unit_of("length"), says="mm or in, for the places; a stream gives it itself"),
            "stream": Field(path_in_streams),
            "sha256": Field(sha256),
            "result": Field(_places_found),
            "phase": PHASE,
            "indicator": Field(identifier, says="its name, for its error over the travel"),
            "radius": LENGTH,
            "tooth_radius": LENGTH,
            "plunger_angle": Field(measure("angle", "0", "80")),
            "person": PERSON,
        },
        rules.backlash,
    ),
    "end-play": Kind(
        "end play of the pinion or the carrier, pushed and pulled along its shaft",
        {
            "where": one_of("pinion", "carrier", required=True),
            "phase": PHASE,
            "play": Field(uncertainty, says="how far it moves; 0 where it does not; a stream gives it itself"),
            "stream": Field(path_in_streams),
            "sha256": Field(sha256),
            "result": Field(_places_found),
            "indicator": Field(identifier, says="its name, for its error over the travel"),
            "person": PERSON,
            "note": TEXT,
        },
        rules.end_play,
    ),
    "run-out": Kind(
        "run-out of the ring gear's back face over one turn",
        {
            "readings": Field(figures(8), says="8 or more figures; a stream gives them itself"),
            "unit": Field(unit_of("length"), says="mm or in, for the readings; a stream gives it itself"),
            "stream": Field(path_in_streams),
            "sha256": Field(sha256),
            "result": Field(_heights_found),
            "turns": Field(whole(2, 20), says="whole turns made in the stream, from rest to rest at the same mark"),
            "teeth_under": Field(whole(3, 400), says="teeth of the ring gear, where the plunger ran over them"),
            "phase": PHASE,
            "where": TEXT,
            "person": PERSON,
        },
        rules.run_out,
    ),
    "pattern": Kind(
        "the contact pattern in words, with photos",
        {
            "drive": Field(names(1, 2, choice("centre", "high", "low", "toe", "heel")), True, "where it lies"),
            "coast": Field(names(1, 2, choice("centre", "high", "low", "toe", "heel")), True, "where it lies"),
            "phase": PHASE,
            "load": TEXT,
            "wanders": FLAG,
            "photos": Field(listed(file_name, 0, 40)),
            "person": PERSON,
            "note": TEXT,
        },
        rules.pattern,
    ),
    "photo": Kind("a photo in the job's folder", {"file": Field(file_name, True), "sha256": Field(sha256), "of": TEXT}),
}
