"""A whole copy of the store while a writer is at work."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

from capture.store.errors import StoreError

Progress = Callable[[int, int], None]

PAGES = 2048


def copy_sqlite(source: Path, to: Path, progress: Progress | None = None) -> None:
    """Copy a SQLite store through the database's own backup; writers go on meanwhile.

    The copy is the store as it was at one moment, in one file, checked, on the disk, and there whole or not at all.

    Parameters
    ----------
    source, to : Path
        `to` must not exist.
    progress : callable, optional
        Told pages done and pages in all.

    Raises
    ------
    StoreError
        If `to` exists or cannot be written, or the copy is not sound.
    sqlite3.Error
        If the store cannot be read.
    """
    part = reserved(to)
    try:
        with (
            closing(sqlite3.connect(f"{source.as_uri()}?mode=rw", uri=True, timeout=5.0, isolation_level=None)) as old,
            closing(_made(part)) as new,
        ):
            # Held through all steps: otherwise a busy writer makes the copy begin again and again.
            old.execute("BEGIN")
            old.execute("SELECT count(*) FROM sqlite_master").fetchone()
            try:
                old.backup(
                    new,
                    pages=PAGES,
                    progress=None if progress is None else lambda _, left, total: progress(total - left, total),
                )
                new.execute("PRAGMA journal_mode = DELETE")
                sound = new.execute("PRAGMA integrity_check").fetchone()[0]
            except sqlite3.Error as e:
                raise StoreError(f"{to} cannot be written: {e}. Make room there, or choose another place.") from e
        if sound != "ok":
            raise StoreError(f"The copy of {source} is not sound ({sound}): run shimwright store check.")
        _keep(part, to)
    finally:
        with suppress(OSError):
            part.unlink()


def reserved(to: Path) -> Path:
    """Name under which a copy is made, checked to be possible.

    Raises
    ------
    StoreError
    """
    if to.exists():
        raise StoreError(f"{to} exists already and is left as it is. Choose another name.")
    if not to.parent.is_dir():
        raise StoreError(f"{to.parent} is no folder. Choose a folder that exists.")
    part = to.with_name(to.name + ".part")
    with suppress(OSError):
        part.unlink()
    return part


def _made(part: Path) -> sqlite3.Connection:
    try:
        c = sqlite3.connect(part, isolation_level=None)
        c.execute("PRAGMA user_version")
    except sqlite3.Error as e:
        raise StoreError(f"{part.parent} cannot be written to ({e}). Choose another place.") from e
    return c


def _name(part: Path, to: Path) -> None:
    try:
        # Unlike a renaming this never replaces a file that appeared meanwhile; memory sticks may not know links.
        os.link(part, to)
    except FileExistsError:
        raise
    except OSError:
        if to.exists():
            raise FileExistsError(to) from None
        os.rename(part, to)


def _keep(part: Path, to: Path) -> None:
    """Give a finished copy its name, for certain.

    Raises
    ------
    StoreError
    """
    try:
        with open(part, "rb") as file:
            os.fsync(file.fileno())
        _name(part, to)
        if os.name == "posix":
            fd = os.open(to.parent, os.O_RDONLY)
            try:
                os.fsync(fd)
            finally:
                os.close(fd)
    except FileExistsError:
        raise StoreError(f"{to} exists already and is left as it is. Choose another name.") from None
    except OSError as e:
        raise StoreError(f"{to} cannot be made: {e.strerror}. Choose another place.") from e
