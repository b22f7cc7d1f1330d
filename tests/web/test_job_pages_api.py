"""What the job pages ask for: forms with their words, a new job by its unit, a mark in sentences, photos, the sheet."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any

import httpx
import pytest

from analysis.job.entries import kinds_as_list
from analysis.job.kinds import KINDS
from analysis.job.steps import STEPS
from capture.jobs.photos import LARGEST_PHOTO
from tests.analysis import job_scenarios as s
from tests.web.test_jobs_api import begun, run
from web.job_layout import ANY, NAMES, QUIET, WHEN, layout
from web.texts import catalogues

JPEG = b"\xff\xd8\xff\xe0invented picture"
PNG = b"\x89PNG\r\n\x1a\ninvented picture"
WEBP = b"RIFF\x10\x00\x00\x00WEBPinvented"

WORDS: Any = catalogues()["en"]
FIELDS = [
    (str(k["kind"]), f)
    for k in kinds_as_list()
    for f in [
        *k["fields"],
        *(g for x in k["fields"] if x["type"] == "list" and x["of"]["type"] == "table" for g in x["of"]["fields"]),
    ]  # type: ignore[attr-defined,union-attr,index]
    if f["type"] not in ("made", "table")
]


def test_every_field_and_every_answer_has_its_words() -> None:
    for kind, f in FIELDS:
        name = f["field"]
        assert name in WORDS["job_field"] or name in WORDS["job_field_of"].get(kind, {}), (kind, name)
        for choice in f.get("choices", f.get("of", {}).get("choices", ())):
            assert choice in WORDS["job_choice"][name], (kind, name, choice)


def test_no_words_for_fields_and_answers_that_are_none() -> None:
    names = {f["field"] for _, f in FIELDS}
    assert set(WORDS["job_field"]) - {"state"} <= names
    assert set(WORDS["job_help"]) <= names
    for kind, table in [*WORDS["job_field_of"].items(), *WORDS["job_help_of"].items()]:
        assert set(table) <= {f["field"] for k, f in FIELDS if k == kind}, kind


def test_every_kind_step_and_form_has_its_words() -> None:
    assert set(WORDS["job_kind"]) == set(KINDS)
    assert set(WORDS["job_step"]) == set(STEPS)
    forms = {f["name"] for step in layout()["steps"] for f in step["forms"]}
    assert set(WORDS["job_form"]) <= forms


def test_every_field_of_the_layout_is_one() -> None:
    shown = layout()
    assert [x["step"] for x in shown["steps"]] == list(STEPS)
    for f in [*(f for x in shown["steps"] for f in x["forms"]), *shown["any"]]:
        for name in [*f["first"], *f["more"], *f.get("preset", {}), *f.get("start", {})]:
            assert name in KINDS[f["kind"]].fields, (f["name"], name)
    for path in NAMES:
        kind, name = path.split(".")
        assert name in KINDS[kind].fields
    for kind, rules in WHEN.items():
        for name, others in rules.items():
            assert {name, *others} <= KINDS[kind].fields.keys()
    assert set(QUIET) <= set(STEPS)
    assert set(ANY) <= set(KINDS)


def test_everything_can_be_written_down_on_some_page() -> None:
    shown = layout()
    # A withdrawal, a step left out and a photo have places of their own on the page.
    kinds = {f["kind"] for x in shown["steps"] for f in x["forms"]} | set(ANY) | {"withdraw", "skip", "photo"}
    assert kinds == set(KINDS)


def test_units_are_worth_what_the_analysis_says() -> None:
    units = {u["unit"]: u for rows in layout()["units"].values() for u in rows}
    assert units["in"]["factor"] == 25.4
    # Pound-force by the international pound and standard gravity, as defined (ISO 80000-4, value from memory).
    assert units["lbf"]["factor"] == pytest.approx(4.4482216152605, rel=1e-14)
    assert units["lb·in"]["factor"] == pytest.approx(0.1129848290276167, rel=1e-14)
    assert (70 - units["°F"]["zero"]) * units["°F"]["factor"] == pytest.approx(21.1111111, abs=1e-6)


def test_a_new_job_by_its_unit(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        names = []
        for unit in ("Axle No. 7 / rear", "Axle No. 7 / rear", "задний мост"):
            r = await c.post("/api/new-job", json={"unit": unit, "by": "AB"})
            assert r.status_code == 201, r.text
            names.append(r.json()["job"])
            state = (await c.get(f"/api/jobs/{names[-1]}")).json()
            assert state["unit"] == unit
            assert state["next"]["name"] == "intake"
        assert re.fullmatch(r"\d{4}-\d\d-\d\d-axle-no-7-rear", names[0])
        assert names[1] == f"{names[0]}-2"
        assert re.fullmatch(r"\d{4}-\d\d-\d\d", names[2])

    run(tmp_path, work)


@pytest.mark.parametrize(
    ("body", "fields"),
    [
        ({"unit": "axle"}, ["by"]),
        ({"by": "AB"}, ["intake.unit"]),
        ({"unit": " ", "by": ""}, ["intake.unit", "by"]),
        ({"unit": "axle", "by": "AB", "colour": "red"}, ["colour"]),
    ],
)
def test_a_new_job_that_is_refused_leaves_none(tmp_path: Path, body: dict[str, str], fields: list[str]) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        r = await c.post("/api/new-job", json=body)
        assert r.status_code == 422
        assert [p["field"] for p in r.json()["problems"]] == fields
        assert (await c.get("/api/jobs")).json() == {"jobs": []}

    run(tmp_path, work)


def test_the_size_grows_with_every_entry(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await begun(c, "one", s.ONE_START[:1])
        first = (await c.get("/api/jobs/one/size")).json()["size"]
        await c.post("/api/jobs/one/entries", json={"kind": "note", "data": {"text": "x"}, "by": "AB"})
        assert (await c.get("/api/jobs/one/size")).json()["size"] > first
        for name in ("none", "..", ".hidden", "one%2F..%2Fone"):
            assert (await c.get(f"/api/jobs/{name}/size")).status_code == 404

    run(tmp_path, work)


def test_a_mark_in_sentences_with_the_jobs_own_shim(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await begun(c, "one", s.ONE_START[:9])
        data = {"mark": "+14", "form": "deviation", "count": "0.01 mm", "sense": "adds", "nominal": "61.50 mm"}
        out = (await c.post("/api/jobs/one/mark", json=data)).json()
        assert out["target"] == "61.64 mm"
        assert (out["plus"], out["thicker"], out["shim"]) == ("out", "out", "more")
        assert len((await c.get("/api/jobs/one/entries")).json()["entries"]) == 9, "nothing was written"

    run(tmp_path, work)


@pytest.mark.parametrize(
    ("data", "media", "ending"),
    [(JPEG, "image/jpeg", ".jpg"), (PNG, "image/png", ".png"), (WEBP, "image/webp", ".webp")],
)
def test_a_photo_is_kept_as_it_came(tmp_path: Path, data: bytes, media: str, ending: str) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await begun(c, "one", s.ONE_START[:1])
        path = "/api/jobs/one/photos"
        r = await c.post(path, params={"name": "../../drive side.HEIC", "of": "drive side", "by": "AB"}, content=data)
        assert r.status_code == 201, r.text
        entry = r.json()["entry"]
        assert entry["data"] == {
            "file": f"drive-side{ending}",
            "of": "drive side",
            "sha256": hashlib.sha256(data).hexdigest(),
        }
        got = await c.get(f"{path}/drive-side{ending}")
        assert got.content == data
        assert got.headers["content-type"] == media
        again = await c.post(path, params={"name": "drive side.jpg", "by": "AB"}, content=data + b"2")
        assert again.json()["entry"]["data"]["file"] == f"drive-side-2{ending}", "nothing is written over"
        assert (await c.get("/api/jobs/one/check")).json()["same"] is True
        for name in ("none.jpg", "..%2Fjob.jsonl", ".part"):
            assert (await c.get(f"{path}/{name}")).status_code == 404

    run(tmp_path, work)
    assert sorted(p.name for p in (tmp_path / "one" / "photos").iterdir()) == [
        f"drive-side-2{ending}",
        f"drive-side{ending}",
    ]


def test_what_is_no_photo_is_refused(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await begun(c, "one", s.ONE_START[:1])
        r = await c.post("/api/jobs/one/photos", params={"name": "x.jpg", "by": "AB"}, content=b"<svg/>")
        assert r.status_code == 422
        assert "JPEG, PNG or WebP" in r.json()["problems"][0]["allowed"]
        r = await c.post("/api/jobs/one/photos", params={"name": "x.jpg"}, content=JPEG)
        assert [p["field"] for p in r.json()["problems"]] == ["by"]
        r = await c.post("/api/jobs/one/photos", params={"by": "AB"}, content=JPEG + bytes(LARGEST_PHOTO))
        assert r.status_code == 413
        assert (await c.post("/api/jobs/none/photos", params={"by": "AB"}, content=JPEG)).status_code == 404
        assert len((await c.get("/api/jobs/one/entries")).json()["entries"]) == 1

    run(tmp_path, work)
    assert list((tmp_path / "one" / "photos").iterdir()) == []


def test_a_link_out_of_the_jobs_folder_shows_no_picture(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await begun(c, "one", s.ONE_START[:1])
        (tmp_path / "elsewhere.jpg").write_bytes(JPEG)
        photos = tmp_path / "one" / "photos"
        (photos / "out.jpg").symlink_to(tmp_path / "elsewhere.jpg")
        (photos / "in.jpg").write_bytes(JPEG)
        assert (await c.get("/api/jobs/one/photos/in.jpg")).status_code == 200
        r = await c.get("/api/jobs/one/photos/out.jpg")
        assert (r.status_code, r.json()["detail"]) == (404, "no picture 'out.jpg' in this job")

    run(tmp_path, work)


def test_the_sheet_as_a_page_and_as_pdf(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await begun(c, "one", s.ONE_START + s.ONE_AS_FOUND)
        r = await c.get("/jobs/one/sheet.html", params={"by": "AB"})
        assert r.status_code == 200
        assert "script" not in r.headers["content-security-policy"]
        assert "default-src 'none'" in r.headers["content-security-policy"]
        assert "invented transaxle" in r.text
        assert "61.64" in r.text
        pdf = await c.get("/jobs/one/sheet.pdf")
        assert pdf.status_code == 200, pdf.text
        assert pdf.content.startswith(b"%PDF-")
        assert (await c.get("/jobs/none/sheet.html")).status_code == 404

    run(tmp_path, work)


def test_without_the_extra_there_is_a_word_instead_of_a_pdf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "bare").mkdir()
    (tmp_path / "bare" / "typst.py").write_text("raise ImportError('not installed here')\n", "utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "bare"))

    async def work(c: httpx.AsyncClient) -> None:
        await begun(c, "one", s.ONE_START[:1])
        r = await c.get("/jobs/one/sheet.pdf")
        assert r.status_code == 501
        assert "shimwright[pdf]" in r.json()["detail"]

    run(tmp_path / "shop", work)


def test_a_sheet_of_a_job_that_cannot_be_read_says_why(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        await begun(c, "one", s.ONE_START[:2])
        journal = tmp_path / "one" / "job.jsonl"
        journal.write_text(journal.read_text("utf-8").replace("job/1", "job/99"), "utf-8")
        r = await c.get("/jobs/one/sheet.html")
        assert r.status_code in (404, 500)
        assert r.json()["detail"]

    run(tmp_path, work)


def test_the_pages_are_there(tmp_path: Path) -> None:
    async def work(c: httpx.AsyncClient) -> None:
        for path in ("/jobs", "/jobs/one"):
            r = await c.get(path)
            assert r.status_code == 200
            assert r.headers["content-type"].startswith("text/html")

    run(tmp_path, work)
