"""Reading a raw stream back, its later segments included, plain or compressed."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from pathlib import Path

from capture.errors import StreamFormatError
from capture.rawstream.records import Record, StreamHeader, Torn, parse_header, parse_record
from capture.rawstream.segments import damaged, open_stream, segment_on_disk

LONGEST_LINE = 4 * 1024 * 1024


def read_header(path: Path) -> StreamHeader:
    """Header of a stream.

    Raises
    ------
    StreamFormatError
        If the file cannot be read, is no raw stream, or has a version this program does not know.
    """
    with open_stream(path) as file:
        try:
            return parse_header(path, file.readline(LONGEST_LINE))
        except (EOFError, zlib.error, OSError) as e:
            raise damaged(path, e) from None


def read_records(path: Path) -> Iterator[Record]:
    """Records of a stream in order, in constant memory.

    Given the first file of a stream, its later segments are read too; given a later one, that one alone.
    A last line without its end is given as `Torn`.  Lines of a kind this version does not know are passed over.

    Raises
    ------
    StreamFormatError
        On a line in the middle that is not an object, with its number; on a segment or an archive that is not whole.
    """
    parts = _parts(path)
    last = 0.0
    for n, (part, limit) in enumerate(parts):
        for record in _records(part, limit, last, n == len(parts) - 1):
            last = record.t
            yield record


def _parts(path: Path) -> list[tuple[Path, int | None]]:
    """Files of a stream, each with the number of its bytes that count."""
    first = read_header(path)
    parts: list[tuple[int, Path, int | None]] = [(1, path, None)]
    if first.extra.get("segment", 1) != 1:
        return [(path, None)]
    number = 1
    while True:
        number += 1
        found = segment_on_disk(path, number)
        if found is None:
            # A segment that was given up may have left its number free; more than one missing in a row is the end.
            if segment_on_disk(path, number + 1) is None:
                break
            continue
        follows = read_header(found).extra.get("follows")
        if not isinstance(follows, dict) or not _whole(follows.get("segment")) or not _whole(follows.get("bytes")):
            raise StreamFormatError(f'{found}, line 1: segment {number} does not say which it "follows"')
        at = [i for i, p in enumerate(parts) if p[0] == follows["segment"]]
        if not at:
            raise StreamFormatError(
                f"{path}: segment {follows['segment']} is missing; {found} follows it. Put all files of the stream in one folder."
            )
        # What came after that many bytes of that segment was written again here.
        kept = parts[at[0]]
        parts[at[0] :] = [(kept[0], kept[1], follows["bytes"]), (number, found, None)]
    return [(p, limit) for _, p, limit in parts]


def _whole(x: object) -> bool:
    return isinstance(x, int) and not isinstance(x, bool) and x >= 0


def _records(path: Path, limit: int | None, last: float, at_end: bool) -> Iterator[Record]:
    with open_stream(path) as file:
        number = 0
        read = 0
        while limit is None or read < limit:
            try:
                line = file.readline(LONGEST_LINE)
            except (EOFError, zlib.error, OSError) as e:
                raise damaged(path, e) from None
            if not line:
                if limit is not None:
                    raise StreamFormatError(
                        f"{path}: ends after {read} bytes, {limit} were recorded. Take another copy of it."
                    )
                return
            number += 1
            read += len(line)
            if number == 1:
                parse_header(path, line)
                continue
            record = parse_record(line)
            if record is None:
                if at_end and not line.endswith(b"\n") and len(line) < LONGEST_LINE:
                    yield Torn(last, line.decode("utf-8", "replace"))
                    return
                if line.strip():
                    shown = line[:60].decode("utf-8", "replace").strip()
                    raise StreamFormatError(
                        f'{path}, line {number}: given {shown}; allowed: a JSON object with its time, such as {{"t":1.5,"rx":"…"}}. '
                        "The file was changed after it was recorded; take another copy of it."
                    )
                continue
            if isinstance(record, tuple):
                continue
            last = record.t
            yield record
