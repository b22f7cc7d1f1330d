"""Whoever runs the tests keeps their own evidence and profiles as they were."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from capture.profiles import user_folder
from capture.store.location import locate
from web.cli.serve import default_folder


def test_recordings_store_and_profiles_lie_in_the_tests_own_home(tmp_path_factory: pytest.TempPathFactory) -> None:
    store = locate(None).file
    assert store is not None
    for place, own in (
        (default_folder(), "XDG_DATA_HOME"),
        (store, "XDG_DATA_HOME"),
        (user_folder(), "XDG_CONFIG_HOME"),
    ):
        assert Path(place).is_relative_to(os.environ[own]), f"{place} is the user's own"
        assert Path(os.environ[own]).is_relative_to(tmp_path_factory.getbasetemp())
