"""The raw stream: every byte as it came, in files that only grow.

One JSON object a line (``shimwright-stream/1``): a header, then received chunks, marks and link events in order of time.
A chunk in which the serial line damaged bytes has their places in ``bad``.
A line is in the file before anyone else sees its bytes; it is acknowledged (`StreamWriter.synced_lines`) once it is on the disk,
at the latest a second or 64 KiB later.  A long stream, or one whose file could not be synced, goes on in numbered segments
(``stream.0002.jsonl``), which reading the first one includes.
"""

from __future__ import annotations

from capture.rawstream.reader import read_header, read_records
from capture.rawstream.records import FORMAT, Link, Mark, Record, Rx, StreamHeader, Torn, hand_over
from capture.rawstream.repair import repair_folder, repair_stream
from capture.rawstream.segments import new_folder, verify
from capture.rawstream.writer import StreamWriter

__all__ = [
    "FORMAT",
    "Link",
    "Mark",
    "Record",
    "Rx",
    "StreamHeader",
    "StreamWriter",
    "Torn",
    "hand_over",
    "new_folder",
    "read_header",
    "read_records",
    "repair_folder",
    "repair_stream",
    "verify",
]
