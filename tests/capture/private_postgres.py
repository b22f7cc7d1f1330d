"""A PostgreSQL server of the tests' own, in a folder of its own, reached through a socket in that folder only."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any


class PrivatePostgres:
    """A server that can be stopped, started and killed.

    Parameters
    ----------
    pg_ctl : str
        Path of one of the server's programs; the others lie beside what it points to.
    """

    def __init__(self, pg_ctl: str) -> None:
        found = Path(os.path.realpath(pg_ctl)).parent
        self._bin = found if (found / "initdb").exists() else max(Path("/usr/lib/postgresql").glob("*/bin"))
        self.folder = Path(tempfile.mkdtemp(prefix="pg-"))
        self._user = self._unprivileged()
        if self._user is not None:
            os.chown(self.folder, self._user.pw_uid, self._user.pw_gid)
        self._data = self.folder / "data"
        self._run("initdb", "-D", str(self._data), "-U", "mechanic", "-A", "trust", "-E", "UTF8", "--locale=C", "-N")
        with open(self._data / "postgresql.conf", "a") as file:
            file.write(f"listen_addresses = ''\nunix_socket_directories = '{self.folder}'\n")
        self.url = f"postgresql://mechanic@/postgres?host={self.folder}"
        self.start()

    @staticmethod
    def _unprivileged() -> pwd.struct_passwd | None:
        """The server refuses to run as the superuser."""
        if os.geteuid() != 0:
            return None
        for name in ("postgres", "nobody"):
            try:
                return pwd.getpwnam(name)
            except KeyError:
                continue
        raise AssertionError("no unprivileged user to run the server as")

    def _run(self, program: str, *arguments: str) -> None:
        more: dict[str, Any] = {}
        if self._user is not None:
            more = {"user": self._user.pw_uid, "group": self._user.pw_gid, "extra_groups": []}
        done = subprocess.run(
            [str(self._bin / program), *arguments],
            cwd=self.folder,
            env={"PATH": os.environ.get("PATH", ""), "HOME": str(self.folder), "LC_ALL": "C"},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=300,
            check=False,
            **more,
        )
        assert done.returncode == 0, done.stdout

    def start(self) -> None:
        """Start it and wait until it answers."""
        log = str(self.folder / "log")
        self._run("pg_ctl", "-D", str(self._data), "-w", "-t", "180", "-l", log, "start")

    def stop(self, mode: str = "fast") -> None:
        """Stop it: ``fast`` ends connections, ``immediate`` is a crash."""
        self._run("pg_ctl", "-D", str(self._data), "-w", "-t", "180", "-m", mode, "stop")

    def remove(self) -> None:
        """Stop it if it runs and remove everything."""
        if (self._data / "postmaster.pid").exists():
            self.stop("immediate")
        shutil.rmtree(self.folder, ignore_errors=True)
