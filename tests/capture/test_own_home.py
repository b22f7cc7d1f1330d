"""Whoever runs the tests keeps their own evidence and profiles as they were."""

from __future__ import annotations

from pathlib import Path

from capture.profiles import user_folder
from capture.store.location import locate
from web.cli.serve import default_folder


def test_recordings_store_and_profiles_lie_in_the_tests_own_home() -> None:
    store = locate(None).file
    assert store is not None
    for place in (default_folder(), store, user_folder()):
        assert not Path(place).is_relative_to(Path.home()), f"{place} is the user's own"
