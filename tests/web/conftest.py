"""Nothing a test opens may outlive it: the same watch as for the capture; and the same terminal to read from."""

from __future__ import annotations

from tests.capture.conftest import bench as bench
from tests.capture.conftest import nothing_left_behind as nothing_left_behind
from tests.capture.conftest import slow_reader as slow_reader
