"""Whatever is written down: a refusal with its reason or an entry; and whatever entries a job holds, it folds and can be shown."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from analysis.job import Entry, JobEntryError, check_entry, fold, job_as_dict, next_step
from analysis.job.fields import FieldError
from analysis.job.kinds import KINDS
from tests.analysis import job_scenarios as s
from tests.analysis.job_building import AT, entries

_WORDS = {
    w
    for k in KINDS.values()
    for f in k.fields.values()
    if f.says.startswith("one of: ")
    for w in f.says[8:].split(", ")
}
_POOL: list[Any] = [
    *sorted(_WORDS),
    "0.920 mm", "0.0322 in", "-0.260 mm", "59.000 mm", "0 mm", "0.001 mm", "2.9 N·m", "19 lb·in", "34 N", "21 °C", "70 °F", "20 °",
    "+14", "m+8 (+3)", "97.46", "98", "0.7", "0.00002", "I1", "A1", "M60", "B10", "old", "0.82", "trial", "2026-03-02", "face.jpg",
    1, 3, 20, 37, True, False, ["old"], ["0.82", "old"], ["0.27", "0.28", "0.26"], ["1.5", "1.5", "1.501", "1.502"], ["0.01"] * 8,
    ["centre"], ["high", "toe"], [{"readings": ["1.55", "1.551"], "unit": "mm"}] * 3, [{"readings": ["42.6"], "unit": "in"}],
    [{"readings": ["1.6"], "unit": "mm", "push_pull": "0.03 mm"}], {"nut": "torqued", "turns": 20}, {"seal": "in"},
]  # fmt: skip


def _fits(kind: str, field: str) -> list[Any]:
    out = []
    for value in _POOL:
        try:
            KINDS[kind].fields[field].check(value)
        except FieldError:
            continue
        out.append(value)
    return out


_FITTING = {k: {f: _fits(k, f) for f in spec.fields} for k, spec in KINDS.items()}


@st.composite
def plausible(draw: st.DrawFn) -> tuple[str, dict[str, Any]]:
    """An entry of fields that each hold something allowed."""
    kind = draw(st.sampled_from(sorted(KINDS)))
    fields = _FITTING[kind]
    needed = [f for f, x in KINDS[kind].fields.items() if x.required]
    more = draw(st.lists(st.sampled_from(sorted(fields)), max_size=6))
    data = {f: draw(st.sampled_from(fields[f])) for f in dict.fromkeys([*needed, *more]) if fields[f]}
    return kind, data


_JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.decimals()
    | st.text(max_size=12)
    | st.sampled_from(["0.9 mm", "1e9 mm", "٣ mm", "\ud800"]),
    lambda x: st.lists(x, max_size=3) | st.dictionaries(st.text(max_size=6), x, max_size=3),
    max_leaves=6,
)


@settings(max_examples=300)
@given(st.data())
def test_any_entry_is_taken_or_refused_with_its_reason(data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(sorted(KINDS)) | st.text(max_size=8))
    names = st.sampled_from(sorted(KINDS[kind].fields)) | st.text(max_size=5) if kind in KINDS else st.text(max_size=5)
    given_ = data.draw(st.dictionaries(names, _JSON, max_size=5))
    problems, out = None, {}
    try:
        out = check_entry(kind, given_)
    except JobEntryError as e:
        problems = e.problems
    if problems is not None:
        assert problems
        assert all(p.field and p.given and p.allowed for p in problems)
        assert "\n".join(map(str, problems)).encode()
        return
    # What is stored says the same when it is read again.
    text = json.dumps(out, ensure_ascii=False, allow_nan=False)
    assert text.encode()
    assert check_entry(kind, json.loads(text)) == out


@settings(max_examples=150, suppress_health_check=list(HealthCheck))
@given(st.lists(plausible(), min_size=1, max_size=10), st.sampled_from((0, 15, 34, 47)))
def test_any_entries_fold_and_can_be_shown(rows: list[tuple[str, dict[str, Any]]], after: int) -> None:
    """Entries in any order, on nothing or on a job that is under way."""
    job = entries(s.ONE[:after])
    for kind, data in rows:
        try:
            job.append(Entry(len(job) + 1, AT, "CD", kind, check_entry(kind, data)))
        except JobEntryError:
            continue
    assume(len(job) > after)
    folded = fold(job)
    text = json.dumps(job_as_dict(folded), allow_nan=False)
    assert "a competent person decides" in text
    step = next_step(folded)
    assert (step is None) == (folded.closed is not None)
    assert step is None or (step.say and step.why)
