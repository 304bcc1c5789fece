"""Targets that the operator names in the settings, reached through apprise (extra `channels`).

Only the operator can set them: apprise follows redirects and calls any address, so nothing that a user
typed may ever get there. An address of this channel is the target's name; its URL stays in the settings.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Mapping
from importlib.util import find_spec
from typing import Any

from alerts.errors import BadInput
from service.channels.base import ChannelError, Form, Outgoing, SendResult
from service.channels.webhook import payload_of

WHOLE_S = 20.0
"""The library's own time limits count each read; a dripping answer held it for longer."""


PLUGIN_FAULTS = (OSError, ValueError, TypeError, LookupError, AttributeError, RuntimeError, ImportError)
"""What one of the library's many services can raise."""
log = logging.getLogger(__name__)


def has_library() -> bool:
    """Whether the extra package that named targets need is installed."""
    return find_spec("apprise") is not None


class NamedTargets:
    """Sends the words of an alert to a target from the settings."""

    form = Form.PAYLOAD
    kind = "webhook"

    def __init__(self, targets: Mapping[str, str], *, whole_s: float = WHOLE_S) -> None:
        self._targets = dict(targets)
        self._whole_s = whole_s

    def check_address(self, address: str) -> str:
        """The target's name; BadInput when the settings have none of that name."""
        if address not in self._targets:
            known = ", ".join(sorted(self._targets)) or "none are set"
            raise BadInput(f"there is no target named {address!r} in named_targets; there is: {known}.")
        if not has_library():
            raise BadInput("named targets need an extra package: pip install 'duskbell[channels]'.")
        return address

    def destination(self, address: str) -> str:
        """Each target by itself: where it leads is the library's business."""
        return f"named {address}"

    def send(self, outgoing: Outgoing) -> SendResult:
        """Send it once, within the whole deadline; the library only says yes or no."""
        try:
            url = self._targets[self.check_address(outgoing.address)]
        except BadInput as error:
            raise ChannelError("no_target", str(error), permanent=True, ours=True) from error
        data = payload_of(outgoing).get("data")
        assert isinstance(data, Mapping), "every payload has data"
        return self._within_deadline(url, str(data["subject"]), str(data["text"]))

    def _within_deadline(self, url: str, subject: str, text: str) -> SendResult:
        taken: list[bool] = []
        sending = threading.Thread(
            target=lambda: taken.append(_notify(url, subject, text)), name="duskbell-named", daemon=True
        )
        sending.start()
        sending.join(self._whole_s)
        if sending.is_alive():
            raise ChannelError("timeout", "the target took too long", maybe_sent=True)
        if taken != [True]:
            raise ChannelError("refused", "the target didn't take it")
        return SendResult("ok")


def _notify(url: str, subject: str, text: str) -> bool:
    """Whether the target took it; what goes wrong inside the library is told by its kind alone, since the
    rest could hold the target's URL."""
    try:
        return _hand_over(url, subject, text)
    except PLUGIN_FAULTS as fault:
        log.error("apprise failed with %s", type(fault).__name__)
        return False


def _hand_over(url: str, subject: str, text: str) -> bool:
    import apprise

    logging.getLogger("apprise").setLevel(logging.CRITICAL)  # it would log the target's URL
    sender: Any = apprise.Apprise()
    if not sender.add(url):
        return False
    return bool(sender.notify(title=subject, body=text, body_format=apprise.NotifyFormat.TEXT))
