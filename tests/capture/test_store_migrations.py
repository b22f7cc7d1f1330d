"""Stores of every released schema open and keep their rows; an upgrade happens whole or not at all."""

from __future__ import annotations

import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from capture.errors import CaptureError
from capture.store import models
from capture.store.database import Store
from capture.store.errors import StoreError
from capture.store.feed import StoreFeed
from capture.store.schema import HEAD, MIGRATIONS
from capture.store.upkeep import rebuild
from tests.capture.store_live import RECORDINGS, all_rows, play

DATA = Path(__file__).parent / "data"
RELEASES = sorted(DATA.glob("release-*.sqlite"))

FRAME = """
import sqlalchemy as sa
from alembic import op
revision = "9001"
down_revision = "{head}"
branch_labels = None
depends_on = None

def upgrade():
    with op.batch_alter_table("streams") as batch:
        batch.add_column(sa.Column("bench", sa.Text(), nullable=False, server_default="none"))
        batch.alter_column("note", new_column_name="remark", existing_type=sa.Text(), existing_nullable=False)
{more}

def downgrade():
    raise NotImplementedError
"""


def later(folder: Path, more: str = "") -> Path:
    """A release after this one, for the test only: the table that all others name is made anew."""
    folder.mkdir()
    (folder / "r9001_later.py").write_text(FRAME.format(head=HEAD, more=more))
    return folder


def scripts() -> ScriptDirectory:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    return ScriptDirectory.from_config(config)


def dump(file: Path) -> list[str]:
    with closing(sqlite3.connect(file)) as c:
        return list(c.iterdump())


def test_this_program_works_with_the_newest_release() -> None:
    assert scripts().get_heads() == [HEAD]
    assert [r.revision for r in scripts().walk_revisions()][-1] == "0001"


def test_a_store_of_every_release_is_kept() -> None:
    kept = {f.stem.removeprefix("release-") for f in RELEASES}
    assert kept == {s.revision for s in scripts().walk_revisions()}


def test_models_and_migrations_agree(tmp_path: Path) -> None:
    with Store(tmp_path / "e.sqlite") as store, store.engines.reader.connect() as c:
        context = MigrationContext.configure(c, opts={"compare_type": True, "compare_server_default": True})
        assert compare_metadata(context, models.Base.metadata) == []


@pytest.mark.parametrize("release", RELEASES, ids=lambda f: f.stem)
def test_a_released_store_opens_and_keeps_its_rows(release: Path, tmp_path: Path) -> None:
    file = tmp_path / "evidence.sqlite"
    shutil.copy(release, file)
    with Store(file) as store:
        rows = all_rows(store)
        streams = store.streams()
        assert {s["name"]: (s["state"], s["readings"]) for s in streams} == {
            "knocks-and-half-sweeps/stream.jsonl": ("interrupted", 730),
            "link-lost-and-back/stream.jsonl": ("closed", 391),
            "too-fast/stream.jsonl": ("closed", 51),
        }
        assert all(store.result(s["id"]) is not None for s in streams)
        # Old rows are still those the raw streams give.
        with Store(tmp_path / "again.sqlite") as again:
            paths = [RECORDINGS.parent / s["path"] for s in streams]
            assert [r.problem for r in rebuild(again, paths)] == ["", "", ""]
            fresh = all_rows(again)
        for table in ("readings", "marks", "links"):
            assert rows[table] == fresh[table]
    with closing(sqlite3.connect(file)) as new, closing(sqlite3.connect(tmp_path / "again.sqlite")) as made:
        query = "SELECT name, sql FROM sqlite_master ORDER BY name"
        assert new.execute(query).fetchall() == made.execute(query).fetchall()


@pytest.mark.parametrize("release", RELEASES, ids=lambda f: f.stem)
def test_a_released_store_goes_on_being_written(release: Path, tmp_path: Path) -> None:
    file = tmp_path / "evidence.sqlite"
    shutil.copy(release, file)
    feed = StoreFeed(file)
    play("clean-mm", tmp_path / "s", feed)
    assert feed.close(10.0)
    with Store(file) as store:
        # The raw streams of the kept store are not on this machine under that name; its closed ones stay closed.
        assert sorted(s["state"] for s in store.streams()) == ["closed", "closed", "closed", "interrupted"]


