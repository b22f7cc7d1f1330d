"""How the build stands, and the shims that are in it or might be."""

from __future__ import annotations

from analysis.job import rules
from analysis.job.fields import Field, identifier, measure, positive, whole
from analysis.job.kinds.kind import FLAG, LENGTH, REASON, TEXT, UNIT, Kind, one_of
from analysis.job.several import figures, names

PLACES = ("depth", "far", "spacer", "left", "right")

STATE: dict[str, Field] = {
    "nut": one_of("as found", "loose", "nipped", "torqued"),
    "nut_torque": Field(positive("torque", "2000")),
    "seal": one_of("out", "in"),
    "sealant": one_of("none", "fitted"),
    "turns": Field(whole(0, 1000)),
    "retainer": one_of("loose", "torqued"),
    "covers": one_of("loose", "torqued"),
    "covers_torque": Field(positive("torque", "2000")),
    "bearings": one_of("new", "used"),
    "bearings_seated": FLAG,
    "bearings_replaced": one_of("pinion", "carrier", "both"),
    "carrier_bearings": one_of("new", "used"),
    "carrier": one_of("in", "out"),
    "housing_temperature": Field(measure("temperature", "-50", "200")),
    "arbor_temperature": Field(measure("temperature", "-50", "200")),
    "master_temperature": Field(measure("temperature", "-50", "200")),
    "air_temperature": Field(measure("temperature", "-50", "200")),
    "note": TEXT,
}

BUILD: dict[str, Kind] = {
    "state": Kind("what was done to the build, or how it stands", STATE, rules.something),
    "fit": Kind(
        "shims put in",
        {
            "place": one_of(*PLACES, required=True),
            "pieces": Field(names(1, 12, identifier)),
            "stack": LENGTH,
            "predicted": Field(rules.prediction),
            "note": TEXT,
        },
        rules.fit,
    ),
    "piece": Kind(
        "a shim measured by micrometer",
        {
            "id": Field(identifier, True, "its name"),
            "readings": Field(figures(3, 12), True, "3 or 4 spots"),
            "unit": UNIT,
            "marked": LENGTH,
            "micrometer": Field(identifier),
            "inner_diameter": LENGTH,
            "outer_diameter": LENGTH,
            "place": one_of("depth", "far", "spacer", "side"),
            "from_job": TEXT,
            "note": TEXT,
        },
        rules.figures("readings"),
    ),
    "reserve": Kind(
        "a shim set aside for this job, or given free", {"piece": Field(identifier, True), "release": FLAG}
    ),
    "discard": Kind("a shim thrown away or used up", {"piece": Field(identifier, True), "reason": REASON}),
}
