"""The English of the sheet, in one place."""

from __future__ import annotations

from typing import Any

from capture.stamp import Stamp

TITLE = "Pinion depth: measurement sheet"

INFORMS = (
    "This sheet informs; a competent person decides. The maker's workshop manual for the unit overrides it, and work that needs a "
    "licence or an inspection stays with those who hold it. It fills in no missing limit and calls no unit safe."
)

CAUTIONS = (
    "Hot housings and bearings: gloves, air, no solvents or oil near heat; no flame on magnesium. Measure only when all parts have "
    "come to one temperature.",
    "Presses and pullers store energy and hardened races shatter: shield, eye protection, nobody in line.",
    "Retaining compounds, removers and cleaners irritate and some burn: ventilation, no heat, full cure before measuring.",
    "Strong magnets of bases and holders upset pacemakers and indicators, and trap fingers.",
    "Rotating gears: no gloves, rag, hair or sleeve near gears that are driven round.",
    "Heavy castings: two people or a hoist; a case that rolls off the bench takes the indicator and the toes with it.",
)

NOT_ON_THIS_SHEET = (
    "Pinion bearing preload, carrier preload, backlash around the ring, run-out and contact pattern are not on this sheet.",
    "Whether ring and pinion are a pair, and whether the pieces fitted are those named here, was not checked by the program.",
)

RULES = {
    "one-sided": "one-sided: 1.65 standard uncertainties or more are kept clear of each limit",
    "expanded": "expanded: two standard uncertainties or more are kept clear of each limit",
}

RULINGS = {
    "within": "within the tolerance",
    "outside": "outside the tolerance",
    "not proven": "not proven",
}

ACCEPTED = "accepted"
NOT_STATED = "not stated"

NAMES = {
    "units": "unit of lengths",
    "gearset.nominal": "nominal distance",
    "gearset.etched": "mark, as written",
    "gearset.etched_step": "length of one count of the mark",
    "gearset.etched_sense": "the mark",
    "gearset.mark": "form of the mark",
    "gearset.tolerance": "tolerance ±",
    "gearset.aim": "aim ±",
    "gearset.head_height": "head height",
    "gearset.head_height_u": "its standard uncertainty",
    "gearset.head_height_dof": "its degrees of freedom",
    "arbor.constant": "arbor constant",
    "arbor.constant_u": "its standard uncertainty",
    "arbor.master.distance": "master: distance",
    "arbor.master.reading": "master: display on it, before",
    "arbor.master.reading_after": "master: display on it, after",
    "arbor.master.u": "master: standard uncertainty",
    "arbor.reading_sense": "display, as the face gets farther away",
    "arbor.sense_checked": "direction proved by a push",
    "arbor.tip_radius": "tip radius",
    "arbor.bridge.thickness": "blade: thickness",
    "arbor.bridge.u": "blade: standard uncertainty",
    "arbor.bridge.on": "blade lies on",
    "indicator.resolution": "display step",
    "indicator.mpe": "largest permitted error",
    "indicator.repeatability": "standard deviation on a still surface",
    "housing.material": "housing",
    "housing.expansion": "expansion, per °C",
    "housing.temperature": "housing temperature, °C",
    "housing.arbor_temperature": "arbor temperature, °C",
    "housing.reference": "reference temperature, °C",
    "housing.bore_to_seat": "bore to bearing seat",
    "decision.rule": "decision rule",
    "shims.fitted": "stack that was in",
    "shims.thicker_moves": "a thicker shim moves the pinion",
    "shims.max_pieces": "most pieces in a stack",
    "shims.thin_limit": "a thin shim is under",
    "shims.max_thin": "most thin shims",
    "shims.u": "standard uncertainty of a piece",
}

LENGTHS = {
    "gearset.nominal",
    "gearset.tolerance",
    "gearset.aim",
    "gearset.head_height",
    "gearset.head_height_u",
    "arbor.constant",
    "arbor.constant_u",
    "arbor.master.distance",
    "arbor.master.reading",
    "arbor.master.reading_after",
    "arbor.master.u",
    "arbor.tip_radius",
    "arbor.bridge.thickness",
    "arbor.bridge.u",
    "indicator.resolution",
    "indicator.mpe",
    "indicator.repeatability",
    "housing.bore_to_seat",
    "shims.fitted",
    "shims.thin_limit",
    "shims.u",
    "gearset.etched_step",
}
"""Keys that hold a length in the file's unit."""

MARKS = {
    "reseat": "arbor seated again",
    "zero": "zero set",
    "master": "master measured",
    "pinion-turned": "pinion turned",
    "push-pull": "push-pull test announced",
    "set-end": "set ended",
    "go-on": "set taken up again",
}

LINKS = {"opened": "link opened", "lost": "link lost", "back": "link back", "stale": "no readings came"}


def open_in_set(result: dict[str, Any]) -> list[str]:
    """What the readings of a set leave open, one sentence each."""
    out: list[str] = []
    st, play = result["set"], result["play"]
    if st["accepted"] == 0:
        out.append("No sweep was accepted.")
    elif st["seats"] < 3:
        out.append(
            f"Seating the arbor again: {st['seats']} seating(s), fewer than three; the interval does not cover it."
        )
    if play["finding"] == "not assessable":
        out.append("Bearing play could not be judged.")
    return out


def open_in_setup(setup: Any) -> list[str]:
    """What the set-up leaves open, one sentence each."""
    if setup is None:
        return ["No set-up was given: no distance, no ruling, no shim."]
    out: list[str] = []
    if setup.tolerance_mm is None:
        out.append("No tolerance is stated, so nothing was ruled.")
    if setup.target is None:
        out.append("No mark or target is stated (no mark is not 0), so there is no error and no shim.")
    if setup.arbor.reading_sense is not None and not setup.arbor.sense_checked:
        out.append("The direction of the display is stated, not proved by a push (arbor.sense_checked).")
    if setup.arbor.master is not None and setup.arbor.master.reading_after is None:
        out.append(
            "The master was not measured again afterwards (arbor.master.reading_after): a shift of zero would not show."
        )
    if setup.housing.temperature is None or setup.housing.arbor_temperature is None:
        out.append("Temperatures of housing and arbor are not stated: not corrected for, and not in the uncertainty.")
    if setup.indicator.repeatability is None:
        out.append(
            "The indicator's repeatability is not stated (indicator.repeatability): it was judged from the sweeps themselves."
        )
    if setup.indicator.mpe is None:
        out.append(
            "The indicator's largest permitted error is not stated (indicator.mpe): it is not in the uncertainty."
        )
    return out


def program(version: str, stamp: Stamp | None) -> tuple[str, str, str]:
    """The program that wrote a sheet, as a row of facts; a sheet of an earlier version names the release alone."""
    return ("program", f"shimwright {version}" if stamp is None else stamp.say, "")
