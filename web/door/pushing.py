"""The token of a micro-controller that posts its readings from elsewhere.

It is typed into the micro-controller's program once, so it must outlive this one: it is kept in a file that only its owner can read,
and can be made anew.  It opens ``POST /api/push`` and nothing else.
"""

from __future__ import annotations

import hmac
import os
import secrets
from pathlib import Path

from capture.errors import CaptureError

SHORTEST = 16


def default_file() -> Path:
    """Where the token is kept."""
    from platformdirs import user_config_path

    return user_config_path("shimwright") / "push-token"


class PushToken:
    """The token in its file; made when there is none.

    Raises
    ------
    CaptureError
        The file can be neither read nor made, or holds something that is no token.
    """

    def __init__(self, file: Path | None = None) -> None:
        self.file = file or default_file()
        try:
            text = self.file.read_text("ascii").strip()
        except FileNotFoundError:
            text = self.renew()
        except (OSError, UnicodeDecodeError) as e:
            raise CaptureError(f"{self.file}: the token for posted readings cannot be read: {e}") from None
        if len(text) < SHORTEST or not text.isprintable() or " " in text:
            raise CaptureError(
                f"{self.file}: holds no token; allowed: one line of at least {SHORTEST} characters without spaces. "
                "Delete the file, and a new one is made."
            )
        self.text = text

    def renew(self) -> str:
        """Make another; the one before no longer holds."""
        text = secrets.token_urlsafe(24)
        temporary = self.file.with_name(self.file.name + ".new")
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
            temporary.unlink(missing_ok=True)
            with open(os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as f:
                f.write(text + "\n")
            temporary.replace(self.file)
        except OSError as e:
            raise CaptureError(f"{self.file}: the token for posted readings cannot be kept: {e}") from None
        self.text = text
        return text

    def fits(self, authorization: str) -> bool:
        """Whether this ``Authorization`` header shows the token."""
        scheme, _, shown = authorization.partition(" ")
        return scheme.lower() == "bearer" and hmac.compare_digest(
            shown.strip().encode("utf-8", "replace"), self.text.encode()
        )
