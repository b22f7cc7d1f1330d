"""Benches the packaged recordings were made from.  All of them are invented."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from capture.simulator.scenario import Scenario

SUM_PATTERN = r"^(?P<sign>[+-])(?P<value>\d+\.\d+)\*(?P<sum>[0-9A-F]{2})$"

PACKED = {"use": "packed-decimal"}
COUNTED = {"use": "counted-binary"}

CLEAN = {"sweeps": 8, "swing": 8.5, "sweep_s": 2.6}


@dataclass(frozen=True)
class Entry:
    """One recording to make.

    Attributes
    ----------
    scenario : Scenario
    seed : int
    profile : dict
        What the header says of the bytes; rate, unit and step are added from the scenario.
    setup : str
        Set-up file, or "" for none.
    cut : float
        Share of lines that lose bytes on the way and still look like numbers; the first line loses its start.
    hurt : float
        Share of bytes that the serial line damages, and whose damage the port's driver tells.
    value_bytes : int
        Over Bluetooth: bytes in a notification; 0 for a serial line.
    twice_at : float or None
        When every notification begins to be delivered twice.
    disk_fails_at : float or None
        When the recorder's disk refuses to put what it holds on the platter.
    ends_at : float or None
        When a mark ends the set while the hand swings on.
    killed : bool
        The recording is left as by a recorder that is killed while it writes a line.
    """

    scenario: Scenario
    seed: int
    profile: dict[str, Any] = field(default_factory=dict)
    setup: str = ""
    cut: float = 0.0
    hurt: float = 0.0
    value_bytes: int = 0
    twice_at: float | None = None
    disk_fails_at: float | None = None
    ends_at: float | None = None
    killed: bool = False


SETUP_MM = """# INVENTED, for a simulated bench. No figure here is a specification.
[gearset]
nominal = 60.00
etched = "+3"
etched_step = 0.01
etched_sense = "adds"
tolerance = 0.03
aim = 0.015

[arbor]
constant = 58.400
constant_u = 0.001
reading_sense = "grows"
tip_radius = 1.5

[indicator]
resolution = 0.001
mpe = 0.003

[shims]
fitted = 1.200
thicker_moves = "toward"
max_pieces = 2
stock = [
    { thickness = 0.301, id = "A" },
    { thickness = 0.872, id = "B" },
    { thickness = 1.103, id = "C" },
]
order_grades = { from = 0.80, to = 1.60, step = 0.02 }
"""

SETUP_IN = """# INVENTED, for a simulated bench. No figure here is a specification.
units = "in"

[gearset]
nominal = 2.3600
etched = "-2"
etched_step = 0.001
etched_sense = "adds"
tolerance = 0.0015

[arbor]
master = { distance = 2.3000, reading = 0.00080, u = 0.00004 }
reading_sense = "grows"
tip_radius = 0.06

[indicator]
resolution = 0.00005
mpe = 0.00015

