"""Where the evidence store is, from what the user said.  Imports no database library."""

from __future__ import annotations

import os
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from capture.store.errors import StoreError

NETWORK_DISKS = {"nfs", "nfs4", "cifs", "smb3", "smbfs", "afs", "fuse.sshfs"}
"""On these, two computers cannot share memory and locks, which the store's journal needs."""


@dataclass(frozen=True, slots=True)
class Location:
    """A store's address.

    Attributes
    ----------
    file : Path or None
        The SQLite file; None for PostgreSQL.
    url : str
        Address for the database library.
    shown : str
        Address fit to be shown: without a password.
    """

    file: Path | None
    url: str
    shown: str


def default_file() -> Path:
    """The store when nothing else is said."""
    from platformdirs import user_data_path

    return user_data_path("shimwright") / "evidence.sqlite"


def locate(said: str | Path | None) -> Location:
    """Location from a file name, a URL, or nothing.

    Raises
    ------
    StoreError
        If the address is none that this program can use.
    """
    if said is None:
        return _file(default_file())
    if isinstance(said, Path):
        return _file(said)
    scheme, mark, rest = said.partition("://")
    if not mark:
        if not said.strip():
            raise StoreError("The store's address is empty; give a file name, or postgresql://host/database.")
        return _file(Path(said))
    if scheme in ("postgresql", "postgresql+psycopg", "postgres"):
        if find_spec("psycopg") is None:
            raise StoreError("PostgreSQL needs one more package: pip install 'shimwright[postgres]'")
        user, at, host = rest.rpartition("@")
        shown = f"postgresql://{user.partition(':')[0]}{at}{host}"
        return Location(None, f"postgresql+psycopg://{rest}", shown)
    raise StoreError(
        f"The store's address begins with {scheme}://; allowed: a file name, or postgresql://host/database."
    )


def _file(path: Path) -> Location:
    path = Path(os.path.abspath(path.expanduser()))
    return Location(path, "sqlite://", str(path))


def disk_kind(path: Path) -> str:
    """Kind of file system a path lies on, empty where the system does not say."""
    try:
        lines = Path("/proc/self/mountinfo").read_text("utf-8", "replace").splitlines()
    except OSError:
        return ""
    path = Path(os.path.realpath(path))
    best, kind = -1, ""
    for line in lines:
        before, _, after = line.partition(" - ")
        fields = before.split()
        if len(fields) < 5 or not after:
            continue
        mount = Path(fields[4].encode().decode("unicode_escape"))
        if path.is_relative_to(mount) and len(mount.parts) >= best:
            best, kind = len(mount.parts), after.split()[0]
    return kind
