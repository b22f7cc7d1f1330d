"""Sentences that name keys of a set-up file, in the words of a job: a mechanic states these by entries and never sees the file."""

from __future__ import annotations

import re
from typing import Any

WORDS = {
    "No indicator.repeatability is stated": "the indicator's repeatability on a still surface is not stated",
    "gearset.head_height_u": "the uncertainty of the head height",
    "gearset.head_height": "the head height",
    "gearset.tolerance": "the limit for the depth (depth-tolerance)",
    "gearset.aim": "the shop's own aim (depth-aim)",
    "gearset.nominal": "the nominal distance of the gear set",
    "gearset.mark": "the form of the mark",
    "arbor.reading_sense": "which way the display goes",
    "arbor.sense_checked = true": "that a push on the plunger has proved it",
    "arbor.sense_checked": "the push on the plunger that proves the direction",
    "arbor.master.u": "the uncertainty of the master",
    "arbor.master.distance": "the distance of the master",
    "arbor.master.reading_after": "the reading on the master afterwards",
    "arbor.master.reading": "the reading on the master",
    "arbor.master": "a master",
    "arbor.constant_u": "the uncertainty of the arbor's constant",
    "arbor.constant": "a constant of the arbor",
    "arbor.bridge.u": "the uncertainty of the blade",
    "arbor.bridge": "the blade",
    "arbor.tip_radius": "the radius of the plunger's tip",
    "indicator.mpe": "the indicator's largest permitted error",
    "indicator.repeatability": "the indicator's repeatability on a still surface",
    "indicator.resolution": "the indicator's display step",
    "housing.material": "the material of the housing",
    "housing.expansion": "its expansion",
    "housing.bore_to_seat": "the length of casting from bore to bearing seat",
    "decision.rule": "the decision rule",
    "shims.thicker_moves": "what a thicker depth shim does",
    "shims.response": "the unit's own response to a change of shim",
    "shims.max_pieces": "how many shims the family allows",
    "shims.thin_limit": "from which thickness on a shim is thin",
    "shims.max_thin": "how many thin shims the family allows",
    "shims.fitted": "the depth shim that is in now",
    "shims.order_grades": "the grades of depth shim that are made",
    "carrier.backlash.ratio": "the backlash ratio of the family",
    "carrier.backlash.places": "the backlash",
    "carrier.backlash": "the backlash",
    "carrier.gears": "the teeth and angles of the gears",
    "carrier.preload_sign": "for each side whether a thicker shim gives more or less preload",
    "carrier.max_pieces": "how many side shims the family allows",
    "carrier.step": "the step of the side shims",
    "carrier.left": "the left side shim",
    "carrier.right": "the right side shim",
    "carrier.sign": "for each side which way a thicker shim moves the ring gear",
}
"""Keys of the set-up in plain words."""

_KEY = re.compile("|".join(re.escape(k) for k in sorted(WORDS, key=len, reverse=True)))
_ANY = re.compile(r"\b(?:gearset|arbor|indicator|housing|decision|shims|carrier|preload)\.[a-z_]+")
_REPEATED = re.compile(
    r' \((?:shims|carrier)\.max_pieces\)|(?<=carrier\.sign) \([^)]*\)|: shims\.thicker_moves = "(?:away|toward|not shown)"'
)


def plainly(text: str) -> str:
    """A sentence without keys of the set-up file."""
    if "." not in text or not _ANY.search(text):
        return text
    out = _REPEATED.sub("", text)
    return _KEY.sub(lambda m: _at(out, m), out)


def _at(text: str, m: re.Match[str]) -> str:
    """The words for a key, with a capital where a sentence begins."""
    words = WORDS[m[0]]
    before = text[: m.start()].rstrip()
    return words[0].upper() + words[1:] if not before or before.endswith(".") else words


def all_plainly(x: Any) -> Any:
    """Every sentence within."""
    if isinstance(x, str):
        return plainly(x)
    if isinstance(x, dict):
        return {k: all_plainly(v) for k, v in x.items()}
    if isinstance(x, list):
        return [all_plainly(v) for v in x]
    return x
