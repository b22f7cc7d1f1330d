"""The end of a set: what is found stays, what comes later is shown and does not count, and the user may go on.  Invented streams."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from analysis.readings import Reading
from analysis.session import Session
from analysis.setup import Setup, parse_setup
from analysis.tracing import TracingSession
from tests.analysis.test_session import MM, _feed
from tests.bench.hands import STEADY, make


def _setup(tolerance: str = "0.03") -> Setup:
    return parse_setup({"gearset": {"tolerance": Decimal(tolerance)}, "arbor": {"reading_sense": "grows"}})


def _swept(session: Session, seatings: int = 3) -> float:
    """Seatings of ten sweeps each; the time of the last reading."""
    end = 0.0
    for n, shift in enumerate((0, 2, -1, 1)[:seatings]):
        if n:
            session.mark(end + 0.1, "reseat")
        end = _feed(session, make(STEADY, 40), end + 1.0, shift)
    return end


def _figures(session: Session) -> dict[str, Any]:
    """All that a finished set must keep."""
    result = session.result()
    return {k: result[k] for k in ("set", "depth", "shim", "play", "enough")}


def test_sweeps_after_the_end_are_shown_and_touch_nothing() -> None:
    session = Session(_setup())
    end = _swept(session)
    before, found = _figures(session), session.sweeps
    session.mark(end + 0.1, "set-end")
    assert session.ended
    # Half a millimetre away: had it counted, everything would be another.
    session.mark(end + 0.2, "reseat")
    _feed(session, make(STEADY, 77), end + 1.0, 500)
    assert _figures(session) == before
    assert session.sweeps[: len(found)] == found
    later = session.sweeps[len(found) :]
    assert len(later) >= 8
    assert all(s.reasons[0] == "after-the-end" and not s.accepted for s in later)
    assert later[0].advice == "The set had ended. Begin a new set, or go on with this one."
    assert {s.seat for s in later} == {4}


def test_the_swing_that_was_under_way_at_the_end_does_not_count() -> None:
    made = make(STEADY, 41)
    whole = Session(_setup())
    _feed(whole, made)
    ended = Session(_setup())
    n = found = 0
    for n, (t, c) in enumerate(zip(made.t.tolist(), made.counts.tolist(), strict=True)):
        ended.reading(Reading(t, c, MM))
        if len(ended.sweeps) == 4:
            found = n
            break
    before = _figures(ended)
    ended.mark(float(made.t[found]) + 0.001, "set-end")
    for t, c in zip(made.t[found + 1 :].tolist(), made.counts[found + 1 :].tolist(), strict=True):
        ended.reading(Reading(t, c, MM))
    assert _figures(ended)["set"] == before["set"]
    assert len(ended.sweeps) == len(whole.sweeps), "it is found whole, not cut in two by the mark"
    assert sum(s.accepted for s in ended.sweeps) == 4


def test_going_on_counts_what_came_after_the_end() -> None:
    plain, taken_up = Session(_setup()), Session(_setup())
    end = _swept(plain)
    _swept(taken_up)
    taken_up.mark(end + 0.1, "set-end")
    for session in (plain, taken_up):
        session.mark(end + 0.2, "reseat")
        _feed(session, make(STEADY, 40), end + 1.0, 1)
    assert taken_up.statistics != plain.statistics
    taken_up.mark(end + 99.0, "go-on")
    assert taken_up.went_on
    assert not taken_up.ended
    assert taken_up.statistics == plain.statistics
    assert taken_up.sweeps == plain.sweeps
    assert plain.step()["do"] == "read-answer"
    assert taken_up.step()["do"] == "seat-again", "the user wants more of it"


def test_a_set_ended_by_hand_says_what_it_lacks() -> None:
    session = Session(_setup("0.003"))
    end = _swept(session, 1)
    session.mark(end, "set-end")
    enough = session.result()["enough"]
    assert isinstance(enough, dict)
    assert (enough["stop"], enough["reached"]) == (True, False)
    assert enough["say"].startswith("The set was ended here. Seat the arbor again")


def test_a_push_pull_test_after_the_end_still_tells_of_play() -> None:
    session = Session(_setup())
    t = _swept(session)
    assert session.play.finding == "none"
    session.mark(t + 0.1, "set-end")
    low = session.sweeps[-1].minimum_mm
    assert low is not None
    counts = round(low * 1000)
    # Ten readings a second, two seconds each way, six changes of 0.03 mm.
    for n in range(280):
        level = 30 if (n // 20) % 2 else 0
        session.reading(Reading(t + 5.0 + n / 10, counts + level + (n * 7) % 3 - 1, MM))
    session.close()
    assert session.play.finding == "present"


def test_what_to_do_now() -> None:
    session, t, said = Session(_setup()), 0.0, []
    assert session.step() == {"do": "sweep", "seating": 1, "left": 3, "seatings": 2, "ended": False}
    made = make(STEADY, 40)
    for _ in range(3):
        for k, c in zip(made.t.tolist(), made.counts.tolist(), strict=True):
            session.reading(Reading(t + 1.0 + k, c, MM))
            step = session.step()
            if not said or step != said[-1]:
                said.append(step)
            if step["do"] != "sweep":
                break
        t += 1.0 + k
        session.mark(t + 0.1, "reseat")
    assert [(s["do"], s["seating"], s["left"]) for s in said] == [
        ("sweep", 1, 3), ("sweep", 1, 2), ("sweep", 1, 1), ("seat-again", 1, 0),
        ("sweep", 2, 3), ("sweep", 2, 2), ("sweep", 2, 1), ("seat-again", 2, 0),
        ("sweep", 3, 3), ("sweep", 3, 2), ("sweep", 3, 1), ("read-answer", 3, 0),
    ]  # fmt: skip
    assert [s["seatings"] for s in said if s["do"] == "seat-again"] == [2, 1]


def test_without_a_tolerance_three_seatings_of_three_are_the_least() -> None:
    session = Session()
    _swept(session, 2)
    assert session.step()["do"] == "seat-again"
    session = Session()
    _swept(session, 3)
    assert session.step()["do"] == "read-answer"


def test_one_trace_a_sweep_after_the_end_too() -> None:
    session = TracingSession(_setup())
    end = _swept(session, 1)
    assert session.trace(1) is None, "not judged yet"
    session.mark(end, "set-end")
    _feed(session, make(STEADY, 79), end + 1.0)
    assert [x.sweep for x in session.traces] == list(session.sweeps)
    assert session.trace(1) is not None
    last = session.trace(len(session.sweeps))
    assert last is not None
    assert last.sweep == session.sweeps[-1]
    assert session.trace(0) is None
    assert session.trace(len(session.sweeps) + 1) is None
