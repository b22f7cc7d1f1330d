"""A D-Bus of our own: a real dbus-daemon on its own socket, to stand in for the system bus."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

WAIT_S = 60.0
_CONFIGURATION = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>session</type>
  <keep_umask/>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow user="*"/>
    <allow own="*"/>
    <allow send_type="method_call"/>
    <allow send_type="signal"/>
    <allow send_requested_reply="true" send_type="method_return"/>
    <allow send_requested_reply="true" send_type="error"/>
    <allow receive_type="method_call"/>
    <allow receive_type="method_return"/>
    <allow receive_type="error"/>
    <allow receive_type="signal"/>
    <allow send_destination="*" eavesdrop="false"/>
    {extra}
  </policy>
</busconfig>
"""


class PrivateBus:
    """A running daemon.  It has no folder of services, so none starts by itself.

    Parameters
    ----------
    extra_policy : str
        Further rules, to deny something.
    """

    def __init__(self, program: str = "dbus-daemon", extra_policy: str = "") -> None:
        # A socket's path must be shorter than 108 bytes, whatever the folder for temporary files is called.
        self._folder = Path(tempfile.mkdtemp(prefix="pb", dir=None if len(tempfile.gettempdir()) < 80 else "/tmp"))
        self._folder.chmod(0o755)
        socket = self._folder / "s"
        self.address = f"unix:path={socket}"
        configuration = self._folder / "c"
        configuration.write_text(_CONFIGURATION.format(socket=socket, extra=extra_policy), "utf-8")
        r, w = os.pipe()
        self._log = open(self._folder / "log", "w", encoding="utf-8")  # noqa: SIM115 - closed in close()
        options = [f"--config-file={configuration}", "--nofork", "--nopidfile", "--nosyslog", f"--print-address={w}"]
        self._process = subprocess.Popen([program, *options], pass_fds=(w,), stderr=self._log)
        os.close(w)
        with os.fdopen(r) as file:
            if not file.readline():
                raise RuntimeError(f"dbus-daemon ended with {self._process.wait()}")

    def kill(self) -> None:
        """End the daemon without notice."""
        self._process.kill()
        self._process.wait(WAIT_S)

    def close(self) -> None:
        """End the daemon."""
        if self._process.poll() is None:
            self._process.terminate()
        self._process.wait(WAIT_S)
        self._log.close()
        shutil.rmtree(self._folder, ignore_errors=True)
