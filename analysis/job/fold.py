"""From the entries of a job to its present state.

Entries are taken in order; a correction stands in for what it corrects, at that entry's place in time, and both stay in the list.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from analysis.depth import MASTER_RETURN_MM
from analysis.job.conditions import VOIDS, Change, Void, after, changes, wrong_for, wrong_for_depth
from analysis.job.entries import Entry
from analysis.job.kinds import KINDS
from analysis.job.quantities import Quantity, quantity
from analysis.job.records import Data, DepthMove, Piece, SideMove, Stack, Taken, Zeroing, mean_of
from analysis.job.typed import unit_doubts

SHIM_SPREAD_MM = Decimal("0.010")
"""Spread over one shim from which it is not used, where no limit is stated (common practice, no source)."""

STACK_APART_MM = Decimal("0.010")
"""Difference between a stack measured and the sum of its pieces that means dirt, burrs or oil (common practice, no source)."""

SUM_KEPT_MM = Decimal("0.0005")
"""Change of the sum of both side shims that is no change."""


@dataclass
class Job:
    """A job as it stands; built by `fold`, not by hand."""

    entries: Sequence[Entry] = ()
    effective: list[Entry] = field(default_factory=list)
    corrections: dict[int, list[int]] = field(default_factory=dict)
    withdrawn: dict[int, str] = field(default_factory=dict)
    intake: Data | None = None
    family: Data | None = None
    gearset: Data | None = None
    target: Data | None = None
    starter: Data | None = None
    limits: dict[str, Data] = field(default_factory=dict)
    instruments: dict[str, Data] = field(default_factory=dict)
    checks: list[Entry] = field(default_factory=list)
    zeroings: list[Zeroing] = field(default_factory=list)
    direction: Data | None = None
    state: dict[str, object] = field(default_factory=dict)
    stacks: dict[str, Stack] = field(default_factory=dict)
    pieces: dict[str, Piece] = field(default_factory=dict)
    reserved: set[str] = field(default_factory=set)
    discarded: dict[str, str] = field(default_factory=dict)
    readings: list[Taken] = field(default_factory=list)
    depth_moves: list[DepthMove] = field(default_factory=list)
    side_moves: list[SideMove] = field(default_factory=list)
    zero_play: Data | None = None
    blinds: dict[int, Entry] = field(default_factory=dict)
    skips: dict[str, str] = field(default_factory=dict)
    confirmed: set[tuple[int, str]] = field(default_factory=set)
    records: list[Entry] = field(default_factory=list)
    closed: Entry | None = None
    problems: list[str] = field(default_factory=list)
    shop: tuple[Piece, ...] = ()
    cache: dict[object, object] = field(default_factory=dict)

    def reading(self, n: int) -> Taken | None:
        """The reading of an entry."""
        return next((r for r in self.readings if r.n == n), None)

    def latest(self, kind: str, *, usable: bool = True) -> Taken | None:
        """Last reading of a kind."""
        return next((r for r in reversed(self.readings) if r.kind == kind and (r.usable or not usable)), None)

    def limit_mm(self, name: str) -> Decimal | None:
        """A one-valued limit, mm; None where it is not stated."""
        d = self.limits.get(name)
        return None if d is None else quantity(d["value"], "length").mm

    @property
    def open_zeroing(self) -> Zeroing | None:
        """The zeroing that has no check after it yet."""
        z = self.zeroings[-1] if self.zeroings else None
        return z if z is not None and z.after is None and not z.left_open else None


def fold(entries: Iterable[Entry], shop: Iterable[Piece] = ()) -> Job:
    """Present state of a job.

    Parameters
    ----------
    entries : iterable of Entry
        In order, as they were written down.
    shop : iterable of Piece
        Shims free in the other jobs of the shop.

    Notes
    -----
    Entries of a kind this version does not know are kept and not used.
    """
    job = Job(entries=tuple(entries), shop=tuple(shop))
    job.effective = _effective(job)
    # Limits are facts of the manual, whenever they were written down.
    for e in job.effective:
        if e.kind == "limit":
            _keep(job, e)
    for e in job.effective:
        step = _STEPS.get(e.kind)
        if step is not None:
            step(job, e)
        elif e.kind in KINDS:
            job.records.append(e)
        else:
            job.problems.append(
                f"entry {e.n} is of a kind this version does not know ({e.kind}); it is kept and not used"
            )
    _side_sums(job)
    return job


def _side_sums(job: Job) -> None:
    """Void a carrier preload measured with another sum of side shims than is in now."""
    now = _side_sum(job.stacks)
    last = job.side_moves[-1].n if job.side_moves else 0
    for r in job.readings:
        then = _side_sum(r.stacks)
        if r.kind != "carrier-preload" or now is None or then is None or abs(now - then) <= SUM_KEPT_MM:
            continue
        why = VOIDS["side-sum"]["carrier-preload"]
        reason = Void(last, f"sum of the side shims {then.normalize():f} to {now.normalize():f} mm: {why}")
        (r.past if r.phase == "as-found" else r.voided).append(reason)


def _side_sum(stacks: Mapping[str, Stack]) -> Decimal | None:
    if "left" not in stacks or "right" not in stacks:
        return None
    return stacks["left"].thickness.mm + stacks["right"].thickness.mm


def _effective(job: Job) -> list[Entry]:
    standing: dict[int, Entry] = {}
    root: dict[int, int] = {}
    for e in job.entries:
        if e.corrects is None:
            standing[e.n] = e
            root[e.n] = e.n
            if e.kind == "withdraw":
                job.withdrawn[_whole(e.data["entry"])] = f"entry {e.n}: {e.data['reason']}"
            continue
        first = root.get(e.corrects, e.corrects)
        root[e.n] = first
        old = standing.get(first)
        if old is None or old.kind != e.kind:
            job.problems.append(
                f"entry {e.n} corrects entry {e.corrects}, which is not there or of another kind; it is not used"
            )
            continue
        standing[first] = Entry(first, old.at, old.by, old.kind, e.data, None, old.extra)
        job.corrections.setdefault(first, []).append(e.n)
    job.withdrawn = {root.get(n, n): why for n, why in job.withdrawn.items()}
    return [e for n, e in standing.items() if n not in job.withdrawn]


def _whole(x: object) -> int:
    return int(str(x))


def _void(job: Job, e: Entry, change: Change, *, only: Zeroing | None = None) -> None:
    """Void what a change voids: readings of the build as it was."""
    for kind, why in VOIDS[change.name].items():
        for r in job.readings:
            if r.kind != kind or (only is not None and r.zeroing is not only):
                continue
            if (
                change.name == "covers"
                and kind == "depth"
                and (e.data.get("carrier") or job.state.get("carrier")) == "in"
            ):
                continue  # the arbor is out for good: the covers now hold the carrier
            reason = Void(e.n, f"{change.say}: {why}")
            # What was found stays what was found; it only stops being how things are.
            (r.past if r.phase == "as-found" and change.name != "temperature" else r.voided).append(reason)


def _state(job: Job, e: Entry, given: Data | None = None) -> None:
    standing = given is not None
    fields = given if given is not None else e.data
    done = changes(job.state, fields, standing=standing)
    for change in done:
        if change.name == "temperature":
            z = job.open_zeroing
            if z is not None:
                _void(job, e, change, only=z)
        else:
            _void(job, e, change)
    if any(c.name == "bearings" for c in done) and _pending(job):
        job.depth_moves[-1] = _without_base(job.depth_moves[-1])
    job.state = after(job.state, fields, done)


def _pending(job: Job) -> bool:
    """A change of shim that no set has followed yet."""
    last = job.depth_moves[-1].n if job.depth_moves else 0
    return last > 0 and not any(r.kind == "depth" and r.n > last for r in job.readings)


def _without_base(m: DepthMove) -> DepthMove:
    return DepthMove(m.n, m.old, m.new, None, None)


def _fit(job: Job, e: Entry) -> None:
    place = str(e.data["place"])
    stack = _stack(job, e)
    if stack is None:
        return
    old = job.stacks.get(place)
    if place == "depth":
        base = base_set(job)
        recorded = e.data.get("predicted")
        known = old is not None and base is not None
        job.depth_moves.append(
            DepthMove(
                e.n, old, stack, base.n if known and base else None, recorded if isinstance(recorded, dict) else None
            )
        )
        # Shims first written down are those that are in already.
        if old is not None:
            _void(job, e, Change("depth-shim", f"depth shim {old.thickness} to {stack.thickness}"))
            job.state.pop("turns", None)
    elif place == "far":
        if old is not None and old.thickness.mm != stack.thickness.mm:
            _void(job, e, Change("far-shim", f"far pack {old.thickness} to {stack.thickness}"))
    elif old is not None:
        job.side_moves.append(SideMove(e.n, place, old, stack))
        _void(job, e, Change("side-shim", f"{place} shim {old.thickness} to {stack.thickness}"))
    else:
        job.side_moves.append(SideMove(e.n, place, None, stack))
    job.stacks[place] = stack


def base_set(job: Job) -> Taken | None:
    """The set a change of the depth shim starts from."""
    return job.latest("depth") or _as_found(job)


def _as_found(job: Job) -> Taken | None:
    """The as-found set, where it still tells how the pinion stood with its old bearings."""
    for r in reversed(job.readings):
        if r.kind == "depth" and r.phase == "as-found" and r.status == "past":
            return None if any("bearing" in v.reason for v in r.past) else r
    return None


def _stack(job: Job, e: Entry) -> Stack | None:
    given = e.data.get("pieces")
    names = [str(x) for x in given] if isinstance(given, list) else []
    unknown = [n for n in names if n not in job.pieces]
    measured = quantity(e.data["stack"], "length") if "stack" in e.data else None
    if unknown and measured is None:
        job.problems.append(f"entry {e.n} fits {', '.join(unknown)}, which nobody has measured; it is not used")
        return None
    doubt = ""
    rejected = [n for n in names if n in job.pieces and job.pieces[n].rejected]
    if rejected:
        doubt = f"{', '.join(rejected)} should not be used: {job.pieces[rejected[0]].rejected}"
    if unknown or not names:
        assert measured is not None
        return Stack(e.n, measured, tuple(names), doubt)
    parts = [job.pieces[n].thickness for n in names]
    total = _sum(parts)
    if measured is not None:
        apart = measured.mm - total.mm
        if abs(apart) > STACK_APART_MM:
            doubt = f"the stack measures {apart:+.4f} mm against the sum of its pieces: look for burrs, dirt, oil or a wavy shim"
        return Stack(e.n, measured, tuple(names), doubt)
    return Stack(e.n, total, tuple(names), doubt)


def _sum(parts: Sequence[Quantity]) -> Quantity:
    if len({p.unit for p in parts}) == 1:
        return Quantity(sum((p.value for p in parts), Decimal(0)), parts[0].unit)
    return Quantity(sum((p.mm for p in parts), Decimal(0)), "mm")


def _piece(job: Job, e: Entry) -> None:
    unit = str(e.data["unit"])
    mean, spread = mean_of(e.data["readings"], unit)
    limit = job.limit_mm("shim-spread")
    most = SHIM_SPREAD_MM if limit is None else limit
    why = "" if spread.mm <= most else f"its spots differ by {spread}, more than {most.normalize():f} mm"
    name = str(e.data["id"])
    job.pieces[name] = Piece(name, e.n, mean, spread, str(e.data.get("place", "depth")), e.data, why)


def _zeroing(job: Job, e: Entry) -> None:
    reading = quantity(e.data["reading"], "length")
    last = job.open_zeroing
    if e.data["when"] == "before":
        if last is not None:
            last.left_open = True
            for r in job.readings:
                if r.zeroing is last and not r.voided:
                    r.wrong.append(f"the master was not read again after it, before the next zeroing (entry {e.n})")
        job.zeroings.append(Zeroing(e.n, reading, e.data))
        return
    if last is None:
        job.problems.append(f"entry {e.n} reads the master again, but no zeroing is open; it is not used")
        return
    last.after, last.n_after = reading, e.n
    drift = last.drift_mm
    limit = job.limit_mm("zero-drift")
    most = Decimal(str(MASTER_RETURN_MM)) if limit is None else limit
    assert drift is not None
    if abs(drift) > most:
        for r in job.readings:
            if r.zeroing is last:
                r.voided.append(
                    Void(
                        e.n,
                        f"the display came back on the master {drift:+.4f} mm off, more than {most.normalize():f} mm: everything measured since "
                        "the zeroing is void",
                    )
                )


def _incident(job: Job, e: Entry) -> None:
    z = job.open_zeroing
    what = f"{e.data.get('instrument', 'instrument')}: {e.data['what']}"
    if z is None:
        return
    for r in job.readings:
        if r.zeroing is z:
            r.voided.append(
                Void(e.n, f"{what}, before the master was read again: the zero they rest on can no longer be checked")
            )
    z.left_open, z.incident = True, what


def _direction(job: Job, e: Entry) -> None:
    d = {**e.data, "entry": e.n, "sense": _sense(e.data)}
    old = job.direction
    if old is not None and old["sense"] != d["sense"] and "pushed_in" in e.data:
        for r in job.readings:
            if r.kind == "depth" and r.direction is not None:
                r.voided.append(
                    Void(
                        e.n,
                        "a push on the plunger shows the display running the other way than before: it is not known since when",
                    )
                )
    job.direction = d


def _sense(d: Data) -> str:
    if "stated" in d:
        return str(d["stated"])
    return "shrinks" if d["pushed_in"] == "rises" else "grows"


def _set(job: Job, e: Entry) -> None:
    inline = e.data.get("state")
    if isinstance(inline, dict):
        _state(job, e, inline)
    z = job.open_zeroing
    phase = str(e.data["phase"])
    direction = None if job.direction is None else str(job.direction["sense"])
    r = Taken(
        e.n,
        "depth",
        phase,
        e.at,
        str(e.data.get("person", e.by)),
        e.data,
        dict(job.state),
        dict(job.stacks),
        z,
        direction,
    )
    r.wrong += wrong_for_depth(phase, job.state)
    if z is None:
        r.wrong.append("the display was not read on the master before it")
    r.questions += unit_doubts(e.data)
    if isinstance(e.data.get("blind"), int):
        r.blind_for = _whole(e.data["blind"])
    job.readings.append(r)


def _other(job: Job, e: Entry) -> None:
    kind = f"{e.data['where']}-preload" if e.kind == "preload" else e.kind
    phase = str(e.data["phase"])
    r = Taken(e.n, kind, phase, e.at, str(e.data.get("person", e.by)), e.data, dict(job.state), dict(job.stacks))
    r.wrong += wrong_for(kind, phase, job.state)
    job.readings.append(r)


def _about(job: Job, e: Entry) -> None:
    n = _whole(e.data["entry"])
    r = job.reading(n)
    if e.kind == "confirm":
        job.confirmed.add((n, str(e.data["what"])))
        if r is not None and e.data["what"] == "unit":
            r.questions.clear()
        return
    if r is None:
        job.problems.append(f"entry {e.n} is about entry {n}, which is no reading")
    elif e.kind == "allow":
        r.allowed = f"entry {e.n}: {e.data['reason']}"
        r.allowed_wrongs = len(r.wrong)
    else:
        r.voided.append(Void(e.n, str(e.data["reason"])))


def _keep(job: Job, e: Entry) -> None:
    d = {**e.data, "entry": e.n}
    if e.kind == "limit":
        job.limits[str(d["name"])] = d
    elif e.kind == "instrument":
        job.instruments[str(d["id"])] = d
    elif e.kind == "reserve":
        (job.reserved.discard if d.get("release") else job.reserved.add)(str(d["piece"]))
    elif e.kind == "discard":
        job.discarded[str(d["piece"])] = str(d["reason"])
    elif e.kind == "skip":
        job.skips[str(d["step"])] = str(d["reason"])
    elif e.kind == "blind":
        job.blinds[e.n] = e
    elif e.kind == "check":
        job.checks.append(e)
    elif e.kind == "close":
        job.closed = e
    elif e.kind == "reopen":
        job.closed = None
    else:
        setattr(job, {"zero-play": "zero_play"}.get(e.kind, e.kind), d)


_STEPS = {
    **dict.fromkeys(
        (
            "intake",
            "family",
            "gearset",
            "target",
            "starter",
            "limit",
            "instrument",
            "check",
            "reserve",
            "discard",
            "skip",
            "blind",
            "close",
            "reopen",
        ),
        _keep,
    ),
    "zero-play": _keep,
    "state": _state,
    "fit": _fit,
    "piece": _piece,
    "zeroing": _zeroing,
    "incident": _incident,
    "direction": _direction,
    "set": _set,
    "preload": _other,
    "backlash": _other,
    "run-out": _other,
    "pattern": _other,
    "allow": _about,
    "void": _about,
    "confirm": _about,
}
