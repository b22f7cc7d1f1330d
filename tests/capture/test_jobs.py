"""A job on the disk: the file only grows, nothing acknowledged is lost, and everything can be worked out again."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from analysis.job import job_as_dict
from capture.jobs import FORMAT, EntryRefusedError, JobFile, JobFileError, JobFolder
from capture.jobs.journal import NAME, read_journal
from tests.analysis import job_scenarios as s
from tests.capture.test_analyse import record

BY = "AB"
HERE = Path(__file__).parents[2]


@pytest.fixture
def shop(tmp_path: Path) -> JobFolder:
    """A shop without jobs."""
    return JobFolder(tmp_path / "shop")


def filled(shop: JobFolder, name: str, rows: list[s.Row]) -> JobFile:
    """A job with these rows written down one by one."""
    job = shop.new(name)
    for kind, data in rows:
        job.add(kind, data, BY)
    return job


def raw(job: JobFile) -> bytes:
    return (job.path / NAME).read_bytes()


# the file


def test_a_job_is_one_folder_of_plain_files(shop: JobFolder) -> None:
    job = shop.new("2026-014")
    assert {p.name for p in job.path.iterdir()} == {NAME, "streams", "photos"}
    head = json.loads(raw(job))
    assert (head["format"], head["job"]) == (FORMAT, "2026-014")
    e = job.add("intake", {"unit": "invented axle"}, BY, at="2026-03-02T09:14:05Z")
    assert json.loads(raw(job).splitlines()[1]) == {
        "n": 1,
        "at": "2026-03-02T09:14:05Z",
        "by": "AB",
        "kind": "intake",
        "data": {"unit": "invented axle"},
        "prev": read_journal_sum(raw(job).splitlines()[0]),
    }
    assert e.n == 1


def read_journal_sum(line: bytes) -> str:
    import hashlib

    return hashlib.sha256(line).hexdigest()


def test_the_file_only_grows(shop: JobFolder) -> None:
    job = shop.new("j")
    before = raw(job)
    for kind, data in s.ONE:
        job.add(kind, data, BY)
        now = raw(job)
        assert now.startswith(before)
        assert len(now) > len(before)
        before = now
    assert job.job().closed is not None
    assert [f.same for f in job.check()] == [True]


def test_refused_entries_write_nothing(shop: JobFolder) -> None:
    job = filled(shop, "j", s.ONE_START)
    before = raw(job)
    for kind, data in (
        ("intak", {}),
        ("limit", {"name": "depth-tolerance", "value": "0.03", "page": "12"}),
        ("limit", {"name": "depth-tolerance", "value": "0.03 mm"}),
        ("zeroing", {"when": "before", "reading": "0 mm", "master": "M61", "blade_on": "none"}),
        ("fit", {"place": "depth", "pieces": ["nobody"]}),
        ("skip", {"step": "patern", "reason": "x"}),
        ("void", {"entry": 3, "reason": "not a reading"}),
        ("close", {"not_checked": "all"}),
    ):
        with pytest.raises(EntryRefusedError) as e:
            job.add(kind, data, BY)
        assert all(p.field and p.given and p.allowed for p in e.value.problems)
    with pytest.raises(EntryRefusedError, match="by: given"):
        job.add("note", {"text": "x"}, "  ")
    assert raw(job) == before


def test_wrong_names_get_the_nearest_valid_one(shop: JobFolder) -> None:
    job = shop.new("j")
    with pytest.raises(EntryRefusedError) as e:
        job.add("limt", {}, BY)
    assert e.value.problems[0].nearest == "limit"
    with pytest.raises(EntryRefusedError) as e:
        job.add("state", {"covres": "torqued", "turns": "many"}, BY)
    assert [(p.field, p.nearest) for p in e.value.problems] == [("state.covres", "covers"), ("state.turns", None)]
    assert e.value.problems[1].allowed == "a whole number from 0 to 1000"


def test_several_entries_all_or_none(shop: JobFolder) -> None:
    job = shop.new("j")
    before = raw(job)
    rows: list[Any] = [("note", {"text": "one"}, None), ("note", {"txt": "two"}, None)]
    with pytest.raises(EntryRefusedError) as e:
        job.add_all(rows, BY)
    assert e.value.problems[0].field == "entry 2, note.txt"
    assert raw(job) == before
    assert [x.n for x in job.add_all(rows[:1] * 3, BY)] == [1, 2, 3]


def test_a_correction_keeps_both_and_takes_over_the_rest(shop: JobFolder) -> None:
    job = filled(shop, "j", s.ONE_START)
    n = next(e.n for e in job.journal().entries if e.kind == "family")
    job.add("family", {"max_pieces": 2, "material": None}, "CD", corrects=n)
    again = job.add("family", {"max_pieces": 3}, "CD", corrects=len(s.ONE_START) + 1)
    folded = job.job()
    assert folded.family is not None
    assert (folded.family["max_pieces"], "material" in folded.family, folded.family["shim_effect"]) == (3, False, "+1")
    assert folded.corrections == {n: [n + len(s.ONE_START) + 1 - n, again.n]}
    with pytest.raises(EntryRefusedError, match="as the entry it corrects is"):
        job.add("note", {"text": "x"}, BY, corrects=n)
    with pytest.raises(EntryRefusedError, match="an entry that stands"):
        job.add("note", {"text": "x"}, BY, corrects=999)


def test_a_closed_job_stays_closed_until_it_is_opened(shop: JobFolder) -> None:
    job = filled(shop, "j", s.ONE)
    with pytest.raises(EntryRefusedError, match="reopen first"):
        job.add("state", {"nut": "torqued"}, BY)
    job.add("note", {"text": "owner rang"}, BY)
    job.add("reopen", {"reason": "whine after 100 km"}, BY)
    job.add("state", {"nut": "torqued"}, BY)
    assert job.job().closed is None


def test_decimals_stay_as_written(shop: JobFolder) -> None:
    job = shop.new("j")
    e = job.add("piece", {"id": "p", "readings": [Decimal("0.10"), "0.100", Decimal("0.1000")], "unit": "mm"}, BY)
    assert e.data["readings"] == ["0.10", "0.100", "0.1000"]
    assert str(job.job().pieces["p"].thickness) == "0.1000 mm"


# damage


def test_a_cut_off_last_line_is_left_where_it_is(shop: JobFolder) -> None:
    job = filled(shop, "j", s.ONE_START)
    whole = raw(job)
    cut = whole[: -len(whole.splitlines(keepends=True)[-1]) + 25]
    (job.path / NAME).write_bytes(cut)
    again = JobFile(job.path)
    assert len(again.journal().entries) == len(s.ONE_START) - 1
    e = again.add("note", {"text": "after the power came back"}, BY)
    assert e.n == len(s.ONE_START)
    assert raw(again).startswith(cut)
    once_more = JobFile(job.path)
    assert once_more.journal().entries[-1].data == {"text": "after the power came back"}
    assert len(once_more.journal().torn) == 1
    assert "cut off" in [f.what for f in once_more.check()]


def test_every_cut_loses_at_most_the_last_entry(shop: JobFolder, tmp_path: Path) -> None:
    job = filled(shop, "j", s.ONE_START[:4])
    whole = raw(job)
    ends = [i + 1 for i, b in enumerate(whole) if b == 10]
    for at in range(ends[0], len(whole) + 1):
        (tmp_path / "cut").mkdir(exist_ok=True)
        (tmp_path / "cut" / NAME).write_bytes(whole[:at])
        complete = sum(1 for e in ends if e <= at) - 1
        have = len(read_journal(tmp_path / "cut" / NAME).entries)
        assert have in ((complete, complete + 1) if at + 1 in ends else (complete,))


@pytest.mark.parametrize("times", [1, 2, 3])
def test_cut_off_again_and_again(shop: JobFolder, times: int) -> None:
    job = filled(shop, "j", s.ONE_START[:2])
    path = job.path / NAME
    for _ in range(times):
        path.write_bytes(path.read_bytes() + b'\n{"n":3,"at":"2026')
    e = JobFile(job.path).add("note", {"text": "x"}, BY)
    assert e.n == 3
    assert [x.n for x in JobFile(job.path).journal().entries] == [1, 2, 3]


def test_damage_in_the_middle_is_not_passed_over(shop: JobFolder) -> None:
    job = filled(shop, "j", s.ONE_START)
    lines = raw(job).split(b"\n")
    lines[3] = lines[3][:20]
    (job.path / NAME).write_bytes(b"\n".join(lines))
    with pytest.raises(JobFileError, match="line 4: not an entry"):
        JobFile(job.path)


def test_a_changed_line_shows(shop: JobFolder) -> None:
    job = filled(shop, "j", s.ONE_START)
    (job.path / NAME).write_bytes(raw(job).replace(b"0.03 mm", b"0.05 mm", 1))
    found = JobFile(job.path).check()
    assert [(f.entry, f.same) for f in found] == [(3, False)]


def test_a_missing_line_is_an_error(shop: JobFolder) -> None:
    job = filled(shop, "j", s.ONE_START)
    lines = raw(job).split(b"\n")
    (job.path / NAME).write_bytes(b"\n".join(lines[:4] + lines[5:]))
    with pytest.raises(JobFileError, match="a line is missing or doubled"):
        JobFile(job.path)


@pytest.mark.parametrize(
    ("first", "words"),
    [
        (b'{"format":"shimwright-job/2"}', "Use the version that wrote it"),
        (b'{"job":"x"}', "not a job"),
        (b"", "not a job"),
        (b"\xff\xfe", "not a job"),
        (b"[" * 3000, "not a job"),
    ],
)
def test_what_is_no_job(shop: JobFolder, first: bytes, words: str) -> None:
    job = shop.new("j")
    (job.path / NAME).write_bytes(first + b"\n")
    with pytest.raises(JobFileError, match=words):
        JobFile(job.path)


def test_unknown_keys_and_kinds_are_kept(shop: JobFolder) -> None:
    job = filled(shop, "j", s.ONE_START[:1])
    line = {
        "n": 2,
        "at": "2027-01-01T00:00:00Z",
        "by": "AB",
        "kind": "ultrasound",
        "data": {"a": [1]},
        "later": {"b": 2},
    }
    with open(job.path / NAME, "ab") as f:
        f.write(json.dumps(line).encode() + b"\n")
    job = JobFile(job.path)
    assert job.journal().entries[1].extra == {"later": {"b": 2}}
    job.add("note", {"text": "after"}, BY)
    assert b'"later": {"b": 2}' in raw(job)
    assert "does not know (ultrasound)" in job_as_dict(job.job())["problems"][0]


_WRITER = """
import sys
from pathlib import Path
from capture.jobs import JobFile
job = JobFile(Path(sys.argv[1]))
n = 0
while True:
    n += 1
    e = job.add("note", {"text": f"{n} " + "x" * 3000}, "AB")
    print(e.n, flush=True)
