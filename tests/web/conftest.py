"""Nothing a test opens may outlive it: the same watch as for the capture."""

from __future__ import annotations

from tests.capture.conftest import nothing_left_behind as nothing_left_behind
