"""Every route of the interface: what it is for, what it takes and gives, and with what it refuses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pydantic import BaseModel

from web.api_doc import jobs, refusals, station

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
WHOLE: Schema = {"type": "integer"}
NAME: Schema = {"type": "string", "maxLength": 80}

WHY = {
    403: "asked by another site's page, or by a device that may not do this",
    404: "there is no such thing",
    409: "not now: the reason says what is in the way",
    413: "the body is too large",
    422: "what was sent cannot be taken",
    429: "too many wrong codes from this address",
    500: "what is kept on the disk cannot be read",
    501: "an extra is not installed",
    503: "nothing is listened to, or no new set can be begun",
    507: "the disk does not take it",
}


@dataclass(frozen=True)
class Route:
    """One method of one path.

    Attributes
    ----------
    gives : dict
        Status to what is answered: a shape, a media type, or None for no body.
    refuses : tuple of int
        Statuses of `WHY`; 403 and, with a body, 422 go without saying.
    takes : dict, optional
        Fields of a JSON object, or a media type to its schema where the body is something else.
    needs : tuple of str
        Fields without which it is refused.
    query : dict
        Parameters of the query.
    """

    method: str
    path: str
    say: str
    gives: Mapping[int, type[BaseModel] | str | None]
    refuses: tuple[int, ...] = ()
    takes: Mapping[str, Schema] | None = None
    needs: tuple[str, ...] = ()
    query: Mapping[str, Schema] = field(default_factory=dict)
    raw: tuple[str, ...] = ()


def _get(path: str, say: str, shape: type[BaseModel], *refuses: int, **more: Any) -> Route:
    return Route("get", path, say, {200: shape}, refuses, **more)


ENTRY: dict[str, Schema] = {
    "kind": {"type": "string", "description": "as GET /api/job-kinds lists them"},
    "data": {"type": "object"},
    "by": {"type": "string", "maxLength": 80, "description": "initials or name of whoever writes this down"},
    "corrects": {"type": ["integer", "null"], "description": "number of the entry it puts right"},
}
ATTACHED: dict[str, Schema] = {
    "phase": {"enum": ["as-found", "trial", "final"]},
    "by": ENTRY["by"],
    "recording": {
        "type": ["string", "null"],
        "description": "an older recording of this station; the set that runs where it is left out",
    },
}
PHOTO_QUERY: dict[str, Schema] = {"name": TEXT, "of": TEXT, "by": TEXT}
SOURCE: Schema = {"type": "string", "minLength": 1, "maxLength": 300}
RING = {
    "backlash": "a ring gear that was rocked between its stops, place by place",
    "end-play": "a shaft that was pushed and pulled along its length",
    "run-out": "a ring gear that was turned by hand",
}

STATION = (
    _get("/api/state", "All a page that just arrived needs.", station.State),
    Route(
        "get",
        "/api/events",
        "What happens from now on, as server-sent events: first `state`, then `link`, `reading`, `sweep`, `result`, `set`, `failure` and others; each holds a JSON object. Without end.",
        {200: "text/event-stream"},
    ),
    Route(
        "post",
        "/api/mark",
        "Make a mark in the raw stream: reseat, zero, master, pinion-turned, push-pull, or note: and a text.",
        {204: None},
        takes={"mark": {"type": "string", "maxLength": 505}},
        needs=("mark",),
    ),
    Route("post", "/api/new-set", "End the set that runs and begin the next.", {204: None}, (503,)),
    Route(
        "get",
        "/api/figures/{name}.svg",
        "A figure of the set that runs; 204 while there is nothing to draw, 304 where the caller has it.",
        {200: "image/svg+xml", 204: None, 304: None},
        (422,),
        query={"sweep": {"type": "integer"}, "narrow": {"type": "boolean"}},
    ),
    Route(
        "post",
        "/api/push",
        "Readings of a micro-controller, where the program was started to listen to them: a JSON object, a list of them, or lines of text. 204 once they are recorded.",
        {204: None},
        (404, 413, 503),
        raw=("application/json", "text/plain"),
    ),
)

CONNECT = (
    _get("/api/connect", "The indicator in use, and the search for one.", station.Connect),
    _get("/api/connect/ports", "The serial ports of this computer, and who holds them.", station.Ports),
    _get("/api/connect/doctor", "What stands in the way, each with its cure.", station.Findings),
    _get("/api/connect/profiles", "The profiles there are.", station.Profiles),
    _get("/api/connect/choice", "The indicator that was chosen on the page.", station.Choice),
    Route(
        "post", "/api/connect/bluetooth", "Begin to listen for Bluetooth devices.", {202: station.Searching}, (409, 422)
    ),
    Route(
        "post",
        "/api/connect/identify",
        "Begin to find out how an indicator speaks.",
        {202: station.Searching},
        (404, 409),
        {
            "source": SOURCE,
            "seconds": {"type": "number", "minimum": 1, "maximum": 120},
            "poll": {"type": ["string", "null"], "maxLength": 64},
        },
        ("source",),
    ),
    Route(
        "post",
        "/api/connect/again",
        "Read once more with a profile that was found.",
        {202: station.Searching},
        (404, 409),
        {"candidate": {"type": "integer", "minimum": 0, "maximum": 1000}},
        ("candidate",),
    ),
    Route(
        "post",
        "/api/connect/keep",
        "Keep a profile that was found, under a name.",
        {201: station.Kept},
        (409,),
        {"candidate": {"type": "integer", "minimum": 0, "maximum": 1000}, "name": {"type": "string", "maxLength": 64}},
        ("candidate", "name"),
    ),
    Route("post", "/api/connect/cancel", "End the search.", {200: station.Searching}),
    Route(
        "post",
        "/api/connect/use",
        "Listen to an indicator from now on.",
        {200: station.Used},
        (404, 409),
        {"source": SOURCE, "profile": {"type": "string", "minLength": 1, "maxLength": 64}},
        ("source", "profile"),
    ),
)

BENCH = (
    _get("/api/bench", "The job at the bench.", jobs.Bench),
    Route(
        "post",
        "/api/bench",
        "Judge with a job's set-up from now on; with null, with the one the program was started with.",
        {200: jobs.Bench},
        (404, 413, 503),
        {"job": {"type": ["string", "null"]}},
        ("job",),
    ),
    *(
        _get(f"/api/bench/{kind}", f"What the running recording gives so far for {of}.", jobs.SoFar, 409, 500)
        for kind, of in RING.items()
    ),
    Route(
        "post",
        "/api/jobs/{job}/sets",
        "End the set that runs and write it into a job as a measured set.",
        {201: jobs.SetTaken},
        (404, 409, 413, 500, 503, 507),
        ATTACHED,
        ("phase", "by"),
    ),
    *(
        Route(
            "post",
            f"/api/jobs/{{job}}/{kind}",
            f"End the set that runs and write it into a job: {of}.",
            {201: jobs.SetTaken},
            (404, 409, 413, 500, 503, 507),
            ATTACHED,
            ("phase", "by"),
        )
        for kind, of in RING.items()
    ),
)

JOBS = (
    _get("/api/jobs", "All jobs of the shop, each with its next step.", jobs.Jobs, 500),
    Route("post", "/api/jobs", "Begin a job of this name.", {201: jobs.JobState}, (413, 500), {"job": NAME}, ("job",)),
    Route(
        "post",
        "/api/new-job",
        "Begin a job for a unit; its name is made of the day and the unit.",
        {201: jobs.JobName},
        (413, 507),
        {"unit": TEXT, "by": ENTRY["by"]},
        ("unit", "by"),
    ),
    _get("/api/jobs/{job}", "A job as it stands.", jobs.JobState, 404, 500),
    _get("/api/jobs/{job}/entries", "All entries of a job, corrected ones too.", jobs.Entries, 404, 500),
    Route(
        "post",
        "/api/jobs/{job}/entries",
        "Write an entry down; it is on the disk when the answer comes.",
        {201: jobs.EntryTaken},
        (404, 413, 500, 507),
        ENTRY,
        ("kind", "by"),
    ),
    _get("/api/jobs/{job}/next", "What comes next in a job, and why.", jobs.Next, 404, 500),
    _get("/api/jobs/{job}/void", "Readings that are not used, why, and what to measure again.", jobs.Void, 404, 500),
    _get(
        "/api/jobs/{job}/check",
        "Read everything of a job again and say whether it is the same.",
        jobs.Checked,
        404,
        500,
    ),
    _get("/api/jobs/{job}/size", "Bytes of a job's file: it only grows, so a page sees what is new.", jobs.Size, 404),
    Route(
        "post",
        "/api/jobs/{job}/mark",
        "What an etched mark means with a job's own figures; nothing is written.",
        {200: jobs.Mark},
        (404, 413),
        {},
    ),
    Route(
        "post",
        "/api/jobs/{job}/photos",
        "Keep a picture (JPEG, PNG or WebP) in the job's folder and write it down.",
        {201: jobs.PhotoTaken},
        (404, 413, 422),
        query=PHOTO_QUERY,
        raw=("image/jpeg", "image/png", "image/webp"),
    ),
    Route("get", "/api/jobs/{job}/photos/{name}", "A picture of a job.", {200: "image/*"}, (404,)),
    _get("/api/job-kinds", "The kinds of entries and their fields.", jobs.Kinds),
    _get("/api/job-forms", "The same with the layout of the job pages.", jobs.Forms),
    _get("/api/stock", "Every shim of the shop, and who has it.", jobs.Stock, 500),
)

DOOR = (
    _get("/api/pair", "Whether the asking device is paired, or is this machine.", refusals.Paired),
    Route(
        "post",
        "/api/pair",
        "Pair the asking device with the code that this machine shows.",
        {200: refusals.Paired},
        (409, 413, 429),
        {"code": {"type": "string", "maxLength": 40}, "name": {"type": "string", "maxLength": 200}},
        ("code",),
    ),
    Route("post", "/api/pair/leave", "End the asking device's pairing.", {204: None}, (409,)),
    _get("/api/devices", "The code that holds now and the paired devices.", refusals.Devices),
    Route("post", "/api/devices/code", "A new code; the one before no longer holds.", {200: refusals.Devices}, (409,)),
    Route("post", "/api/devices/code/end", "No code holds any longer.", {200: refusals.Devices}),
    Route(
        "get",
        "/api/devices/code.svg",
        "Address and code as a picture for a phone's camera.",
        {200: "image/svg+xml"},
        (404, 422),
        query={"address": {"type": "integer", "minimum": 0}},
    ),
    Route(
        "post",
        "/api/devices/{id}/rights",
        "Whether a device may also write into jobs.",
        {200: refusals.Devices},
        (404,),
        {"writes": {"type": "boolean"}},
        ("writes",),
    ),
    Route("post", "/api/devices/{id}/out", "Shut a device out.", {200: refusals.Devices}, (404,)),
    Route(
        "post",
        "/api/devices/push-token",
        "Make the micro-controllers' token anew.",
        {200: refusals.Devices},
        (409, 507),
    ),
)

ROUTES = (
    *STATION,
    *CONNECT,
    *BENCH,
    *JOBS,
    *DOOR,
    Route("get", "/api/openapi.json", "This document.", {200: "application/json"}),
)
