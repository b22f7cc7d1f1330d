"""Which program this is, as evidence bears it: version, commit, the sum of what computes, the libraries it computes with."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path

COMPUTES = ("analysis", "capture", "web/report", "web/figures")
"""Parts of the program whose text decides what evidence gives and how a sheet states it."""

_KEYS = ("version", "commit", "sources", "libraries")


@dataclass(frozen=True, slots=True)
class Stamp:
    """One program.

    Attributes
    ----------
    version : str
        The release; it stays the same from one commit to the next.
    commit : str or None
        Where the program runs out of a checkout: the commit that is checked out.
    sources : str
        First 12 digits of a SHA-256 over the source of `COMPUTES`, which tells two programs apart that bear one version.
    libraries : str
        What it computes with.
    """

    version: str
    commit: str | None
    sources: str
    libraries: str

    @property
    def say(self) -> str:
        """In one line."""
        commit = f"commit {self.commit[:12]}, " if self.commit else ""
        return f"shimwright {self.version} ({commit}sources {self.sources}; {self.libraries})"

    def as_dict(self) -> dict[str, str | None]:
        """For JSON."""
        return asdict(self)


def stamp_from(given: object) -> Stamp | None:
    """A stamp out of a record; None where it holds none."""
    if not isinstance(given, Mapping) or set(_KEYS) - given.keys():
        return None
    version, commit, sources, libraries = (given[k] for k in _KEYS)
    if not all(isinstance(x, str) for x in (version, sources, libraries)) or not isinstance(commit, str | None):
        return None
    return Stamp(str(version), commit, str(sources), str(libraries))


@lru_cache(maxsize=1)
def stamp() -> Stamp:
    """The program that runs."""
    root = Path(__file__).resolve().parents[1]
    return Stamp(_version("shimwright"), _commit(root), _sources(root), _libraries())


def _version(name: str) -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"


def _libraries() -> str:
    import platform

    known = ", ".join(f"{name} {_version(name)}" for name in ("numpy", "scipy"))
    return f"{known}, Python {platform.python_version()}"


def _sources(root: Path) -> str:
    digest = hashlib.sha256()
    for path in _files(root):
        name = path.relative_to(root).as_posix()
        # Line ends differ from one system's checkout to another's.
        digest.update(f"{name}\0".encode() + path.read_bytes().replace(b"\r\n", b"\n") + b"\0")
    return digest.hexdigest()[:12]


def _files(root: Path) -> Iterator[Path]:
    for part in COMPUTES:
        yield from sorted(p for p in (root / part).rglob("*") if p.suffix in (".py", ".toml", ".j2"))


def _commit(root: Path) -> str | None:
    """The commit checked out at `root`; None where it is no checkout."""
    try:
        git = root / ".git"
        if git.is_file():  # a further worktree
            git = (root / git.read_text("utf-8").removeprefix("gitdir:").strip()).resolve()
        head = (git / "HEAD").read_text("utf-8").strip()
        if not head.startswith("ref:"):
            return _hex(head)
        name = head.removeprefix("ref:").strip()
        common = git / "commondir"
        shared = (git / common.read_text("utf-8").strip()).resolve() if common.is_file() else git
        for place in (git, shared):
            if (place / name).is_file():
                return _hex((place / name).read_text("utf-8").strip())
        for line in (shared / "packed-refs").read_text("utf-8").splitlines():
            if line.endswith(f" {name}"):
                return _hex(line.partition(" ")[0])
    except (OSError, UnicodeDecodeError):
        pass
    return None


def _hex(text: str) -> str | None:
    return text if re.fullmatch(r"[0-9a-f]{40,64}", text) else None
