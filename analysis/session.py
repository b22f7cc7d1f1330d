"""One stream's readings, taken as they come, and the set they make so far.

The same object serves a live capture, a replay and a batch, so all three give the same answer.
It keeps the readings around each bottom, not the whole stream.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.bumps import is_bump, joined, pace
from analysis.geometry import DEFAULT_SWING_RADIUS_MM
from analysis.held import sent_once, times_sent
from analysis.judging import Held, Outcome, SetJudge
from analysis.kept import Kept
from analysis.lifted import JUMP_MM, LiftFinder
from analysis.pushpull import Episode, PlateauFinder
from analysis.readings import Reading, Scale
from analysis.results import Gap, PlayFinding, SetStatistics, Sweep
from analysis.sweeps import Cut, Period, RawSweep, SweepFinder

if TYPE_CHECKING:
    from analysis.setup import Setup

AIM_SHARE = 0.25
"""Half width of the interval aimed at, as a share of the tolerance: below that the measurement hardly narrows the job."""

LATELY = 12
"""Sweeps whose lowest says where the bottom is."""

LONG_GAP_S = 3.0
"""Silence after which a sweep cannot be taken up again."""


class Session:
    """Takes readings, marks and link events; gives the result of the set so far.

    Parameters
    ----------
    setup : Setup, optional
        Without it sweeps are found and judged, but no depth is given.
    """

    def __init__(self, setup: Setup | None = None) -> None:
        self.version = 0
        self._setup = setup
        radius, repeatability, sense = DEFAULT_SWING_RADIUS_MM, None, None
        if setup is not None:
            radius = setup.swing_radius_mm or radius
            repeatability, sense = setup.indicator_repeatability_mm, setup.reading_sense
        self._judging = SetJudge(radius, repeatability)
        senses = {"grows": (1,), "shrinks": (-1,)}.get(sense or "", (1, -1))
        self._finders = {s: SweepFinder(s) for s in senses}
        self._pushes = tuple((s, finder.push) for s, finder in self._finders.items())
        self._found: dict[int, list[Kept]] = {s: [] for s in senses}
        self._period = Period()
        self._plateaus = PlateauFinder()
        self._episodes: list[Episode] = []
        self._readings = 0
        self._bad = 0
        self._gaps: list[Gap] = []
        self._last_t: float | None = None
        self._scale: Scale | None = None
        self._step = 0.0
        self._reseats: list[float] = []
        self._bottom_mm: float | None = None
        self._lifts = LiftFinder()
        self._notes: list[str] = []
        self._cache: tuple[int, Outcome] | None = None
        # Sweeps found when the set ended, by display direction: those that come later stay out of it.
        self._end: dict[int, int] | None = None
        self._went_on = False

    # what comes in

    def reading(self, r: Reading) -> None:
        """Take one reading."""
        t, counts, scale = r
        if scale is not self._scale and scale != self._scale:
            if self._scale is not None and scale.unit != self._scale.unit:
                self._cut("unit-changed")
            self._scale = scale
            self._step = float(scale.step_mm)
        period, last = self._period, self._last_t
        if last is not None and t - last > 0.5 and period.seconds is not None and t - last > 4.0 * period.seconds:
            self._gap(last, t, "no readings")
        self._last_t = t
        self._readings += 1
        period.add(t)
        mm = counts * self._step if -(1 << 40) < counts < 1 << 40 else scale.counts_to_mm(counts)
        step = self._step
        bottom = self._bottom_mm
        if bottom is not None:
            lifts = self._lifts
            if lifts.idle and -JUMP_MM <= mm - bottom <= JUMP_MM:
                if t >= lifts.next_s:
                    lifts.note(t, mm)
            elif lifts.push(t, mm, bottom, step, period.seconds):
                self._seated_again(t)
        episode = self._plateaus.push(t, mm, step)
        if episode is not None:
            self._episodes.append(episode)
            self.version += 1
        for sense, push in self._pushes:
            found = push(t, mm, step)
            if found is not None:
                self._keep(sense, found)

    def mark(self, t: float, mark: str) -> None:
        """Take a mark made by the user."""
        if mark == "reseat":
            self._reseats.append(t)
            self._cut("")
        elif mark.startswith("note:"):
            return
        elif mark in ("zero", "master", "pinion-turned", "push-pull"):
            self._cut("")
            if mark == "push-pull":
                self._plateaus.expect()
        elif mark == "set-end" and not self.ended:
            # The swing that goes on is left to itself: what was found so far is the set.
            self._end = {s: len(kept) for s, kept in self._found.items()}
        elif mark == "go-on":
            self._end, self._went_on = None, True
        self.version += 1

    def link(self, t: float, state: str, why: str = "") -> None:
        """Take a change of the link."""
        del t, why
        if state == "lost":
            self._cut("link-lost")

    def damaged(self, t: float, why: str) -> None:
        """Count a frame that could not be read."""
        del t, why
        self._bad += 1

    def close(self) -> None:
        """The stream has ended: finish an open sweep."""
        self._cut("")

    # what comes out

    @property
    def period_s(self) -> float | None:
        """Time between readings as seen, s."""
        return self._period.seconds

    @property
    def ended(self) -> bool:
        """A mark has ended the set: later sweeps are shown and do not count."""
        return self._end is not None

    @property
    def went_on(self) -> bool:
        """The user has taken up the set again after its end."""
        return self._went_on

    @property
    def sweeps(self) -> tuple[Sweep, ...]:
        """Sweeps so far, rejected ones included."""
        return self._outcome().sweeps

    @property
    def statistics(self) -> SetStatistics:
        """The set so far."""
        return self._outcome().statistics

    @property
    def play(self) -> PlayFinding:
        """What the set says of bearing play."""
        return self._outcome().play

    def result(self) -> dict[str, object]:
        """Everything known so far, ready for JSON (the contract of ``analyse --json``)."""
        from analysis.rendering import result_as_dict

        o = self._outcome()
        depth: dict[str, object] = {
            "distance_mm": None,
            "reason": "No set-up file was given: the distance needs the arbor's constant or a master.",
        }
        shim: dict[str, object] | None = None
        if self._setup is not None:
            from analysis.conclusion import conclude

            depth, shim = conclude(self._setup, o.statistics, o.play, self._step or None)
        result = result_as_dict(
            self._readings, self._bad, tuple(self._gaps), o.sweeps, o.statistics, o.play, depth, shim
        )
        return result | {"enough": self._enough(o.statistics)}

    def step(self) -> dict[str, object]:
        """What to do now: ``{"do", "seating", "left", "seatings", "ended"}``.

        `do` is "sweep" (`left` more good ones in seating number `seating`), "seat-again" (`seatings` more at the least), "read-answer" or
        "called-off" (the aim will not be reached).
        """
        from analysis.stopping import SEATINGS, SWEEPS_A_SEATING

        o = self._outcome()
        enough = self._enough(o.statistics)
        number, good = o.seating
        left, do = max(0, SWEEPS_A_SEATING - good), "sweep"
        if enough is not None and enough["stop"] and not self._went_on:
            do = "read-answer" if enough["reached"] else "called-off"
        elif left == 0:
            # Without a tolerance nothing says how good is good enough: three seatings of three sweeps is the least.
            do = "read-answer" if enough is None and number >= SEATINGS else "seat-again"
        more = max(1, SEATINGS - number)
        return {"do": do, "seating": number, "left": left, "seatings": more, "ended": self.ended}

    def _enough(self, statistics: SetStatistics) -> dict[str, object] | None:
        """Whether the set may end; None where no tolerance says how good is good enough."""
        if self._setup is None or self._setup.tolerance_mm is None:
            return None
        from analysis.stopping import decide

        aim = AIM_SHARE * self._setup.tolerance_mm
        d = decide(statistics, aim)
        early = self.ended and not d.stop
        say = f"The set was ended here. {d.say}" if early else d.say
        return {
            "stop": d.stop or early,
            "reached": d.reached,
            "half_width_mm": d.half_width_mm,
            "aim_mm": aim,
            "say": say,
        }

    # within

    def _seated_again(self, t: float) -> None:
        """The plunger left the face and is back: the arbor was seated again."""
        self._cut("")
        self._reseats.append(t)
        if not self.ended:
            self._notes.append(f"The plunger left the face until {t:.1f} s: taken as seating the arbor again.")
        self.version += 1

    def _gap(self, start: float, end: float, why: str) -> None:
        self._gaps.append(Gap(start, end, why))
        for finder in self._finders.values():
            finder.gap(start, end)
        if end - start > LONG_GAP_S:
            self._cut("gap")

    def _cut(self, why: Cut) -> None:
        episode = self._plateaus.cut()
        if episode is not None:
            self._episodes.append(episode)
            self.version += 1
        for sense, finder in self._finders.items():
            found = finder.cut(why)
            if found is not None:
                self._keep(sense, found)

    def _keep(self, sense: int, raw: RawSweep) -> None:
        kept = self._found[sense]
        often = times_sent(raw)
        period = self._period.seconds
        if often > 1:
            raw = sent_once(raw, often)
            period = period * often if period is not None else None
        low = raw.z[raw.lowest]
        if len(self._found) == 1 or sense == self._likelier(sense):
            self._bottom_mm = sense * low
            self._lifts.pace = min(pace(raw, -1), pace(raw, 1)) or math.nan
        # A hand that rests beside the face makes small bottoms of its own: what it holds there is held at no bottom.
        lately = [k.raw.z[k.raw.lowest] for k in kept[-LATELY:]] if len(self._found) == 1 else []
        self._plateaus.bottom_mm = sense * min([low, *lately])
        last = kept[-1] if len(kept) > (self._end or {}).get(sense, 0) else None
        pair = () if last is None or last.raw.cut or raw.cut else ((last.parted or last.raw, raw),)
        if last is not None and is_bump(last.raw, raw):
            kept[-1] = Kept(joined(last.raw, raw), period, (*last.pairs, *pair), parted=raw)
        else:
            kept.append(Kept(raw, period, pair))
        self.version += 1

    def _likelier(self, latest: int) -> int:
        """The display direction whose lowest readings lie closer together, while it is not stated: bottoms repeat, the ends of swings hardly."""
        spread: dict[int, float] = {}
        for sense, kept in self._found.items():
            lows = sorted([k.raw.z[k.raw.lowest] for k in kept[-LATELY:]])
            if len(lows) < 3:
                return latest
            middle = lows[len(lows) // 2]
            spread[sense] = sorted(abs(x - middle) for x in lows)[len(lows) // 2]
        return min(spread, key=lambda s: spread[s])

    def _outcome(self) -> Outcome:
        cache, version = self._cache, self.version
        if cache is None or cache[0] != version:
            cache = self._cache = (version, self._judge())
        return cache[1]

    def _judge(self) -> Outcome:
        # Readings may go on arriving in another thread: all of it is judged as it stood at one moment.
        return self._judging.judge(
            Held(
                {sense: tuple(kept) for sense, kept in self._found.items()},
                self._end,
                tuple(self._reseats),
                tuple(self._notes),
                tuple(self._episodes),
                self._step,
            )
        )
