"""What holds for every job: the unit of entry changes no ruling, and a reading is valid exactly while nothing has undone it."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

from hypothesis import example, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from analysis.job import Entry, Job, check_entry, fold, job_as_dict, next_step
from analysis.job.redo import redo_list, void_list
from tests.analysis import job_scenarios as s
from tests.analysis.job_building import AT, folded, shown

_INCHES = re.compile(r"^([+-]?[\d.]+) in$")


def in_mm(value: object, unit_here: str | None = None) -> object:
    """A length written in inches, written in millimetres: the same length exactly."""
    if isinstance(value, str):
        m = _INCHES.match(value)
        if m:
            return f"{Decimal(m.group(1)) * Decimal('25.4'):f} mm"
        if unit_here == "in" and re.fullmatch(r"[+-]?[\d.]+", value):
            return f"{Decimal(value) * Decimal('25.4'):f}"
    return value


def rewritten(kind: str, data: dict[str, Any]) -> dict[str, Any]:
    """An entry with all its inches written in millimetres."""
    if kind == "set":
        return {**data, "seatings": [rewritten("seating", x) for x in data["seatings"]]}
    unit = data.get("unit") if kind in ("piece", "backlash", "run-out", "seating") else None
    out: dict[str, Any] = {}
    for key, value in data.items():
        if key == "unit" and unit == "in":
            out[key] = "mm"
        elif isinstance(value, list):
            out[key] = [in_mm(x, unit if key in ("readings", "places") else None) for x in value]
        else:
            out[key] = in_mm(value)
    return out


def figures(v: dict[str, Any]) -> dict[str, Any]:
    """What is decided, and the figures it rests on."""
    d, shim, c = v["depth"] or {}, v["shim"] or {}, v["carrier"] or {}
    stock = shim.get("stock") or shim.get("fallback")
    return {
        "status": [r["status"] for r in v["readings"]],
        "ruling": d.get("ruling"),
        "distance": d.get("distance_mm"),
        "error": d.get("error_mm"),
        "p": d.get("p_within"),
        "stack": shim.get("stack_mm"),
        "pieces": stock and [p["id"] for p in stock["pieces"]],
        "fits": shim.get("stock") is not None,
        "order": [(g["thickness_mm"], g["role"]) for g in shim.get("order", [])],
        "backlash": (c.get("backlash") or {}).get("finding"),
        "closures": [p["closure"] and (p["closure"]["agrees"], p["closure"]["cause"]) for p in v["predictions"]],
        "step": v["next"] and v["next"]["name"],
    }


_STEP: s.Row = ("instrument", {"id": "I2", "type": "indicator", "resolution": "0.0001 in"})
_ROWS = [
    (k, {**d, "indicator": "I2"} if k == "zeroing" and d["when"] == "before" else d)
    for k, d in [_STEP, *s.TWO_START, *s.TWO_TRIAL, *s.TWO_DELIVERED, *s.TWO_NEW, *s.TWO_FINAL, *s.TWO_CARRIER]
]
# A two-reading list of places in another unit than the rest is what a second mechanic writes down.
_ENDS = [len(s.TWO_START) + 1 + len(s.TWO_TRIAL), len(_ROWS)]


@settings(max_examples=40)
@given(st.data())
def test_the_unit_of_entry_changes_no_ruling(data: st.DataObject) -> None:
    """Any entries of an inch job, written in millimetres instead, give the same rulings, shims and findings."""
    end = data.draw(st.sampled_from(_ENDS))
    tolerance = Decimal(data.draw(st.integers(10, 900))) / 100_000
    aim = tolerance * data.draw(st.sampled_from((Decimal(1), Decimal("0.5"))))
    rows = [
        (
            k,
            {**d, "value": f"{tolerance} in"}
            if d.get("name") == "depth-tolerance"
            else {**d, "value": f"{aim} in"}
            if d.get("name") == "depth-aim"
            else d,
        )
        for k, d in _ROWS[:end]
    ]
    which = data.draw(st.sets(st.integers(0, end - 1), min_size=1))
    mixed = [(k, rewritten(k, d)) if n in which else (k, d) for n, (k, d) in enumerate(rows)]
    assert figures(shown(mixed)) == figures(shown(rows))


@settings(max_examples=40)
@given(st.integers(1, 60_000))
@example(50_000)
@example(50_001)
def test_exactly_at_the_limit_in_either_unit(ten_thousandths: int) -> None:
    """The master's return is compared exactly: 0.005 mm holds, the next digit does not, whatever the unit."""
    drift = Decimal(ten_thousandths) / 10_000_000
    for written, value in ((f"{drift:f} in", drift * Decimal("25.4")), (f"{drift:f} mm", drift)):
        rows = s.ONE_START + s.ONE_AS_FOUND[:-1] + [("zeroing", {"when": "after", "reading": written})]
        last = folded(rows).readings[-1]
        assert (last.status == "valid") == (value <= Decimal("0.005"))