[shims]
fitted = 0.0420
thicker_moves = "away"
order_grades = { from = 0.030, to = 0.060, step = 0.001 }
"""


def _entry(
    name: str,
    about: str,
    seed: int,
    *,
    profile: dict[str, Any] | None = None,
    setup: str = "",
    how: dict[str, Any] | None = None,
    **what: Any,
) -> Entry:
    return Entry(Scenario(name=name, about=about, **{**CLEAN, **what}), seed, profile or {}, setup, **(how or {}))


ENTRIES: dict[str, Entry] = {
    e.scenario.name: e
    for e in (
        _entry("clean-mm", "Eight steady sweeps, 0.001 mm display.", 11, setup=SETUP_MM),
        _entry(
            "clean-inch",
            "Eight steady sweeps, 0.00005 in display.",
            12,
            unit="in",
            resolution=0.00005,
            zero=58.42,
            setup=SETUP_IN,
        ),
        _entry(
            "shrinks",
            "A display that falls as the face gets farther away: the nearest point is its largest reading.",
            13,
            sense="shrinks",
            zero=61.0,
            setup=SETUP_MM.replace('"grows"', '"shrinks"').replace("58.400", "61.000"),
        ),
        _entry("coarse-mm", "0.01 mm display: most readings at the bottom are equal.", 14, resolution=0.01, rate=20.0),
        _entry("coarse-inch", "0.0005 in display.", 15, unit="in", resolution=0.0005, rate=20.0),
        _entry(
            "knocks-and-half-sweeps",
            "Two bumps and two sweeps that turned back before the bottom.",
            16,
            sweeps=12,
            rate=20.0,
            faults={3: "knock", 6: "half", 8: "knock", 10: "half"},
        ),
        _entry(
            "damaged-frames",
            "Three lines in a hundred damaged; some damage leaves a number, only a wrong one.",
            17,
            damage=0.03,
            rate=20.0,
        ),
        _entry(
            "cut-lines",
            "The link opens in the middle of a line, and one line in thirty loses bytes: what is left is a number, only a wrong one.",
            37,
            how={"cut": 0.033},
            rate=20.0,
        ),
        _entry(
            "check-sum",
            "Damaged lines with a check sum: every damage is seen.",
            18,
            damage=0.03,
            rate=20.0,
            wire="sum",
            profile={"pattern": SUM_PATTERN, "checksum": "sum-hex"},
        ),
        _entry(
            "unit-in-text",
            "Unit after the value; the unit key is pressed between sweeps.",
            19,
            wire="unit",
            unit_key_at=12.6,
            rate=15.0,
        ),
        _entry(
            "decimal-comma",
            "Decimal comma, sign after the value, lone returns as line ends.",
            20,
            wire="comma",
            rate=12.0,
        ),
        _entry(
            "link-lost-and-back",
            "The plug is pulled during a sweep and put back.",
            21,
            unplug_at=9.0,
            unplug_s=2.5,
            sweeps=9,
        ),
        _entry(
            "play-two-levels",
            "Bearing play of 0.014 mm: the minima stand at two levels.",
            22,
            play=0.014,
            sweeps=10,
            rate=15.0,
        ),
        _entry(
            "play-by-heading",
            "Bearing play of 0.012 mm taken up by the way the arbor is swept.",
            23,
            play=0.012,
            play_kind="heading",
            sweeps=10,
            rate=15.0,
        ),
        _entry(
            "too-fast",
            "Five readings a second and sweeps of a second: no bottom can be had from these.",
            24,
            rate=5.0,
            sweep_s=1.0,
            sweeps=8,
        ),
        _entry("batched", "Readings handed over in bunches of 50 ms.", 25, rate=30.0, batch_s=0.05),
        _entry(
            "three-seatings-warming",
            "Three seatings while the casting warms up.",
            26,
            seatings=3,
            sweeps=4,
            seat_scatter=0.002,
            drift_per_min=0.004,
            rate=15.0,
            setup=SETUP_MM,
        ),
        _entry(
            "ended-and-swung-on",
            "A set that ended after three seatings; the hand swings on, in a fourth.",
            27,
            seatings=4,
            sweeps=4,
            seat_scatter=0.0015,
            rate=15.0,
            setup=SETUP_MM,
            how={"ends_at": 40.0},
        ),
        _entry(
            "open-hole",
            "The tip drops into an open centre hole: two false bottoms that repeat perfectly.",
            41,
            hole=1.0,
            rate=20.0,
        ),
        _entry("flat-tip", "A flat tip on its edge: two false bottoms 8 µm too near.", 42, flat_tip=1.0, rate=20.0),
        _entry(
            "arbor-lifted",
            "Three seatings nobody marked: the arbor is lifted out and the plunger hangs free meanwhile.",
            43,
            seatings=3,
            sweeps=4,
            seat_scatter=0.002,
            lifted=True,
            reseat_s=3.0,
            rate=15.0,
            setup=SETUP_MM,
        ),
        _entry("readings-missing", "One reading in twenty-five never comes.", 44, missing=0.04, rate=15.0),
        _entry(
            "rocking",
            "Rocked by two degrees about the bottom, without a pause.",
            45,
            swing=2.3,
            sweep_s=1.9,
            pause_s=0.02,
            sweeps=12,
            rate=12.0,
        ),
        _entry("resting-hand", "A hand that rests at the bottom for a second.", 27, dwell_s=1.0, rate=15.0),
        _entry(
            "packed-decimal",
            "Digits packed four bits each, point and unit in nibbles of their own; the unit key is pressed between sweeps.",
            28,
            wire="packed",
            unit_key_at=13.1,
            profile=PACKED | {"step_in": 0.00005},
        ),
        _entry(
            "packed-decimal-inch",
            "Packed digits of a display of half-thousandths of an inch, falling as the face gets farther away.",
            29,
            wire="packed",
            unit="in",
            resolution=0.0005,
            rate=20.0,
            sense="shrinks",
            zero=61.0,
            profile=PACKED,
            setup=SETUP_IN.replace('"grows"', '"shrinks"')
            .replace("resolution = 0.00005", "resolution = 0.0005")
            .replace("distance = 2.3000, reading = 0.00080", "distance = 2.4016, reading = 0.0000"),
        ),
        _entry(
            "packed-decimal-damaged",
            "Packed digits, four frames in a hundred damaged, without a check: some damage leaves another digit.",
            30,
            wire="packed",
            damage=0.04,
            rate=20.0,
            profile=PACKED,
        ),
        _entry(
            "counted-binary", "Counts in four bytes with a check of sixteen bits.", 31, wire="counted", profile=COUNTED
        ),
        _entry(
            "counted-binary-damaged",
            "One frame in eight damaged, bytes lost and added: the check sees every damage.",
            32,
            wire="counted",
            damage=0.12,
            rate=20.0,
            profile=COUNTED,
        ),
        _entry(
            "counted-binary-unplugged",
            "Counts in four bytes; the plug is pulled during a sweep and put back.",
            33,
            wire="counted",
            unplug_at=10.0,
            unplug_s=1.5,
            sweeps=9,
            profile=COUNTED,
        ),
        _entry(
            "json-lines",
            "A JSON object a line with its unit and step; the unit key is pressed between sweeps.",
            34,
            wire="json",
            unit_key_at=13.3,
            profile={"use": "json-lines"},
        ),
        _entry(
            "json-lines-batched",
            "JSON lines that a wireless bridge hands over in bunches of 80 ms.",
            35,
            wire="json",
            rate=30.0,
            batch_s=0.08,
            profile={"use": "json-lines"},
        ),
        _entry(
            "json-lines-damaged",
            "JSON lines, four in a hundred damaged.",
            36,
            wire="json",
            damage=0.04,
            rate=20.0,
            profile={"use": "json-lines"},
        ),
        _entry(
            "gatt-length",
            "A Bluetooth indicator that describes itself, its values handed over in bunches of 50 ms.",
            38,
            wire="value",
            rate=20.0,
            batch_s=0.05,
            how={"value_bytes": 4},
            profile={"use": "gatt-length"},
        ),
        _entry(
            "gatt-length-dropped",
            "A Bluetooth indicator carried out of reach during a sweep and back.",
            39,
            wire="value",
            rate=20.0,
            batch_s=0.03,
            unplug_at=10.0,
            unplug_s=1.5,
            sweeps=9,
            how={"value_bytes": 4},
            profile={"use": "gatt-length"},
        ),
        _entry(
            "line-damage",
            "Text with even parity; one character in three hundred is damaged on the line, and the driver tells of it.",
            51,
            rate=20.0,
            how={"hurt": 0.0033},
            profile={"parity": "even", "bytesize": 7},
        ),
        _entry(
            "counted-binary-line-damage",
            "Counts in four bytes with even parity; one byte in three hundred is damaged on the line, and bytes FF are in the counts.",
            52,
            wire="counted",
            rate=20.0,
            zero=61.0,
            sense="shrinks",
            how={"hurt": 0.0033},
            profile=COUNTED | {"parity": "even"},
        ),
        _entry(
            "counted-over-bluetooth",
            "Counts with a check in Bluetooth notifications, which do not describe themselves.",
            53,
            wire="counted",
            rate=20.0,
            batch_s=0.03,
            how={"value_bytes": 8},
            profile=COUNTED | {"packets": "attribute"},
        ),
        _entry(
            "text-over-bluetooth",
            "Lines of text in Bluetooth notifications of four bytes: no line comes in one piece.",
            54,
            rate=12.0,
            how={"value_bytes": 4},
        ),
        _entry(
            "notifications-twice",
            "A Bluetooth service that delivers every notification twice from the middle on, until the link is made anew.",
            55,
            wire="value",
            rate=20.0,
            sweeps=9,
            how={"value_bytes": 4, "twice_at": 9.0},
            profile={"use": "gatt-length"},
        ),
        _entry(
            "disk-failed",
            "The disk refuses to keep what it was given: the recording goes on in a second file, which repeats what was not safe.",
            56,
            rate=15.0,
            how={"disk_fails_at": 9.0},
        ),
        _entry(
            "writer-killed",
            "The recorder was killed in the middle of a line.",
            57,
            rate=15.0,
            how={"killed": True},
        ),
    )
}
