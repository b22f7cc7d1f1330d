"""A page that takes nothing is let go, and does not stand in the way of stopping: over a real process and real sockets."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import httpx
import pytest

from capture.simulator.pty_bench import PtyBench

SCRIPT = str(Path(sys.executable).with_name("shimwright"))
PATIENCE_S = 180.0
"""It takes as long as this machine takes to fill the buffers on the way, and ten seconds more."""
PAGES = 5


@pytest.mark.skipif(not hasattr(socket, "TCP_USER_TIMEOUT"), reason="the system has no limit for what waits to be sent")
def test_a_page_that_never_reads_is_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    bench, stop = PtyBench(tmp_path / "indicator"), threading.Event()

    def speak() -> None:
        n = 0
        while not stop.wait(0.005):
            # Soon the buffers on the way are full.
            bench.write(b"".join(f"{(n + k) % 100000 / 1000:+08.3f}\r\n".encode() for k in range(5)))
            n += 5

    command = [SCRIPT, "serve", f"serial:{bench.link}", "--port", "0", "--no-browser", "--store", "off"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    thread = threading.Thread(target=speak)
    pages: list[socket.socket] = []
    try:
        assert process.stdout is not None
        found = re.search(r"http://127\.0\.0\.1:(\d+)/", process.stdout.readline())
        assert found is not None
        port = int(found[1])
        thread.start()

        def held() -> int:
            station = httpx.get(f"http://127.0.0.1:{port}/api/connect", timeout=PATIENCE_S).json()["station"]
            return int(station["open"][0])

        before = held()
        for _ in range(PAGES):
            page = socket.socket()
            page.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            page.connect(("127.0.0.1", port))
            page.sendall(f"GET /api/events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
            pages.append(page)
        end = time.monotonic() + PATIENCE_S
        while held() < before + PAGES:
            assert time.monotonic() < end
            time.sleep(0.05)
        end = time.monotonic() + PATIENCE_S
        while held() >= before + PAGES - 2:
            assert time.monotonic() < end, "nobody was let go"
            time.sleep(0.5)
        process.send_signal(signal.SIGTERM)
        _, complaints = process.communicate(timeout=PATIENCE_S)
        assert (process.returncode, complaints) == (0, "")
    finally:
        stop.set()
        if thread.ident is not None:
            thread.join(PATIENCE_S)
        for page in pages:
            page.close()
        if process.poll() is None:
            process.kill()
            process.communicate()
        bench.stop()
