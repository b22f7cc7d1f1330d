"""``shimwright pair``: a new code from the program that runs on this machine, for whoever has no browser at it."""

from __future__ import annotations

import http.client
import json
import sys
from typing import Any

from capture.errors import CaptureError
from web.cli.reach import on_terminal
from web.door.door import link_for

PATIENCE_S = 5.0


def pair_command(port: int, json_out: bool = False) -> int:
    """Exit code."""
    seen = _asked(port)
    code, addresses = seen["code"]["code"], seen["addresses"]
    if json_out:
        links = [link_for(a, code.replace(" ", "")) for a in addresses]
        data = {
            "code": code,
            "left_s": seen["code"]["left_s"],
            "pages": [f"{a}pair" for a in addresses],
            "links": links,
        }
        sys.stdout.write(json.dumps(data, ensure_ascii=False) + "\n")
        return 0
    minutes = seen["code"]["left_s"] // 60
    first = addresses[0]
    sys.stdout.write(f"Within {minutes} min, open {first}pair on the other device and type {code}\n")
    for other in addresses[1:]:
        sys.stdout.write(f"It is also there at {other}pair\n")
    if sys.stdout.isatty():
        sys.stdout.write(on_terminal(link_for(first, code.replace(" ", ""))))
    return 0


def _asked(port: int) -> dict[str, Any]:
    # The loopback itself, past any proxy the environment names.
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    try:
        connection.request("POST", "/api/devices/code")
        answer = connection.getresponse()
        data = json.loads(answer.read())
    except (OSError, http.client.HTTPException, ValueError) as e:
        raise CaptureError(
            f"No shimwright answers on port {port} of this machine ({type(e).__name__}: {e}). "
            "Start it with serve and --host 0.0.0.0, or name its port with --port."
        ) from None
    finally:
        connection.close()
    if answer.status != 200 or not isinstance(data, dict) or not data.get("code"):
        why = data.get("detail") if isinstance(data, dict) else None
        raise CaptureError(
            f"No code was made: {why or f'what answers on port {port} is no shimwright of this version'}"
        )
    return data
