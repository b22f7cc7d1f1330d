"""The tables of the evidence store.

Everything hangs on a stream.  Within a stream, readings, marks, links, sweeps and gaps are numbered from 1 in the order of the
raw stream, so that stream and number name a row for ever.  Times are seconds on the stream's own clock; lengths are
millimetres of display reading unless a name says otherwise.
"""

from __future__ import annotations

from typing import ClassVar

from sqlalchemy import BigInteger, CheckConstraint, Double, ForeignKey, Index, Integer, MetaData, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

BIG = BigInteger().with_variant(Integer, "sqlite")
"""Whole number up to 2^63: what SQLite's INTEGER is anyway."""


class Base(DeclarativeBase):
    """Root of the tables."""

    metadata: ClassVar[MetaData] = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


def _of_stream() -> Mapped[int]:
    return mapped_column(BIG, ForeignKey("streams.id", ondelete="CASCADE"), primary_key=True, autoincrement=False)


def _number() -> Mapped[int]:
    return mapped_column(BIG, primary_key=True, autoincrement=False)


class Stream(Base):
    """One raw stream.

    Attributes
    ----------
    id : int
        From the stream's header and name (`capture.store.rows.stream_id`).
    state : str
        ``open`` while it is recorded, ``closed``, or ``interrupted`` if whoever recorded it was stopped.
    sums : str
        JSON list of ``[file, SHA-256]``, one a segment, of a stream that is closed; else an empty list.
    note : str
        What stands in the way of reading the stream whole; mostly empty.
    """

    __tablename__ = "streams"
    __table_args__ = (
        CheckConstraint("state IN ('open', 'closed', 'interrupted')", name="state"),
        Index(None, "started"),
        Index(None, "state"),
    )

    id: Mapped[int] = mapped_column(BIG, primary_key=True, autoincrement=False)
    name: Mapped[str] = mapped_column(Text)
    path: Mapped[str] = mapped_column(Text)
    source: Mapped[str] = mapped_column(Text)
    profile: Mapped[str] = mapped_column(Text)
    started: Mapped[str] = mapped_column(Text)
    readings: Mapped[int] = mapped_column(BIG)
    bad_frames: Mapped[int] = mapped_column(BIG)
    state: Mapped[str] = mapped_column(String(11))
    sums: Mapped[str] = mapped_column(Text)
    note: Mapped[str] = mapped_column(Text)


class StoredReading(Base):
    """One reading, exactly as the display showed it: counts of a step in a unit.

    `counts` is null only where it passes 2^63; the raw stream has it.
    """

    __tablename__ = "readings"
    __table_args__ = ({"sqlite_with_rowid": False},)

    stream: Mapped[int] = _of_stream()
    n: Mapped[int] = _number()
    t: Mapped[float] = mapped_column(Double)
    counts: Mapped[int | None] = mapped_column(BIG)
    unit: Mapped[str] = mapped_column(String(2))
    step: Mapped[str] = mapped_column(Text)


class StoredMark(Base):
    """A mark made by the user."""

    __tablename__ = "marks"
    __table_args__ = ({"sqlite_with_rowid": False},)

    stream: Mapped[int] = _of_stream()
    n: Mapped[int] = _number()
    t: Mapped[float] = mapped_column(Double)
    mark: Mapped[str] = mapped_column(Text)


class StoredLink(Base):
    """A change of the link."""

    __tablename__ = "links"
    __table_args__ = ({"sqlite_with_rowid": False},)

    stream: Mapped[int] = _of_stream()
    n: Mapped[int] = _number()
    t: Mapped[float] = mapped_column(Double)
    state: Mapped[str] = mapped_column(Text)
    why: Mapped[str] = mapped_column(Text)


class StoredGap(Base):
    """A stretch without readings."""

    __tablename__ = "gaps"
    __table_args__ = ({"sqlite_with_rowid": False},)

    stream: Mapped[int] = _of_stream()
    n: Mapped[int] = _number()
    start_s: Mapped[float] = mapped_column(Double)
    end_s: Mapped[float] = mapped_column(Double)
    why: Mapped[str] = mapped_column(Text)


class StoredSweep(Base):
    """One sweep; `reasons` is a JSON list."""

    __tablename__ = "sweeps"
    __table_args__ = ({"sqlite_with_rowid": False},)

    stream: Mapped[int] = _of_stream()
    n: Mapped[int] = _number()
    start_s: Mapped[float | None] = mapped_column(Double)
    bottom_s: Mapped[float | None] = mapped_column(Double)
    end_s: Mapped[float | None] = mapped_column(Double)
    heading: Mapped[str] = mapped_column(Text)
    seat: Mapped[int] = mapped_column(Integer)
    minimum_mm: Mapped[float | None] = mapped_column(Double)
    u_mm: Mapped[float | None] = mapped_column(Double)
    accepted: Mapped[bool] = mapped_column()
    reasons: Mapped[str] = mapped_column(Text)
    advice: Mapped[str] = mapped_column(Text)


class StoredSet(Base):
    """What a stream's sweeps say together; `result` is the whole result as JSON, its other columns a part of it."""

    __tablename__ = "sets"

    stream: Mapped[int] = _of_stream()
    accepted: Mapped[int] = mapped_column(Integer)
    rejected: Mapped[int] = mapped_column(Integer)
    seats: Mapped[int] = mapped_column(Integer)
    minimum_mm: Mapped[float | None] = mapped_column(Double)
    sd_mm: Mapped[float | None] = mapped_column(Double)
    seat_sd_mm: Mapped[float | None] = mapped_column(Double)
    repeatability_limit_mm: Mapped[float | None] = mapped_column(Double)
    u_mm: Mapped[float | None] = mapped_column(Double)
    dof: Mapped[float | None] = mapped_column(Double)
    drift_mm_per_min: Mapped[float | None] = mapped_column(Double)
    drift_p: Mapped[float | None] = mapped_column(Double)
    play: Mapped[str] = mapped_column(Text)
    play_mm: Mapped[float | None] = mapped_column(Double)
    distance_mm: Mapped[float | None] = mapped_column(Double)
    U95_mm: Mapped[float | None] = mapped_column(Double)
    error_mm: Mapped[float | None] = mapped_column(Double)
    ruling: Mapped[str | None] = mapped_column(Text)
    p_within: Mapped[float | None] = mapped_column(Double)
    result: Mapped[str] = mapped_column(Text)
