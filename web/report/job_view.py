"""The content of a job's sheet."""

from __future__ import annotations

from collections.abc import Iterator

from web.report import job_parts, job_record, words
from web.report.job_gather import JobMatter
from web.report.job_sets import depth_sections, overview
from web.report.job_words import TITLE, brief, fields, plain
from web.report.model import Blanks, Block, Facts, Section, Sheet, Text


def job_view(m: JobMatter) -> Sheet:
    """The sheet of a job."""
    after = job_record.after(m)
    sections = (
        job_parts.marks(m),
        job_parts.limits(m),
        job_parts.family(m),
        *depth_sections(m),
        job_parts.shims(m),
        job_parts.predictions(m),
        job_parts.ring(m),
        job_parts.conditions(m),
        job_parts.instruments(m),
        job_record.rejected(m),
        job_record.who(m),
        job_record.not_checked(m),
        *(() if after is None else (after,)),
        job_record.cautions(),
        job_record.evidence(m),
        job_record.entries(m),
        Section("signed", "Filled in by hand", (Blanks(tuple(_blanks(m))),)),
    )
    return Sheet(TITLE, tuple(_lead(m)), sections, m.record())


def _lead(m: JobMatter) -> Iterator[Block]:
    d = m.data
    intake = dict(d["intake"] or {})
    first = [("job", m.name, ""), ("unit", plain(intake.pop("unit", None)), "")]
    first.append(("complaint", plain(intake.pop("complaint", None)), "in the owner's words"))
    written = ("sheet written", m.written + (f", {m.by}" if m.by else ""), f"shimwright {m.version}")
    yield Facts((*first, *((a, b, "") for a, b, _ in fields(intake)), written))
    wrong = [f for f in m.findings if f.cause not in ("", "computed")]
    otherwise = [f for f in m.findings if f.cause == "computed"]
    if otherwise:
        turned = "; ".join(f.ruling for f in otherwise if f.ruling)
        yield Text(
            f"Every recording behind it is the one that was measured, and this program works {len(otherwise)} of them out otherwise than the "
            f"one that wrote them down (see Evidence). {f'A ruling is another: {turned}.' if turned else 'No ruling is another.'} The "
            "figures below are those that were written down.",
            "warning",
        )
    if wrong:
        yield Text(
            f"The job's folder does not give what was written down ({len(wrong)} differ, see Evidence). Do not rely on this sheet.",
            "warning",
        )
    if d["alarm"]:
        yield Text(f"STOP: {d['alarm']}", "warning")
    if any(r["kind"] == "depth" for r in d["readings"]):
        yield overview(m)
    else:
        yield Text("No depth set is written down.", "warning")
    yield Text(_as_left(m), "answer")
    if d["closed"] is None:
        yield Text("The job is not closed: this sheet says how it stands, not how it ended.", "warning")
    yield Text(words.INFORMS, "warning")


def _as_left(m: JobMatter) -> str:
    from web.report.sets import length

    d, inches = m.data, m.data["units"] == "in"
    shims = ", ".join(f"{k} {' + '.join(s['pieces']) or brief(s['thickness'])}" for k, s in d["stacks"].items())
    tail = f" Shims: {shims}." if shims else ""
    x = d["depth"]
    if x is None or x["distance_mm"] is None:
        return f"As left: no usable depth is known.{tail}"
    say = f"As left (set of entry {x['set']}, {x['status']}): {length(x['distance_mm'], inches)}"
    if x["error_mm"] is not None:
        say += f", error {length(x['error_mm'], inches, sign=True)}: {words.RULINGS[x['ruling']]}"
    return f"{say}.{tail}"


def _blanks(m: JobMatter) -> Iterator[str]:
    closed = m.data["closed"] or {}
    if "running_in" not in closed:
        yield "Running-in"
    if "recheck" not in closed:
        yield "Next check"
    yield "Deviations, and who allowed them"
    yield "Date and signature"