def test_an_upgrade_keeps_every_row_and_a_copy_of_before(tmp_path: Path) -> None:
    file = tmp_path / "evidence.sqlite"
    shutil.copy(RELEASES[-1], file)
    before = dump(file)
    with Store(file) as store:
        rows = all_rows(store)
    with Store(file, migrations=later(tmp_path / "later")) as store, store.read() as c:
        assert c.exec_driver_sql("SELECT version_num FROM alembic_version").scalar() == "9001"
        for table in ("readings", "marks", "links", "gaps", "sweeps", "sets"):
            assert c.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar() == len(rows[table])
        assert c.exec_driver_sql("SELECT DISTINCT bench FROM streams").scalar() == "none"
        assert c.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
        assert c.exec_driver_sql("PRAGMA foreign_key_check").first() is None
    assert dump(tmp_path / f"evidence.release-{HEAD}.sqlite") == before
    # The older program says what it met, and touches nothing.
    after = file.read_bytes()
    with pytest.raises(StoreError, match=r"newer version.*9001.*knows 0001"):
        Store(file)
    assert file.read_bytes() == after


def test_an_upgrade_that_fails_changes_nothing(tmp_path: Path) -> None:
    file = tmp_path / "evidence.sqlite"
    shutil.copy(RELEASES[-1], file)
    with Store(file) as store:
        rows = all_rows(store)
    for n, more in enumerate(
        ("    op.execute('SELECT nonsense FROM nowhere')", "    op.execute('DELETE FROM streams')")
    ):
        with pytest.raises(StoreError):
            Store(file, migrations=later(tmp_path / f"later{n}", more))
        with Store(file) as store:
            assert all_rows(store) == rows


def test_an_upgrade_killed_in_the_middle_is_done_again(tmp_path: Path) -> None:
    file = tmp_path / "evidence.sqlite"
    shutil.copy(RELEASES[-1], file)
    with Store(file) as store:
        rows = all_rows(store)
    slow = later(tmp_path / "slow", "    import time; print('in the middle', flush=True); time.sleep(60)")
    code = (
        "from pathlib import Path\nfrom capture.store.database import Store\n"
        f"Store({str(file)!r}, migrations=Path({str(slow)!r}))\n"
    )
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout is not None
        assert child.stdout.readline().strip() == "in the middle"
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()
        child.stdout.close()
    with Store(file) as store:
        assert all_rows(store) == rows
    with Store(file, migrations=later(tmp_path / "later")) as store, store.read() as c:
        assert c.exec_driver_sql("SELECT count(*) FROM readings").scalar() == len(rows["readings"])


def test_processes_that_make_the_store_at_once_agree(tmp_path: Path) -> None:
    file = tmp_path / "deep" / "er" / "evidence.sqlite"
    code = (
        "import sys\nfrom capture.store.database import Store\nimport alembic.command\n"
        "print('ready', flush=True)\nsys.stdin.readline()\n"
        "with Store(sys.argv[1]) as s, s.read() as c:\n"
        "    print(c.exec_driver_sql('SELECT version_num FROM alembic_version').scalar())\n"
    )
    children = [
        subprocess.Popen(
            [sys.executable, "-c", code, str(file)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    for child in children:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
    for child in children:
        assert child.stdin is not None
        child.stdin.write("\n")
        child.stdin.flush()
    for child in children:
        out, err = child.communicate(timeout=60)
        assert (out.strip(), err) == (HEAD, "")


def test_the_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(file)) as c:
        c.execute("CREATE TABLE addresses (name TEXT)")
        c.commit()
    with pytest.raises(CaptureError, match="the database of another program"):
        Store(file)
    assert any("addresses" in line for line in dump(file))


def test_an_empty_file_becomes_a_store(tmp_path: Path) -> None:
    """What is left when the very first start is killed."""
    file = tmp_path / "e.sqlite"
    file.touch()
    with Store(file) as store:
        assert store.streams() == []
