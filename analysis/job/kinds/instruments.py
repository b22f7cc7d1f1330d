"""Instruments, what was found of them, and what ties the display to a length."""

from __future__ import annotations

from analysis.job import rules
from analysis.job.fields import Field, date, identifier, measure, signed_length, text, uncertainty
from analysis.job.kinds.kind import LENGTH, TEXT, Kind, one_of

INSTRUMENTS: dict[str, Kind] = {
    "instrument": Kind(
        "an arbor, master, indicator, micrometer, blade or gauge",
        {
            "id": Field(identifier, True, "its name"),
            "type": one_of(
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
            "constant": LENGTH,
            "distance": LENGTH,
            "thickness": LENGTH,
            "u": Field(uncertainty),
            "resolution": LENGTH,
            "mpe": Field(uncertainty),
            "repeatability": Field(uncertainty),
            "travel": LENGTH,
            "tip_radius": Field(measure("length", "0", "100")),
            "certificate": TEXT,
            "last_check": Field(date),
            "note": TEXT,
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
            "what": one_of("knock", "dropped", "battery changed", "key pressed", "other", required=True),
            "note": TEXT,
        },
    ),
    "direction": Kind(
        "which way the display goes",
        {"pushed_in": one_of("rises", "falls"), "stated": one_of("grows", "shrinks"), "basis": TEXT},
        rules.direction,
    ),
    "zeroing": Kind(
        "the display on the master, before or after",
        {
            "when": one_of("before", "after", required=True),
            "reading": Field(signed_length, True, "the display on the master, with its unit"),
            "arbor": Field(identifier),
            "master": Field(identifier),
            "indicator": Field(identifier),
            "blade": Field(identifier),
            "blade_on": one_of("none", "pinion", "master", "both"),
        },
        rules.zeroing,
    ),
}
