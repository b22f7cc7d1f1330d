"""Where profiles lie: with the program, in the user's folder, and in packages that were installed beside it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module, resources
from importlib.metadata import EntryPoint, entry_points
from importlib.resources.abc import Traversable
from pathlib import Path

from capture.errors import ProfileError

GROUP = "shimwright.profiles"
"""Entry points of this group name packages whose ``*.toml`` files are profiles."""


@dataclass(frozen=True)
class Added:
    """A profile that an installed package brings.

    Attributes
    ----------
    name : str
    whence : str
        The distribution that brings it, with its version.
    file : Traversable
    """

    name: str
    whence: str
    file: Traversable

    @property
    def place(self) -> str:
        """For messages."""
        return f"{self.file.name} of {self.whence}"


def packaged_names() -> list[str]:
    """Names of the profiles that come with the program, the commonest first."""
    names = (p.name for p in resources.files("capture.profiles").iterdir())
    return sorted((n.removesuffix(".toml") for n in names if n.endswith(".toml")), key=lambda n: (n != "text-line", n))


def packaged_text(name: str) -> str:
    """A packaged profile as it is written."""
    return (resources.files("capture.profiles") / f"{name}.toml").read_text("utf-8")


def is_name(name: str) -> bool:
    """Whether a profile may be called so."""
    return re.fullmatch(r"[\w-]{1,64}", name) is not None


def user_folder() -> Path:
    """Where the user's own profiles lie."""
    from platformdirs import user_config_path

    return user_config_path("shimwright") / "profiles"


def user_files() -> list[Path]:
    """Files of the user's own profiles; one named like a packaged profile is never used."""
    folder = user_folder()
    return sorted(folder.glob("*.toml")) if folder.is_dir() else []


def added_profiles() -> Iterator[Added | ProfileError]:
    """Profiles that installed packages bring; an error in place of those of a package that cannot be read."""
    for point in sorted(entry_points(group=GROUP), key=lambda p: (_whence(p), p.name)):
        whence = _whence(point)
        try:
            files = [f for f in resources.files(import_module(point.value)).iterdir() if f.name.endswith(".toml")]
        except Exception as e:  # whatever a stranger's package does when it is loaded
            yield ProfileError(
                f"the profiles of {whence} cannot be read: its entry point {point.name} = {point.value!r} in the group {GROUP} "
                f"must name a package that holds *.toml files ({type(e).__name__}: {e}). Update or remove that package."
            )
            continue
        if not files:
            yield ProfileError(
                f"{whence} brings no profiles: the package {point.value} holds no *.toml file. Update or remove that package."
            )
        for file in sorted(files, key=lambda f: f.name):
            name = file.name.removesuffix(".toml")
            if is_name(name) and name not in packaged_names():
                yield Added(name, whence, file)
            else:
                yield ProfileError(
                    f"{file.name} of {whence} cannot be used: a profile's name has letters, digits and hyphens, and none of "
                    f"{', '.join(packaged_names())}. Update or remove that package."
                )


def _whence(point: EntryPoint) -> str:
    dist = point.dist
    return "an installed package" if dist is None else f"{dist.name} {dist.version}"
