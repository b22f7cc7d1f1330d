"""The computer itself: sound, disk, clock, and where profiles lie."""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path

from capture.doctor.finding import Finding

LEAST_FREE = 200 * 1024 * 1024
EARLIEST = 1_700_000_000
"""A computer's clock that stands before this was never set."""

_CARDS = Path("/proc/asound/cards")
_SYNCED = Path("/run/systemd/timesync/synchronized")
_TIME_SERVICE = Path("/run/systemd/timesync")


def data_folder() -> Path:
    """Where recordings go when nothing else is said."""
    from platformdirs import user_data_path

    return user_data_path("shimwright")


def sound() -> list[Finding]:
    """Whether the page's tones can be heard here; they are made by whatever shows the page, a telephone too."""
    if not _CARDS.parent.parent.is_dir() or os.name != "posix":
        return [Finding("sound: not looked at on this system", "fine")]
    try:
        cards = [x for x in _CARDS.read_text("utf-8", "replace").splitlines() if x.strip()[:1].isdigit()]
    except OSError:
        cards = []
    if not cards:
        return [
            Finding(
                "sound: this computer has no sound card",
                "note",
                "Plug a loudspeaker or headphones in, or show the page on a telephone: the tones come from there.",
            )
        ]
    return [Finding(f"sound: {len(cards)} card{'s' if len(cards) > 1 else ''}", "fine")]


def disk() -> list[Finding]:
    """Room and permission where recordings go."""
    folder = data_folder()
    while not folder.exists():
        folder = folder.parent
    free = shutil.disk_usage(folder).free
    if not os.access(folder, os.W_OK):
        return [
            Finding(
                f"{folder} cannot be written to",
                "wrong",
                "Give yourself write permission, or record elsewhere with --record.",
            )
        ]
    if free < LEAST_FREE:
        return [
            Finding(
                f"{free // 1_000_000} MB free at {folder}", "wrong", "Make room: recordings stop when the disk is full."
            )
        ]
    return [Finding(f"{free // 1_000_000} MB free at {folder}", "fine")]


def clock() -> list[Finding]:
    """Whether the computer's clock can be right; recordings keep a clock of their own, and their date from this one."""
    if time.time() < EARLIEST:
        return [
            Finding("the computer's clock stands in the past", "wrong", "Set date and time: they go into every record.")
        ]
    if _TIME_SERVICE.is_dir() and not _SYNCED.exists():
        return [
            Finding(
                "the computer's clock has not been compared with a time server since it was switched on",
                "note",
                "Look at date and time; connect the computer to a network for a minute.",
            )
        ]
    return [Finding("clock", "fine")]


def profiles() -> list[Finding]:
    """Where the user's own profiles lie, which ones installed packages bring, and whether they can be used."""
    from capture.errors import ProfileError
    from capture.profiles import added_profiles, load_profile, packaged_names, user_files, user_folder

    files, packaged = user_files(), packaged_names()
    found = [Finding(f"profiles of your own: {len(files)} in {user_folder()}", "fine")]
    for file in files:
        if file.stem in packaged:
            found.append(
                Finding(
                    f"{file} is never used: {file.stem} comes with the program", "note", "Give that file another name."
                )
            )
            continue
        try:
            load_profile(file.stem, "profile")
        except ProfileError as e:
            found.append(Finding(f"a profile cannot be used: {e}", "wrong", f"Mend or remove {file}."))
    own = {f.stem for f in files}
    for added in added_profiles():
        if isinstance(added, ProfileError):
            found.append(Finding(f"a profile cannot be used: {added}", "wrong", "Update or remove that package."))
        elif added.name in own:
            found.append(
                Finding(
                    f"{added.place} is not used: yours of that name comes first", "note", "Rename yours to have both."
                )
            )
        else:
            try:
                load_profile(added.name, "profile")
                found.append(Finding(f"profile {added.name}, from {added.whence}", "fine"))
            except ProfileError as e:
                found.append(Finding(f"a profile cannot be used: {e}", "wrong", "Update or remove that package."))
    return found
