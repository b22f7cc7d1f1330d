"""From what somebody wants to write down to the entry that is written: checked against its kind, the job, the streams and the shop."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from analysis.job.admission import admit
from analysis.job.entries import Entry, JobEntryError, Problem, check_entry, check_who_when
from analysis.job.fields import FieldError, path_in_streams
from analysis.job.fold import fold
from analysis.job.records import Stack
from analysis.job.response import prediction
from analysis.job.state import Job
from analysis.job.stock import shop_stock
from analysis.telling import shown
from capture.errors import CaptureError
from capture.jobs.errors import EntryRefusedError
from capture.jobs.streams import derived_from, inside_of, sum_of_file
from capture.stamp import stamp

Row = tuple[str, Mapping[str, object], int | None]
"""Kind, data, and the number of the entry it corrects."""

_STANDS_IN: dict[str, dict[str, object]] = {
    "set": {"stream": "streams/x.jsonl", "sha256": "0" * 64, "result": {"set": {}}},
    "backlash": {
        "stream": "streams/x.jsonl",
        "sha256": "0" * 64,
        "result": {"places": []},
        "places": [1],
        "unit": "mm",
    },
    "run-out": {
        "stream": "streams/x.jsonl",
        "sha256": "0" * 64,
        "result": {"heights_mm": []},
        "readings": [0] * 8,
        "unit": "mm",
    },
    "end-play": {"stream": "streams/x.jsonl", "sha256": "0" * 64, "result": {"places": []}, "play": "0 mm"},
}
"""What a recording will give, by kind, to have the rest of an entry checked before there is one."""


class Preparing:
    """Makes entries of rows, one after the other, each seeing those before it.

    Parameters
    ----------
    path : Path
        The job's folder.
    entries : sequence of Entry
        What stands in its journal.
    others : callable
        The jobs beside it by name, itself left out.
    """

    def __init__(self, path: Path, entries: Sequence[Entry], others: Callable[[], Mapping[str, Job]]) -> None:
        self._path, self._entries, self._others = path, list(entries), others
        self.fresh: list[Entry] = []

    def row(self, kind: str, data: Mapping[str, object], by: str, at: str, corrects: int | None) -> None:
        """Prepare one entry, and those that it brings with it.

        Raises
        ------
        EntryRefusedError
        """
        entries = [*self._entries, *self.fresh]
        job = fold(entries)
        first = corrects
        if corrects is not None:
            first, data = _merged(job, entries, kind, data, corrects)
        given = dict(data)
        if kind in _STANDS_IN and "stream" in given and corrects is None:
            given |= self._stream(job, kind, given)
        if kind == "fit":
            given.pop("predicted", None)
        clean = _checked(job, kind, given, by, corrects)
        clean |= self._photos(kind, clean)
        brought: list[Entry] = []
        if kind in ("fit", "reserve") and not clean.get("release"):
            brought = self._from_shop(job, clean, by, at, len(entries))
            if brought:
                job = fold([*entries, *brought])
        if kind == "fit" and clean["place"] == "depth" and corrects is None:
            stack = _would_be(job, clean, by, at)
            told = None if stack is None else prediction(job, stack)
            if told is not None:
                clean["predicted"] = told
        # What a program worked out bears its stamp, so that another one that gives something else is told from a changed file.
        extra: dict[str, object] = {"program": stamp().as_dict()} if {"result", "predicted"} & clean.keys() else {}
        self.fresh += [*brought, Entry(len(entries) + len(brought) + 1, at, by, kind, clean, first, extra)]

    def _stream(self, job: Job, kind: str, given: Mapping[str, object]) -> dict[str, object]:
        for key in _STANDS_IN[kind]:
            if key != "stream" and key in given:
                raise EntryRefusedError(
                    [Problem(f"{kind}.{key}", shown(given[key]), "left out: it is worked out from the stream")]
                )
        relative = given["stream"]
        try:
            path = inside_of(self._path, path_in_streams(relative))
            return derived_from(kind, path, job, given)
        except (FieldError, CaptureError) as e:
            raise EntryRefusedError(
                [Problem(f"{kind}.stream", shown(relative), f"a stream that this can be worked out from. {e}")]
            ) from None

    def _photos(self, kind: str, clean: Mapping[str, object]) -> dict[str, object]:
        named = [clean["file"]] if kind == "photo" else clean.get("photos", []) if kind == "pattern" else []
        assert isinstance(named, list)
        photos = self._path / "photos"
        missing = [n for n in named if not (photos / str(n)).is_file()]
        if missing:
            field = f"{kind}.{'file' if kind == 'photo' else 'photos'}"
            raise EntryRefusedError(
                [Problem(field, shown(missing[0]), f"a file in {photos}; copy it there first with: job photo")]
            )
        return {"sha256": sum_of_file(photos / str(clean["file"]))} if kind == "photo" else {}

    def _from_shop(self, job: Job, clean: Mapping[str, object], by: str, at: str, count: int) -> list[Entry]:
        """Entries that bring shims of other jobs into this one; refused where another job has them."""
        wanted = clean.get("pieces", [clean["piece"]] if "piece" in clean else [])
        assert isinstance(wanted, list)
        if not wanted:
            return []
        others = self._others()
        rows = {r["id"]: r for r in shop_stock(others)}
        key = "fit.pieces" if "pieces" in clean else "reserve.piece"
        out: list[Entry] = []
        for name in map(str, wanted):
            row = rows.get(name)
            if row is not None and row["state"] in ("fitted", "reserved", "discarded"):
                raise EntryRefusedError(
                    [Problem(key, shown(name), f"a shim that is free; job {row['state_in']} has it {row['state']}")]
                )
            if name in job.pieces:
                continue
            if row is None:
                if "stack" in clean:
                    continue
                known = ", ".join(sorted({*job.pieces, *rows})) or "none is measured yet"
                raise EntryRefusedError([Problem(key, shown(name), f"a shim that was measured (piece): {known}")])
            data = {**others[row["job"]].pieces[name].data, "from_job": row["job"]}
            out.append(Entry(count + len(out) + 1, at, by, "piece", data))
        return out


def _checked(job: Job, kind: str, given: Mapping[str, object], by: str, corrects: int | None = None) -> dict[str, Any]:
    try:
        clean = check_entry(kind, given)
    except JobEntryError as e:
        raise EntryRefusedError(e.problems) from None
    problems = admit(job, kind, clean, by, corrects)
    if problems:
        raise EntryRefusedError(problems)
    return clean


def check_before_recording(job: Job, kind: str, data: Mapping[str, object], by: str, at: str) -> None:
    """Check everything of an entry but the recording that is to come with it, before that recording is ended or copied.

    Raises
    ------
    EntryRefusedError
    """
    try:
        check_who_when(by, at)
    except JobEntryError as e:
        raise EntryRefusedError(e.problems) from None
    for key in _STANDS_IN[kind]:
        if key in data:
            raise EntryRefusedError(
                [Problem(f"{kind}.{key}", shown(data[key]), "left out: it comes with the recording")]
            )
    _checked(job, kind, {**data, **_STANDS_IN[kind]}, by)


def _would_be(job: Job, clean: Mapping[str, object], by: str, at: str) -> Stack | None:
    trial = fold([*job.entries, Entry(len(job.entries) + 1, at, by, "fit", dict(clean))])
    stack = trial.stacks.get("depth")
    return stack if stack is not None and stack.entry == len(job.entries) + 1 else None


def _merged(
    job: Job, entries: Sequence[Entry], kind: str, data: Mapping[str, object], corrects: int
) -> tuple[int, dict[str, object]]:
    first = next((root for root, later in job.corrections.items() if corrects in later), corrects)
    old = next((e for e in job.effective if e.n == first), None)
    if old is None:
        raise EntryRefusedError(
            [Problem("corrects", str(corrects), f"the number of an entry that stands, 1 to {len(entries)}")]
        )
    if old.kind != kind:
        raise EntryRefusedError([Problem("kind", kind, f"{old.kind}, as the entry it corrects is")])
    if kind in _STANDS_IN and "stream" in old.data and data.keys() & {*_STANDS_IN[kind], "seatings"}:
        raise EntryRefusedError(
            [Problem("corrects", str(corrects), f"a new {kind} for another stream: what was measured is not corrected")]
        )
    return first, {k: v for k, v in {**old.data, **data}.items() if v is not None}
