"""What every test may lean on."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# A busy machine is no fault of the code under test, nor is an unlucky draw; speed is looked at in tests/bench.
NO_FAULTS = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much]
settings.register_profile("calm", deadline=None, suppress_health_check=NO_FAULTS)
settings.load_profile("calm")


@pytest.fixture(scope="session", autouse=True)
def _somebody_elses_home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The tests' own data and profiles: nothing goes into the evidence of whoever runs them, programs they start included."""
    home = tmp_path_factory.mktemp("home")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(home / "data"))
        patch.setenv("XDG_CONFIG_HOME", str(home / "config"))
        patch.delenv("SHIMWRIGHT_STORE", raising=False)
        # A page on this machine is asked for directly, and programs print as they do for themselves.
        for name in [*os.environ]:
            if name.lower() in ("http_proxy", "https_proxy", "all_proxy", "pythonioencoding", "force_color"):
                patch.delenv(name)
        yield


_TOOLS = {
    "browser": ("chromium", "chromium-browser"),
    "bluetooth": ("dbus-daemon",),
    "mqtt": ("mosquitto",),
    "postgres": ("pg_ctl", "postgres", "pg_ctlcluster"),
}
_PACKAGES = {
    "browser": "chromium",
    "bluetooth": "dbus",
    "mqtt": "mosquitto",
    "postgres": "postgresql",
}


def find_tool(capability: str) -> str | None:
    """Path of the program a capability needs, or None."""
    found = next((path for name in _TOOLS[capability] if (path := shutil.which(name))), None)
    if found is None and capability == "postgres":
        # Debian keeps the server's programs off the search path.
        found = next((str(p) for p in Path("/usr/lib/postgresql").glob("*/bin/pg_ctl")), None)
    return found


def require(capability: str) -> str:
    """Path of the program, or skip with a plain reason; fail where it was promised."""
    path = find_tool(capability)
    if path is not None:
        return path
    names = " or ".join(_TOOLS[capability])
    reason = f"needs {names} (Debian package {_PACKAGES[capability]}), which is not installed here"
    if capability in os.environ.get("SHIMWRIGHT_REQUIRE", "").split(","):
        pytest.fail(f"SHIMWRIGHT_REQUIRE asks for {capability}, but this test {reason}")
    pytest.skip(reason)


@pytest.fixture(scope="session")
def need() -> Callable[[str], str]:
    """Function that gives the path of the program a capability needs, or skips."""
    return require
