"""The state of the build that makes a reading valid, and what a later change does to it.

A reading taken with the nut finger tight and one taken at torque are different quantities.  Every reading keeps the state it was
taken in; a later change that moves what was measured voids it.  Figures and the interplay of the changes: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from analysis.depth import TOO_WARM_K
from analysis.job.quantities import quantity

TURNS = 20
"""Turns of the shaft after which the rollers are taken to be seated (common practice, no source)."""

WARMED_K = 3
"""Change of a temperature within one zeroing that the zero does not survive (common practice, no source)."""

TEMPERATURES = ("housing_temperature", "arbor_temperature", "master_temperature")

State = Mapping[str, object]


class Change(NamedTuple):
    """Something that was done to the build."""

    name: str
    say: str


def changes(before: State, given: State, *, standing: bool = False) -> list[Change]:
    """What a state entry changed.

    Parameters
    ----------
    before, given : mapping
        State until now, and the fields of the entry.
    standing : bool
        The fields only say how things stand (inside a set): what is the same is no change.  In an entry of its own, naming the
        nut, the retainer or the covers means that a wrench was put to them.
    """
    out: list[Change] = []

    def differs(key: str) -> bool:
        return key in given and given[key] != before.get(key)

    for key, words in (
        ("nut", "the pinion nut"),
        ("retainer", "the pinion's retainer"),
        ("covers", "caps or side covers"),
    ):
        if key in given and (differs(key) or not standing):
            torque = f" ({given[key + '_torque']})" if key + "_torque" in given else ""
            out.append(Change(key, f"{words} {given[key]}{torque}"))
    replaced = given.get("bearings_replaced")
    if replaced in ("pinion", "both") or ("bearings" in before and differs("bearings")):
        out.append(Change("bearings", f"pinion bearings replaced{_kind(given)}"))
    if replaced in ("carrier", "both") or ("carrier_bearings" in before and differs("carrier_bearings")):
        out.append(Change("carrier-bearings", "carrier bearings replaced"))
    if given.get("bearings_seated") is True and before.get("bearings_seated") is False:
        out.append(Change("bearings", "a bearing was seated that was not home"))
    if "sealant" in before and differs("sealant"):
        out.append(Change("sealant", f"gasket or sealant: {given['sealant']}"))
    if given.get("carrier") == "out" and before.get("carrier") == "in":
        out.append(Change("carrier-out", "the carrier was taken out"))
    warmed = [
        f"{key.partition('_')[0]} from {before[key]} to {given[key]}"
        for key in TEMPERATURES
        if key in before and key in given and abs(_celsius(given[key]) - _celsius(before[key])) > WARMED_K
    ]
    if warmed:
        out.append(Change("temperature", ", ".join(warmed)))
    return out


def _kind(given: State) -> str:
    return f" ({given['bearings']})" if "bearings" in given else ""


def _celsius(text: object) -> Fraction:
    return quantity(text, "temperature").celsius


def after(before: State, given: State, done: list[Change]) -> dict[str, object]:
    """State after an entry: turns are counted anew once the shaft was touched."""
    out = {**before, **{k: v for k, v in given.items() if k not in ("note", "bearings_replaced")}}
    names = {c.name for c in done}
    if "turns" not in given and names & {"nut", "bearings", "retainer"}:
        out.pop("turns", None)
    if given.get("bearings_replaced") in ("pinion", "both") and "bearings_seated" not in given:
        out.pop("bearings_seated", None)
    return out


_APART = "the pinion was taken apart and stands anew"
VOIDS: dict[str, dict[str, str]] = {
    "nut": {
        "depth": "the nut's pull moves the pinion's head by up to some hundredths",
        "pinion-preload": "the nut sets the preload",
        "pinion-end-play": "the nut takes up the play",
    },
    "retainer": {
        "depth": "the pack under the retainer squashes and the pinion moves",
        "pinion-preload": "the retainer may hold the preload",
    },
    "covers": {
        "depth": "the bores the arbor lies in moved",
        "carrier-preload": "the covers hold the carrier's bearings",
        "carrier-end-play": "the covers hold the carrier's bearings",
        "backlash": "the covers hold the carrier's bearings, and the ring gear with them",
    },
    "bearings": {
        "depth": "another bearing has another height",
        "pinion-preload": "another bearing has another preload",
        "pinion-end-play": "another bearing has another play",
        "backlash": _APART,
        "pattern": _APART,
    },
    "carrier-bearings": {
        "carrier-preload": "another bearing has another height",
        "carrier-end-play": "another bearing has another play",
        "backlash": "the ring gear stands elsewhere",
        "run-out": "the carrier runs in other bearings",
        "pattern": "the ring gear stands elsewhere",
    },
    "sealant": {
        "depth": "a gasket or sealant adds its thickness under the retainer",
        "pinion-preload": "a gasket or sealant adds its thickness",
    },
    "depth-shim": {
        "depth": "the depth shim was changed",
        "pinion-preload": _APART,
        "backlash": "a change of depth changes the backlash",
        "pattern": "a change of depth moves the pattern",
    },
    "far-shim": {
        "depth": "the sum of the packs sets the preload, and the preload moves the pinion",
        "pinion-preload": "the sum of the packs sets the preload",
    },
    "spacer-shim": {
        "depth": "the shim beside the spacer sets the preload, and the preload moves the pinion",
        "pinion-preload": "the shim beside the spacer sets the preload",
        "pinion-end-play": "the shim beside the spacer takes up the play",
        "backlash": _APART,
        "pattern": _APART,
    },
    "side-shim": {
        "backlash": "the side shims place the ring gear",
        "pattern": "the side shims place the ring gear",
    },
    "side-sum": {
        "carrier-preload": "the sum of the side shims sets the preload",
        "carrier-end-play": "the sum of the side shims sets the play",
    },
    "carrier-out": {
        "carrier-preload": "the carrier stands anew",
        "carrier-end-play": "the carrier stands anew",
        "backlash": "the carrier stands anew",
        "pattern": "the carrier stands anew",
    },
    "temperature": {"depth": "arbor or housing warmed or cooled between the zero and its check"},
}
"""What each change voids, and why."""


def wrong_for_depth(phase: str, s: State) -> list[str]:
    """Why a depth reading was taken in a state that does not make it valid; empty when it was."""
    out: list[str] = []
    nuts = {"as-found": ("as found", "torqued"), "trial": ("torqued", "nipped"), "final": ("torqued",)}[phase]
    _must(s, "nut", nuts, out)
    _must(s, "covers", ("torqued",), out)
    if s.get("retainer") == "loose":
        out.append("the pinion's retainer: loose, must be torqued")
    if s.get("carrier") == "in":
        out.append("the carrier: in, so that the arbor cannot lie in its bores")
    if phase != "as-found":
        _must(s, "seal", ("out",), out)
        _must(s, "bearings", ("new", "used"), out)
        if s.get("bearings_seated") is not True:
            out.append("each race home: not stated as yes, feel that it is")
        _turned(s, out)
    _too_warm(s, out)
    return out


def asked_before_depth(phase: str, s: State) -> str:
    """What has to be written down or put right before a depth reading counts, in short; empty where it would count now."""
    wrong = wrong_for_depth(phase, s)
    open_ = [x.replace(": not stated, must be", "").replace(": not stated as yes, feel that it is", "") for x in wrong]
    open_ = [
        x.replace("turns of the shaft since it was last touched: not stated, at least", "turns of the shaft, at least")
        for x in open_
    ]
    unsaid = [new.removeprefix("the ") for new, x in zip(open_, wrong, strict=True) if "not stated" in x]
    out = [f"Still to be written down, or it does not count: {', '.join(unsaid)}."] if unsaid else []
    bad = [x for x in wrong if "not stated" not in x]
    return " ".join([*out, *([f"To be put right first: {'; '.join(bad)}."] if bad else [])])


def wrong_for(kind: str, phase: str, s: State) -> list[str]:
    """The same for the other readings."""
    out: list[str] = []
    if phase == "as-found" or kind == "end-play":
        return out
    if kind == "pinion-preload":
        _must(s, "seal", ("out",), out)
        _must(s, "bearings", ("new", "used"), out)
        _must(s, "nut", ("torqued", "nipped"), out)
        _turned(s, out)
        if s.get("carrier") == "in":
            out.append("the carrier: in, and the turning torque of the pinion is measured with the shaft alone")
    else:
        _must(s, "carrier", ("in",), out)
        _must(s, "covers", ("torqued",), out)
    return out


_PARTS = {
    "nut": "the pinion nut",
    "covers": "the bearing caps or side covers",
    "seal": "the seal",
    "bearings": "the pinion bearings",
    "carrier": "the carrier",
}
"""Parts by the field that says how they stand."""


def _must(s: State, key: str, allowed: tuple[str, ...], out: list[str]) -> None:
    must = f", must be {' or '.join(allowed)}"
    if key not in s:
        out.append(f"{_PARTS[key]}: not stated{must}")
    elif s[key] not in allowed:
        out.append(f"{_PARTS[key]}: {s[key]}{must}")


def _turned(s: State, out: list[str]) -> None:
    turns = s.get("turns")
    if not isinstance(turns, int):
        out.append(
            f"turns of the shaft since it was last touched: not stated, at least {TURNS} both ways seat the rollers"
        )
    elif turns < TURNS:
        out.append(
            f"turns of the shaft since it was last touched: {turns}, at least {TURNS} both ways seat the rollers"
        )


def _too_warm(s: State, out: list[str]) -> None:
    known = {k.partition("_")[0]: _celsius(s[k]) for k in TEMPERATURES if k in s}
    if len(known) > 1:
        low, high = min(known, key=known.__getitem__), max(known, key=known.__getitem__)
        if float(known[high] - known[low]) > TOO_WARM_K:
            out.append(
                f"temperatures: {high} {float(known[high]):.4g} °C and {low} {float(known[low]):.4g} °C are too far apart; "
                "let them come to the same temperature"
            )


@dataclass(frozen=True, slots=True)
class Void:
    """Why a reading no longer holds: the entry that did it, and the reason."""

    entry: int
    reason: str