"""


@pytest.mark.parametrize("after", [1, 7, 20])
def test_kill_loses_nothing_acknowledged(shop: JobFolder, after: int) -> None:
    job = shop.new("j")
    p = subprocess.Popen([sys.executable, "-c", _WRITER, str(job.path)], stdout=subprocess.PIPE, cwd=HERE, text=True)
    assert p.stdout is not None
    acknowledged = 0
    with p.stdout:
        for line in p.stdout:
            acknowledged = int(line)
            if acknowledged >= after:
                os.kill(p.pid, signal.SIGKILL)
                break
        rest = [int(x) for x in p.stdout.read().split()]
    p.wait()
    acknowledged = max([acknowledged, *rest])
    again = JobFile(job.path)
    entries = again.journal().entries
    assert acknowledged <= len(entries) <= acknowledged + 1
    assert all(str(e.data["text"]).startswith(f"{e.n} ") for e in entries)
    assert again.add("note", {"text": "on"}, BY).n == len(entries) + 1


def test_a_full_disk_is_told_and_costs_nothing(shop: JobFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    job = filled(shop, "j", s.ONE_START[:3])
    write = os.write

    def short(fd: int, data: bytes | memoryview) -> int:
        if len(data) > 40:
            return write(fd, bytes(data[:40]))
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("capture.jobs.journal.os.write", short)
    with pytest.raises(JobFileError, match="could not be put on the disk"):
        job.add("note", {"text": "x" * 200}, BY)
    monkeypatch.undo()
    assert len(JobFile(job.path).journal().entries) == 3
    assert job.add("note", {"text": "room again"}, BY).n == 4
    assert [e.n for e in JobFile(job.path).journal().entries] == [1, 2, 3, 4]


def test_many_hands_at_once(shop: JobFolder) -> None:
    job = shop.new("j")
    errors: list[BaseException] = []

    def work(who: int) -> None:
        try:
            mine = JobFile(job.path)
            for n in range(10):
                mine.add("note", {"text": f"{who} {n}"}, f"P{who}")
        except BaseException as e:
            errors.append(e)

    threads = [threading.Thread(target=work, args=(i,)) for i in range(4)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert not errors
    entries = JobFile(job.path).journal().entries
    assert [e.n for e in entries] == list(range(1, 41))
    assert {str(e.data["text"]) for e in entries} == {f"{w} {n}" for w in range(4) for n in range(10)}
    assert all(f.same for f in JobFile(job.path).check())


# streams and photos


STREAM_START: list[s.Row] = [
    ("limit", {"name": "depth-tolerance", "value": "0.03 mm", "page": "1"}),
    ("family", {"shim_effect": "+1", "effect_basis": "stated"}),
    ("instrument", {"id": "M58", "type": "master", "distance": "58.000 mm", "u": "0.0015 mm"}),
    ("instrument", {"id": "A", "type": "arbor", "tip_radius": "1.5 mm"}),
    (
        "instrument",
        {"id": "I", "type": "indicator", "resolution": "0.001 mm", "mpe": "0.004 mm", "repeatability": "0.001 mm"},
    ),
    ("direction", {"pushed_in": "falls"}),
    (
        "gearset",
        {
            "pinion_pair": "1",
            "ring_pair": "1",
            "mark": "+6",
            "form": "deviation",
            "nominal": "59.90 mm",
            "count": "0.01 mm",
            "sense": "adds",
            "second_reader": "CD",
        },
    ),
    ("fit", {"place": "depth", "stack": "1.120 mm"}),
    ("state", s.BUILT),
    (
        "zeroing",
        {"when": "before", "reading": "0.000 mm", "master": "M58", "arbor": "A", "indicator": "I", "blade_on": "none"},
    ),
]


@pytest.fixture
def streamed(shop: JobFolder, tmp_path: Path) -> JobFile:
    """A job with one recorded set."""
    job = filled(shop, "j", STREAM_START)
    (tmp_path / "rec" / "set-7").mkdir(parents=True)
    stream = record(tmp_path / "rec" / "set-7" / "stream.jsonl", 1, 8)
    job.add("set", {"phase": "trial", "stream": job.attach(stream)}, BY)
    job.add("zeroing", {"when": "after", "reading": "0.001 mm"}, BY)
    return job


def test_a_stream_comes_into_the_folder_with_its_sum(streamed: JobFile, tmp_path: Path) -> None:
    e = streamed.journal().entries[-2]
    assert e.data["stream"] == "streams/set-7/stream.jsonl"
    inside = streamed.path / str(e.data["stream"])
    original = tmp_path / "rec" / "set-7" / "stream.jsonl"
    assert inside.read_bytes() == original.read_bytes()
    import hashlib

    assert e.data["sha256"] == hashlib.sha256(original.read_bytes()).hexdigest()
    # Attached a second time it is the same stream.
    assert streamed.attach(original) == e.data["stream"]
    assert streamed.attach(inside) == e.data["stream"]


def test_a_set_from_a_stream_gives_what_analyse_gives(streamed: JobFile, tmp_path: Path) -> None:
    from capture.analyse import analyse_stream
    from capture.setup_file import load_setup
    from tests.capture.test_analyse import SETUP

    (tmp_path / "setup.toml").write_text(SETUP.replace("u = 0.0015", "reading_after = 0.001, u = 0.0015"))
    alone = analyse_stream(tmp_path / "rec" / "set-7" / "stream.jsonl", load_setup(tmp_path / "setup.toml"))
    v = job_as_dict(streamed.job())
    for key in ("distance_mm", "u_mm", "error_mm", "ruling", "p_within"):
        assert v["depth"][key] == alone["depth"][key], key
    assert v["readings"][0]["set"] == alone["set"]
    assert v["readings"][0]["play"] == alone["play"]


def test_a_copied_folder_is_the_job(streamed: JobFile, tmp_path: Path) -> None:
    shutil.copytree(streamed.path, tmp_path / "elsewhere" / "j")
    there = JobFile(tmp_path / "elsewhere" / "j")
    assert job_as_dict(there.job()) == job_as_dict(streamed.job())
    found = there.check()
    assert len(found) == 3
    assert all(f.same for f in found)


def test_a_changed_stream_differs(streamed: JobFile) -> None:
    stream = streamed.path / "streams" / "set-7" / "stream.jsonl"
    stream.write_bytes(stream.read_bytes().replace(b"+0", b"-0", 1))
    found = [f for f in streamed.check() if not f.same]
    assert len(found) == 1
    assert "not the one that was measured" in found[0].say


def test_a_changed_result_differs(streamed: JobFile) -> None:
    path = streamed.path / NAME
    e = streamed.journal().entries[-2]
    assert isinstance(e.data["result"], dict)
    value = json.dumps(e.data["result"]["set"]["minimum_mm"])
    path.write_bytes(path.read_bytes().replace(value.encode(), b"1.5", 1))
    found = [f for f in JobFile(streamed.path).check() if not f.same]
    assert any(
        "set.minimum_mm was 1.5, is" in f.say and "line it was written down in was changed" in f.say for f in found
    )
    assert any(f.what == "line" for f in found)
    assert {f.cause for f in found} == {"changed"}


def test_a_missing_stream_is_told(streamed: JobFile) -> None:
    shutil.rmtree(streamed.path / "streams" / "set-7")
    assert any("no such stream" in f.say for f in streamed.check() if not f.same)


@pytest.mark.parametrize(
    "path",
    [
        "../other/stream.jsonl",
        "streams/../../x",
        "/etc/passwd",
        "streams//x",
        "photos/x",
        "streams\\x",
        "streams/nothing.jsonl",
    ],
)
def test_streams_outside_are_refused(streamed: JobFile, path: str) -> None:
    with pytest.raises(EntryRefusedError) as e:
        streamed.add("set", {"phase": "trial", "stream": path}, BY)
    assert e.value.problems[0].field == "set.stream"


def test_a_link_out_of_the_folder_is_refused(streamed: JobFile, tmp_path: Path) -> None:
    (streamed.path / "streams" / "out.jsonl").symlink_to(tmp_path / "rec" / "set-7" / "stream.jsonl")
    with pytest.raises(EntryRefusedError, match="leads out"):
        streamed.add("set", {"phase": "trial", "stream": "streams/out.jsonl"}, BY)


def test_a_made_up_result_is_refused(streamed: JobFile) -> None:
    with pytest.raises(EntryRefusedError, match="worked out from the stream"):
        streamed.add("set", {"phase": "trial", "stream": "streams/set-7/stream.jsonl", "result": {"set": {}}}, BY)
    with pytest.raises(EntryRefusedError, match="a new set for another stream"):
        streamed.add("set", {"result": {"set": {}}}, BY, corrects=len(STREAM_START) + 1)
    # A person or a state may be put right.
    streamed.add("set", {"person": "CD"}, BY, corrects=len(STREAM_START) + 1)
    assert streamed.job().readings[0].by == "CD"


def test_photos(streamed: JobFile) -> None:
    with pytest.raises(EntryRefusedError, match="copy it there first"):
        streamed.add("photo", {"file": "face.jpg"}, BY)
    (streamed.path / "photos" / "face.jpg").write_bytes(b"\xff\xd8 invented")
    streamed.add("photo", {"file": "face.jpg", "of": "pinion face"}, BY)
    assert all(f.same for f in streamed.check())
    (streamed.path / "photos" / "face.jpg").write_bytes(b"another")
    assert [f.what for f in streamed.check() if not f.same] == ["face.jpg"]


# the prediction, the box, the people


def test_the_prediction_is_written_down_before_building(shop: JobFolder) -> None:
    job = filled(shop, "j", s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL + s.ONE_BOX)
    job.add("piece", {"id": "0.82", "readings": ["0.823"] * 4, "unit": "mm"}, BY)
    e = job.add(
        "fit", {"place": "depth", "pieces": ["0.82"], "predicted": {"base": 1, "predicted_mm": 99, "effect": "+1"}}, BY
    )
    told = e.data["predicted"]
    assert isinstance(told, dict)
    assert told["predicted_mm"] == pytest.approx(61.6355, abs=5e-5)
    for kind, data in [("state", {"nut": "torqued", "turns": 20}), *s.ONE_NEW]:
        job.add(kind, data, BY)
    (p,) = job_as_dict(job.job())["predictions"]
    assert p["written_before_building"] is True
    assert p["closure"]["agrees"] is True


def test_shims_across_jobs(shop: JobFolder) -> None:
    a = filled(shop, "a", s.ONE_START + s.ONE_BOX)
    b = filled(shop, "b", s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL)
    filled(shop, "c", [("piece", {"id": "0.828", "readings": ["0.828"] * 3, "unit": "mm"})])
    # Free shims of the other jobs are offered here.
    shim = job_as_dict(b.job())["shim"]
    assert [p["id"] for p in shim["stock"]["pieces"]] == ["0.828"]
    b.add("reserve", {"piece": "0.828"}, BY)
    with pytest.raises(EntryRefusedError, match=r"job b has it reserved"):
        a.add("fit", {"place": "depth", "pieces": ["0.828"]}, BY)
    b.add("fit", {"place": "depth", "pieces": ["0.828"]}, BY)
    # It brought its measurement along: the folder alone is enough.
    brought = b.job(with_shop=False).pieces["0.828"]
    assert (str(brought.thickness), brought.data["from_job"]) == ("0.828 mm", "c")
    rows = {r["id"]: r for r in shop.stock()}
    assert (rows["0.828"]["job"], rows["0.828"]["state"], rows["0.828"]["state_in"]) == ("c", "fitted", "b")
    assert rows["0.80"]["state"] == "free"
    with pytest.raises(EntryRefusedError, match=r"job b has it fitted"):
        a.add("reserve", {"piece": "0.828"}, BY)
    b.add("reserve", {"piece": "0.828", "release": True}, BY)
    b.add("fit", {"place": "depth", "pieces": ["old"]}, BY)
    a.add("reserve", {"piece": "0.828"}, BY)
    assert {r["id"]: r["state_in"] for r in shop.stock()}["0.828"] == "a"
    a.add("discard", {"piece": "0.828", "reason": "torn"}, BY)
    assert {r["id"]: r["state"] for r in shop.stock()}["0.828"] == "discarded"


def test_the_second_person_does_not_see_the_first_ones_figure(shop: JobFolder) -> None:
    job = filled(shop, "j", s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL)
    first = next(e.n for e in job.journal().entries if e.kind == "set" and e.data["phase"] == "trial")
    with pytest.raises(EntryRefusedError, match="somebody else: AB measured"):
        job.add("blind", {"first": first, "second": "AB"}, BY)
    blind = job.add("blind", {"first": first, "second": "CD"}, BY)
    text = json.dumps(job_as_dict(job.job()))
    for figure in ("61.73", "0.0925", "1.634", "0.8275", "1.6325"):
        assert figure not in text
    assert job_as_dict(job.job())["next"]["name"] == "blind"
    with pytest.raises(EntryRefusedError, match="first the blind set of CD"):
        job.add("fit", {"place": "depth", "stack": "0.8 mm"}, BY)
    rows = s.measured(
        "trial", s.seated("mm", "1.635 1.634 1.636", "1.632 1.631 1.633", "1.634 1.635 1.633"), s.ONE_ZERO, "0.000 mm"
    )
    job.add(*rows[0], BY)
    with pytest.raises(EntryRefusedError, match="who is to measure second"):
        job.add("set", {**rows[1][1], "blind": blind.n}, BY)
    job.add("set", {**rows[1][1], "blind": blind.n}, "CD")
    job.add(*rows[2], BY)
    v = job_as_dict(job.job())
    (c,) = v["people"]
    # Seating medians 1.634, 1.6305, 1.633 and 1.635, 1.632, 1.634.
    assert c["difference_mm"] == pytest.approx(1.6336667 - 1.6325, abs=1e-6)
    assert c["repeatability_sd_mm"] == pytest.approx(((6.5 + 4.666667) / 4) ** 0.5 / 1000, abs=1e-7)
    assert c["critical_difference_mm"] == pytest.approx(2.8 * c["repeatability_sd_mm"] * (1 / 3) ** 0.5, rel=1e-9)
    assert c["limit_mm"] == pytest.approx(2.776445 * c["repeatability_sd_mm"] * (2 / 3) ** 0.5, rel=1e-6)
    assert c["agrees"] is True
    assert c["people"] == ["AB", "CD"]
    assert "61.7" in json.dumps(v)


def test_two_people_who_differ(shop: JobFolder) -> None:
    job = filled(shop, "j", s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL)
    first = next(e.n for e in job.journal().entries if e.kind == "set" and e.data["phase"] == "trial")
    blind = job.add("blind", {"first": first, "second": "CD"}, BY)
    rows = s.measured("trial", s.seated("mm", "1.655 1.654", "1.652 1.651", "1.654 1.655"), s.ONE_ZERO, "0.000 mm")
    rows[1][1]["blind"] = blind.n
    for (kind, data), who in zip(rows, (BY, "CD", BY), strict=True):
        job.add(kind, data, who)
    (c,) = job_as_dict(job.job())["people"]
    assert c["agrees"] is False
    assert "do not average" in c["say"]


def test_names_of_jobs(shop: JobFolder) -> None:
    for name in ("../x", "", ".hidden", "a/b", "x" * 81, "a b"):
        with pytest.raises(JobFileError):
            shop.new(name)
        with pytest.raises(JobFileError):
            shop.get(name)
    shop.new("a")
    with pytest.raises(JobFileError, match="holds a job already"):
        shop.new("a")
    assert shop.names() == ["a"]


@pytest.mark.parametrize(
    ("material", "words"),
    [
        ("cast iron", 'cast iron is "grey iron" or "ductile iron"'),
        ("aluminium", 'an aluminium casting is "cast aluminium"'),
        ("zinc", 'allowed: "steel"'),
    ],
)
def test_a_material_without_expansion_says_which_to_take(shop: JobFolder, material: str, words: str) -> None:
    job = shop.new("j")
    with pytest.raises(EntryRefusedError) as e:
        job.add("family", {"shim_effect": "unknown", "material": material}, "AB")
    assert words in str(e.value)
    assert "its expansion stated (expansion)" in str(e.value)
    assert job.journal().entries == [], "nothing is written down"
    job.add("family", {"shim_effect": "unknown", "material": material, "expansion": "0.000027"}, "AB")
    job.add("family", {"shim_effect": "unknown", "material": "Grey iron"}, "AB")
