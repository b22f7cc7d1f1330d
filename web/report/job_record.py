"""Parts of a job's sheet that keep it honest: what was rejected, who, what was not checked, evidence, every entry."""

from __future__ import annotations

from typing import Any

from analysis.job.rules import LIMITS
from web.report import words
from web.report.job_gather import JobMatter
from web.report.job_words import KINDS, STATUS, TYPED, fields, said
from web.report.model import Block, Facts, Points, Section, Table, Text


def rejected(m: JobMatter) -> Section:
    """Data that are not used, each with its reason."""
    d = m.data
    rows: list[tuple[str, str, str]] = []
    for r in d["readings"]:
        what = f"{KINDS[r['kind']]}, {r['phase']}"
        why = r["wrong"] + r["questions"] + [f"{v['reason']} (entry {v['entry']})" for v in r["void"]]
        if r["status"] in ("void", "wrong state", "question"):
            rows.append((str(r["entry"]), f"{what}: {STATUS[r['status']]}", "; ".join(why)))
        elif r["allowed"]:
            rows.append((str(r["entry"]), f"{what}: used all the same", f"{r['allowed']}: {'; '.join(why)}"))
        for s in r.get("seatings", ()):
            if s["left_out"]:
                rows.append((str(r["entry"]), f"seating {s['n']}, {s['median_mm']:.4f} mm", s["left_out"]))
        if r["kind"] == "depth" and "covered" not in r:
            rows += _sweeps(m, r["entry"])
    rows += [(str(p["entry"]), f"shim {p['id']}", p["rejected"]) for p in d["stock"] if p["rejected"]]
    rows += [(str(m.job.pieces[k].n) if k in m.job.pieces else "", f"shim {k}", v) for k, v in m.job.discarded.items()]
    for e in d["entries"]:
        if "withdrawn" in e:
            rows.append((str(e["n"]), f"{e['kind']}: withdrawn", e["withdrawn"]))
        if "corrected_by" in e:
            later = ", ".join(map(str, e["corrected_by"]))
            rows.append((str(e["n"]), f"{e['kind']}: corrected", f"by entry {later}; both stand below"))
    blocks: list[Block] = [
        Table(("entry", "what", "why"), tuple(rows), (0,))
        if rows
        else Text("Nothing was rejected, voided or corrected.")
    ]
    blocks += [Text(f"To be measured again: {x['what']}: {x['because']}", "warning") for x in d["redo"]]
    return Section("rejected", "Rejected and voided, with the reason", tuple(blocks))


def _sweeps(m: JobMatter, n: int) -> list[tuple[str, str, str]]:
    data: Any = next(e.data for e in m.job.effective if e.n == n)
    return [
        (str(n), f"sweep {s['n']}, seating {s['seat']}", ", ".join(s["reasons"]))
        for s in (data.get("result") or {}).get("sweeps", ())
        if not s["accepted"]
    ]


def who(m: JobMatter) -> Section:
    """Who did what, blind comparisons, and who allowed what."""
    done: dict[str, dict[str, int]] = {}
    for e in m.data["entries"]:
        kinds = done.setdefault(e["by"], {})
        kinds[e["kind"]] = kinds.get(e["kind"], 0) + 1
    rows = tuple((by, ", ".join(f"{k} {n}" for k, n in kinds.items())) for by, kinds in done.items())
    blocks: list[Block] = [Table(("who", "entries written, by kind"), rows)]
    measured = dict.fromkeys(f"{r['by']}: {KINDS[r['kind']]}" for r in m.data["readings"])
    if measured:
        blocks += [Text("Measured by:"), Points(tuple(measured))]
    blocks += [Text(c["say"]) for c in m.data["people"]]
    for e in m.job.effective:
        if e.kind == "deviation":
            d = e.data
            which = f" (entry {d['entry']})" if "entry" in d else ""
            blocks.append(Text(f"Accepted{which}: {d['what']}. Allowed by {d['allowed_by']}: {d['reason']}", "warning"))
        elif e.kind == "confirm":
            blocks.append(
                Text(
                    f"Answered by {e.by} (entry {e.n}, about entry {e.data['entry']}, {e.data['what']}): {e.data['reason']}"
                )
            )
    return Section("who", "Who", tuple(blocks))


