"""The installation's secret key: for links that can be made again, and hashes that nobody can guess back.

The database holds only hashes. Whoever gets hold of it without this key can neither make an unsubscribe
link nor find out which address a suppressed hash stands for.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import os
import secrets
import tempfile
from pathlib import Path

from alerts.common.errors import DuskbellError
from alerts.common.phrases import phrase

KEY_BYTES = 32
FILE_NAME = "secret.key"


class KeyTrouble(DuskbellError):
    """The key can't be read or made; the message says what to do."""


class Keys:
    """Keyed hashes, each for one purpose: the same text gives unrelated hashes for two purposes."""

    def __init__(self, secret: bytes) -> None:
        if len(secret) < 16:
            raise KeyTrouble(phrase("service-common.key-short"))
        self._secret = secret

    def hash(self, purpose: str, text: str) -> str:
        """HMAC-SHA256 in hexadecimal."""
        return self._digest(purpose, text).hex()

    def link_token(self, purpose: str, nonce: str) -> str:
        """The token of a link that must stay the same from mail to mail: 192 bits, safe in a URL."""
        return base64.urlsafe_b64encode(self._digest(f"link {purpose}", nonce)[:24]).decode("ascii")

    def _digest(self, purpose: str, text: str) -> bytes:
        return hmac.digest(self._secret, f"duskbell {purpose}\n{text}".encode(), hashlib.sha256)


def load_keys(folder: Path, configured: str = "") -> Keys:
    """The configured key, else the one in the folder's key file, which is made on first use."""
    if configured:
        return Keys(configured.encode())
    path = folder / FILE_NAME
    try:
        if not path.exists():
            _make(path)
        # Just as `_make` writes it, so that a file which lost a part isn't taken for another key.
        text = path.read_text(encoding="ascii").strip()
        secret = bytes.fromhex(text)
        if len(secret) != KEY_BYTES or len(text) != 2 * KEY_BYTES:
            raise ValueError(phrase("service-common.key-damaged", count=len(text), wanted=2 * KEY_BYTES))
        if len(set(secret)) == 1:
            raise ValueError(phrase("service-common.key-one-byte"))
        return Keys(secret)
    except (OSError, ValueError) as error:
        raise KeyTrouble(phrase("service-common.key-file", path=path, error=error)) from error


def _make(path: Path) -> None:
    """Write a fresh key, readable by its owner only. Of two processes at once, the first one's stays."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    handle, beside = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".key")  # mode 0600
    try:
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(secrets.token_hex(KEY_BYTES) + "\n")
            file.flush()
            os.fsync(file.fileno())
        with contextlib.suppress(FileExistsError):
            os.link(beside, path)
    finally:
        Path(beside).unlink(missing_ok=True)
