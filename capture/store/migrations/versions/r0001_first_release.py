"""The first release of the tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """From the release before to this one."""
    op.create_table(
        "streams",
        sa.Column("id", BIG, autoincrement=False, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("profile", sa.Text(), nullable=False),
        sa.Column("started", sa.Text(), nullable=False),
        sa.Column("readings", BIG, nullable=False),
        sa.Column("bad_frames", BIG, nullable=False),
        sa.Column("state", sa.String(length=11), nullable=False),
        sa.Column("sums", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.CheckConstraint("state IN ('open', 'closed', 'interrupted')", name=op.f("ck_streams_state")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_streams")),
    )
    op.create_index(op.f("ix_streams_started"), "streams", ["started"])
    op.create_index(op.f("ix_streams_state"), "streams", ["state"])
    op.create_table(
        "gaps",
        sa.Column("stream", BIG, autoincrement=False, nullable=False),
        sa.Column("n", BIG, autoincrement=False, nullable=False),
        sa.Column("start_s", sa.Double(), nullable=False),
        sa.Column("end_s", sa.Double(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["stream"], ["streams.id"], name=op.f("fk_gaps_stream"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("stream", "n", name=op.f("pk_gaps")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "links",
        sa.Column("stream", BIG, autoincrement=False, nullable=False),
        sa.Column("n", BIG, autoincrement=False, nullable=False),
        sa.Column("t", sa.Double(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["stream"], ["streams.id"], name=op.f("fk_links_stream"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("stream", "n", name=op.f("pk_links")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "marks",
        sa.Column("stream", BIG, autoincrement=False, nullable=False),
        sa.Column("n", BIG, autoincrement=False, nullable=False),
        sa.Column("t", sa.Double(), nullable=False),
        sa.Column("mark", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["stream"], ["streams.id"], name=op.f("fk_marks_stream"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("stream", "n", name=op.f("pk_marks")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "readings",
        sa.Column("stream", BIG, autoincrement=False, nullable=False),
        sa.Column("n", BIG, autoincrement=False, nullable=False),
        sa.Column("t", sa.Double(), nullable=False),
        sa.Column("counts", BIG, nullable=True),
        sa.Column("unit", sa.String(length=2), nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["stream"], ["streams.id"], name=op.f("fk_readings_stream"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("stream", "n", name=op.f("pk_readings")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "sets",
        sa.Column("stream", BIG, autoincrement=False, nullable=False),
        sa.Column("accepted", sa.Integer(), nullable=False),
        sa.Column("rejected", sa.Integer(), nullable=False),
        sa.Column("seats", sa.Integer(), nullable=False),
        sa.Column("minimum_mm", sa.Double(), nullable=True),
        sa.Column("sd_mm", sa.Double(), nullable=True),
        sa.Column("seat_sd_mm", sa.Double(), nullable=True),
        sa.Column("repeatability_limit_mm", sa.Double(), nullable=True),
        sa.Column("u_mm", sa.Double(), nullable=True),
        sa.Column("dof", sa.Double(), nullable=True),
        sa.Column("drift_mm_per_min", sa.Double(), nullable=True),
        sa.Column("drift_p", sa.Double(), nullable=True),
        sa.Column("play", sa.Text(), nullable=False),
        sa.Column("play_mm", sa.Double(), nullable=True),
        sa.Column("distance_mm", sa.Double(), nullable=True),
        sa.Column("U95_mm", sa.Double(), nullable=True),
        sa.Column("error_mm", sa.Double(), nullable=True),
        sa.Column("ruling", sa.Text(), nullable=True),
        sa.Column("p_within", sa.Double(), nullable=True),
        sa.Column("result", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["stream"], ["streams.id"], name=op.f("fk_sets_stream"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("stream", name=op.f("pk_sets")),
    )
    op.create_table(
        "sweeps",
        sa.Column("stream", BIG, autoincrement=False, nullable=False),
        sa.Column("n", BIG, autoincrement=False, nullable=False),
        sa.Column("start_s", sa.Double(), nullable=True),
        sa.Column("bottom_s", sa.Double(), nullable=True),
        sa.Column("end_s", sa.Double(), nullable=True),
        sa.Column("heading", sa.Text(), nullable=False),
        sa.Column("seat", sa.Integer(), nullable=False),
        sa.Column("minimum_mm", sa.Double(), nullable=True),
        sa.Column("u_mm", sa.Double(), nullable=True),
        sa.Column("accepted", sa.Boolean(), nullable=False),
        sa.Column("reasons", sa.Text(), nullable=False),
        sa.Column("advice", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["stream"], ["streams.id"], name=op.f("fk_sweeps_stream"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("stream", "n", name=op.f("pk_sweeps")),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    """There is no way back: take the copy that was made before the upgrade."""
    raise NotImplementedError
