"""What keeps the job true: readings accepted, allowed, voided or withdrawn, questions answered, steps left out, the close."""

from __future__ import annotations

from analysis.job.fields import Field, date, identifier, text, whole
from analysis.job.kinds.kind import REASON, REF, TEXT, Kind, one_of

KEEPING: dict[str, Kind] = {
    "deviation": Kind(
        "something accepted that is not as it should be, and who allowed it",
        {
            "entry": Field(whole(1, 10**6), says="the number of the reading that is accepted as it is"),
            "what": Field(text, True),
            "allowed_by": Field(text, True),
            "reason": REASON,
        },
    ),
    "allow": Kind("a reading taken in a wrong state is used all the same, marked", {"entry": REF, "reason": REASON}),
    "void": Kind("a reading is void", {"entry": REF, "reason": REASON}),
    "withdraw": Kind("an entry written by mistake", {"entry": REF, "reason": REASON}),
    "confirm": Kind(
        "a question answered",
        {"entry": REF, "what": one_of("unit", "large change", "limit", "response", required=True), "reason": REASON},
    ),
    "skip": Kind("a step left out, with the reason", {"step": Field(identifier, True), "reason": REASON}),
    "note": Kind("a note", {"text": Field(text, True)}),
    "close": Kind(
        "the job is closed",
        {
            "not_checked": Field(text, True, 'what was not checked, or "nothing left out"'),
            "recheck": Field(date),
            "running_in": TEXT,
            "compounds": TEXT,
        },
    ),
    "reopen": Kind("a closed job is opened again", {"reason": REASON}),
}