def not_checked(m: JobMatter) -> Section:
    """What the job leaves open."""
    d = m.data
    items: list[str] = []
    if d["closed"] is not None:
        items.append(f"As written when the job was closed: {d['closed']['not_checked']}")
    else:
        items.append("The job is not closed; more may follow.")
    items += [f"Left out: {step}: {why}" for step, why in d["skips"].items()]
    items += [f"Not done: {s['step']}: {s['missing']}" for s in d["steps"] if s["missing"] and not s["skipped"]]
    absent = [name.replace("-", " ") for name in LIMITS if name not in d["limits"]]
    if absent:
        items.append(f"No limit is stated for: {', '.join(absent)}. Nothing was ruled against these.")
    if d["direction"] is None:
        items.append("The direction of the display is not stated.")
    elif "pushed_in" not in d["direction"]:
        items.append("The direction of the display is stated, not proved by a push.")
    bare = [k for k in d["instruments"] if not any(c["instrument"] == k for c in d["checks"])]
    if bare:
        items.append(f"No check is written down for: {', '.join(bare)}.")
    return Section("open", "What was not checked", (Points((*items, TYPED)),))


def after(m: JobMatter) -> Section | None:
    """Running-in and next check, as entered; nothing where nothing was."""
    closed = m.data["closed"] or {}
    given = {k: closed[k] for k in ("running_in", "recheck", "compounds") if k in closed}
    return Section("after", "Afterwards", (Facts(fields({**given, "entry": closed["n"]})),)) if given else None


def evidence(m: JobMatter) -> Section:
    """The journal and the raw streams, by their SHA-256, and whether they give the same again."""
    rows = [("job.jsonl, last line", f"entry {len(m.journal.entries)}", m.journal.last_sum)]
    for s in m.streams:
        rows += [(s.path if i == 0 else f.name, f"{f.size} bytes", f.sha256) for i, f in enumerate(s.files)]
        if s.missing:
            rows.append((s.path, "–", s.missing))
    found = tuple(
        (str(f.entry) if f.entry else "–", f.what, "same" if f.same else "DIFFERENT", f.say) for f in m.findings
    )
    blocks: list[Block] = [
        Table(("file", "size", "SHA-256"), tuple(rows)),
        Table(("entry", "what", "now", "found"), found, (0,), "Read and worked out again when this sheet was written"),
    ]
    blocks += [Text(p, "warning") for p in m.data["problems"]]
    blocks.append(
        Text(
            "Each line of job.jsonl carries the SHA-256 of the line before it, so its last line vouches for all. Everything on this sheet but "
            "the date and who wrote it can be worked out again from the job's folder: shimwright verify with the .html sheet says line by "
            "line whether it is the same."
        )
    )
    blocks.append(Facts((words.program(m.version, m.program),)))
    return Section("evidence", "Evidence", tuple(blocks))


def entries(m: JobMatter) -> Section:
    """Every entry as it was written, corrected and withdrawn ones too."""
    # A prediction would tell the second person what the first one measured.
    hidden = ("predicted",) if any("covered" in r for r in m.data["readings"]) else ()
    rows = []
    for e in m.data["entries"]:
        kind = e["kind"] + (f", corrects {e['corrects']}" if "corrects" in e else "")
        rows.append((str(e["n"]), e["at"], e["by"], kind, said(e["data"], *hidden)))
    head = ("entry", "written", "by", "kind", "as written")
    return Section("entries", "Every entry, as written", (Table(head, tuple(rows), (0,)),))


def cautions() -> Section:
    """What can hurt people."""
    return Section("cautions", "Cautions", (Text(words.INFORMS), Points(words.CAUTIONS)))
