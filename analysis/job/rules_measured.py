"""What must hold between the fields of an entry that was measured.  Each rule gives (field, what is allowed) for every fault."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.job.fields import FieldError
from analysis.job.quantities import quantity
from analysis.job.rules import Data, Faults, figures


def analysed(given: object) -> object:
    """A stream's result as the analysis gave it."""
    return worked_out(given, "set")


def worked_out(given: object, key: str) -> object:
    """What this program worked out of a stream, known by one key."""
    if not isinstance(given, Mapping) or not isinstance(given.get(key), Mapping | list):
        raise FieldError("left out; it is worked out from the stream")
    return dict(given)


def measured_set(d: Data) -> Faults:
    """From a raw stream or from typed readings, not both."""
    if ("stream" in d) == ("seatings" in d):
        return [("seatings", "typed readings, or a raw stream; one of the two")]
    if "stream" in d:
        return (
            [("sha256", "the stream's SHA-256 and result, worked out when it is attached")]
            if not {"sha256", "result"} <= d.keys()
            else []
        )
    seatings = d["seatings"]
    assert isinstance(seatings, list)
    for n, s in enumerate(seatings, start=1):
        for _, allowed in figures("readings")(s):
            return [("seatings", f"at seating {n}: {allowed}")]
    return []


def preload(d: Data) -> Faults:
    """A torque, or a force on a radius."""
    if "torque" in d and ("force" in d or "radius" in d):
        return [("torque", "a torque, or a force with its radius; one of the two")]
    if "torque" not in d and not {"force", "radius"} <= d.keys():
        return [("torque", "a torque with its unit, or a force and the radius it pulls at")]
    return []


def run_out(d: Data) -> Faults:
    """Typed figures, or a stream and how many turns it holds."""
    out = _typed_or_streamed(d, "readings") or figures("readings")(d)
    if not out and "stream" in d and "turns" not in d:
        out.append(("turns", "how many whole turns were made, 2 or more"))
    return out


def end_play(d: Data) -> Faults:
    """Typed, or out of a stream."""
    return _typed_or_streamed(d, "play", "play")


def _typed_or_streamed(d: Data, key: str, unit: str = "unit") -> Faults:
    """Figures that somebody typed, with their unit, or a stream with all that follows from it."""
    if "stream" in d:
        whole = {"sha256", "result", key, unit} <= d.keys()
        return [] if whole else [("sha256", "the stream's SHA-256 and result, worked out when it is attached")]
    if {"sha256", "result"} & d.keys():
        return [("result", "left out; it is worked out from the stream")]
    if key not in d:
        return [(key, "the figures that were read, or a raw stream")]
    return [] if unit in d else [("unit", "mm or in; it is never assumed")]


def backlash(d: Data) -> Faults:
    """Positive readings, both radii or none."""
    out = _typed_or_streamed(d, "places") or figures("places")(d)
    if out:
        return out
    places = d["places"]
    assert isinstance(places, list)
    if any(quantity(x, "length", str(d["unit"])).value <= 0 for x in places):
        out.append(("places", "figures above 0"))
    if ("radius" in d) != ("tooth_radius" in d):
        out.append(("radius", "both radius and tooth_radius, or neither"))
    return out


def pattern(d: Data) -> Faults:
    """One place across the tooth and one along it at most."""
    out: Faults = []
    for key in ("drive", "coast"):
        given = d[key]
        words = {str(x) for x in given} if isinstance(given, list) else set()
        if {"high", "low"} <= words or {"toe", "heel"} <= words or ("centre" in words and len(words) > 1):
            out.append((key, "centre alone, or one of high and low with one of toe and heel"))
    return out