class Voiding(RuleBasedStateMachine):
    """A pinion on the bench, with a model that knows only what the trade's table says."""

    def __init__(self) -> None:
        super().__init__()
        self.entries: list[Entry] = []
        self.seen = 0
        # Model: depth sets as [entry, wrong state, undone, zeroing]; backlash as [entry, wrong, undone].
        self.sets: list[dict[str, Any]] = []
        self.lashes: list[dict[str, Any]] = []
        self.nut = self.covers = "torqued"
        self.seal, self.turns, self.seated, self.carrier = "out", 20, True, "out"
        self.open: int | None = None
        self.thickness = 900

    def write(self, kind: str, data: dict[str, Any]) -> int:
        e = Entry(len(self.entries) + 1, AT, "AB", kind, check_entry(kind, data))
        self.entries.append(e)
        return e.n

    @property
    def job(self) -> Job:
        return fold(self.entries)

    @initialize()
    def begin(self) -> None:
        for kind, data in s.ONE_START:
            self.write(kind, data)
        self.write("fit", {"place": "depth", "stack": "0.900 mm"})
        self.write("state", dict(s.BUILT))
        self.write("instrument", {"id": "I9", "type": "indicator"})

    def undo_depth(self) -> None:
        for x in self.sets:
            x["undone"] = True

    @rule()
    def zero_before(self) -> None:
        n = self.write("zeroing", {"when": "before", **s.ONE_ZERO})
        for x in self.sets:
            if x["zeroing"] == self.open and self.open is not None and not x["undone"]:
                x["wrong"] = True
        self.open = n

    @precondition(lambda self: self.open is not None)
    @rule(micrometres=st.sampled_from((0, 3, -5, 6, -12)))
    def zero_after(self, micrometres: int) -> None:
        self.write("zeroing", {"when": "after", "reading": f"{Decimal(micrometres) / 1000} mm"})
        if abs(micrometres) > 5:
            for x in self.sets:
                if x["zeroing"] == self.open:
                    x["undone"] = True
        self.open = None

    @rule(what=st.sampled_from(("knock", "battery changed")))
    def incident(self, what: str) -> None:
        self.write("incident", {"instrument": "I9", "what": what})
        if self.open is not None:
            for x in self.sets:
                if x["zeroing"] == self.open:
                    x["undone"] = True
        self.open = None

    @rule()
    def measure(self) -> None:
        wrong = (
            self.open is None
            or self.nut == "loose"
            or self.covers == "loose"
            or self.seal == "in"
            or self.turns < 20
            or not self.seated
            or self.carrier == "in"
        )
        n = self.write("set", {"phase": "trial", "seatings": s.seated("mm", "1.55 1.551", "1.552 1.55", "1.551 1.549")})
        self.sets.append({"n": n, "wrong": wrong, "undone": False, "zeroing": self.open})

    @rule(how=st.sampled_from(("torqued", "loose")))
    def nut_touched(self, how: str) -> None:
        self.write("state", {"nut": how})
        self.nut, self.turns = how, 0
        self.undo_depth()

    @rule(turns=st.sampled_from((5, 20, 40)))
    def turn(self, turns: int) -> None:
        self.write("state", {"turns": turns})
        self.turns = turns

    @rule(seal=st.sampled_from(("in", "out")))
    def set_seal(self, seal: str) -> None:
        self.write("state", {"seal": seal})
        self.seal = seal

    @rule()
    def bearings(self) -> None:
        self.write("state", {"bearings_replaced": "pinion"})
        self.seated, self.turns = False, 0
        self.undo_depth()
        for x in self.lashes:
            x["undone"] = True

    @rule()
    def seat(self) -> None:
        self.write("state", {"bearings_seated": True})
        self.seated = True

    @rule()
    def shim(self) -> None:
        self.thickness += 10
        self.write("fit", {"place": "depth", "stack": f"{Decimal(self.thickness) / 1000} mm"})
        self.turns = 0
        self.undo_depth()
        for x in self.lashes:
            x["undone"] = True

    @rule(how=st.sampled_from(("torqued", "loose")))
    def covers_touched(self, how: str) -> None:
        self.write("state", {"covers": how})
        self.covers = how
        if self.carrier == "out":
            self.undo_depth()
        for x in self.lashes:
            x["undone"] = True

    @rule(where=st.sampled_from(("in", "out")))
    def move_carrier(self, where: str) -> None:
        self.write("state", {"carrier": where})
        if where == "out" and self.carrier == "in":
            for x in self.lashes:
                x["undone"] = True
        self.carrier = where

    @rule()
    def backlash(self) -> None:
        n = self.write("backlash", {"phase": "trial", "places": ["0.18", "0.18", "0.18"], "unit": "mm"})
        self.lashes.append({"n": n, "wrong": self.carrier != "in" or self.covers != "torqued", "undone": False})

    @precondition(lambda self: any(x["wrong"] and not x["undone"] for x in self.sets))
    @rule()
    def allow(self) -> None:
        x = next(x for x in self.sets if x["wrong"] and not x["undone"])
        self.write("allow", {"entry": x["n"], "reason": "it had to do"})
        x["wrong"] = False

    @precondition(lambda self: self.sets)
    @rule()
    def void(self) -> None:
        self.write("void", {"entry": self.sets[-1]["n"], "reason": "the arbor slipped"})
        self.sets[-1]["undone"] = True

    @precondition(lambda self: self.sets)
    @rule()
    def withdraw(self) -> None:
        x = self.sets.pop()
        self.write("withdraw", {"entry": x["n"], "reason": "another unit's readings"})

    @invariant()
    def as_the_model_says(self) -> None:
        job = self.job
        assert len(job.entries) >= self.seen
        self.seen = len(job.entries)
        for kind, rows in (("depth", self.sets), ("backlash", self.lashes)):
            have = {r.n: r for r in job.readings if r.kind == kind}
            assert set(have) == {x["n"] for x in rows}
            for x in rows:
                r = have[x["n"]]
                open_ = kind == "depth" and x["zeroing"] == self.open and self.open is not None
                expected = (
                    "void" if x["undone"] else "wrong state" if x["wrong"] else "provisional" if open_ else "valid"
                )
                assert r.status == expected, (r.n, r.status, expected, r.wrong, r.voided)
                # A reason names the entry that did it, which came after the reading.
                assert all(v.entry > r.n and v.reason for v in r.voided)
            good = [x["n"] for x in rows if not x["undone"] and not x["wrong"]]
            latest = job.latest(kind)
            assert (latest.n if latest else None) == (good[-1] if good else None)
            again = [r for r in redo_list(job) if r["kind"] == kind]
            assert bool(again) == (bool(rows) and not good)
        listed = {v["entry"] for v in void_list(job)}
        assert listed == {x["n"] for x in self.sets + self.lashes if x["undone"] or x["wrong"]}

    @invariant()
    def the_shown_depth_rests_on_a_good_set(self) -> None:
        if not self.entries:
            return
        v = job_as_dict(self.job)
        good = [x["n"] for x in self.sets if not x["undone"] and not x["wrong"]]
        assert (v["depth"] or {}).get("set") == (good[-1] if good else None)
        # Allowed without a zeroing it stays a reading that nothing ties to a distance.
        tied = [x["n"] for x in self.sets if x["zeroing"] is not None]
        assert (v["shim"] is not None) == (bool(good) and good[-1] in tied)
        assert next_step(self.job) is not None


Voiding.TestCase.settings = settings(max_examples=40, stateful_step_count=25, deadline=None)
TestVoiding = Voiding.TestCase
