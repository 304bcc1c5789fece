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

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from service.channels.model import ChannelError, ContentForm, Outgoing, SendResult
from service.channels.webhook import Push, payload_of, push_of

WHOLE_S = 20.0
"""The library's own time limits count each read; a dripping answer held it for longer."""


PLUGIN_FAULTS = (OSError, ValueError, TypeError, LookupError, AttributeError, RuntimeError, ImportError)
"""What one of the library's many services can raise."""
log = logging.getLogger(__name__)
LINKS = ("click", "supplemental_url", "click_url", "link")
"""What the library's services call the address that opens with a message."""


def has_library() -> bool:
    """Whether the extra package that named targets need is installed."""
    return find_spec("apprise") is not None


class NamedTargets:
    """Sends the words of an alert to a target from the settings."""

    form = ContentForm.PAYLOAD
    kind = "webhook"

    def __init__(self, targets: Mapping[str, str], *, whole_s: float = WHOLE_S) -> None:
        self._targets = dict(targets)
        self._whole_s = whole_s

    def check_address(self, address: str) -> str:
        """The target's name; BadInput when the settings have none of that name."""
        if address not in self._targets:
            known = sorted(self._targets)
            raise BadInput(phrase("channels.no-such-target", address=address, known=known, count=len(known)))
        if not has_library():
            raise BadInput(phrase("channels.targets-need-package"))
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
        push = push_of(payload_of(outgoing))
        taken: list[bool] = []
        sending = threading.Thread(
            target=lambda: taken.append(_notify(url, push)), name="duskbell-named", daemon=True
        )
        sending.start()
        sending.join(self._whole_s)
        if sending.is_alive():
            raise ChannelError("timeout", phrase("channels.target-slow"), maybe_sent=True)
        if taken != [True]:
            raise ChannelError("refused", phrase("channels.target-refused"))
        return SendResult("ok")


def _notify(url: str, push: Push) -> bool:
    """Whether the target took it; what goes wrong inside the library is told by its kind alone, since the
    rest could hold the target's URL."""
    try:
        import apprise

        logging.getLogger("apprise").setLevel(logging.CRITICAL)  # it would log the target's URL
        sender: Any = apprise.Apprise()
        target, has_link = _target(url, push)
        if target is None or not sender.add(target):
            return False
        is_said = has_link or not push.link or push.link in push.text
        text = push.text if is_said else f"{push.text}\n{push.link}"
        return bool(sender.notify(title=push.title, body=text, body_format=apprise.NotifyFormat.TEXT))
    except PLUGIN_FAULTS as fault:
        log.error("apprise failed with %s", type(fault).__name__)
        return False


def _target(url: str, push: Push) -> tuple[Any, bool]:
    """The service made ready, and whether it opens the link: with priority and link where it knows them and
    the operator's URL says nothing of its own. None for a URL that isn't one."""
    from apprise import Apprise, plugins

    library: Any = plugins
    wanted = library.url_to_dict(url)
    if wanted is None:
        return None, False
    plain = Apprise.instantiate(dict(wanted))
    if plain is None:
        return None, False
    known, said = plain.template_args, wanted.get("qsd") or {}
    more: dict[str, str] = {}
    if push.is_urgent and "priority" in known and "priority" not in said:
        more["priority"] = "high"
    for name, argument in known.items():
        called = str(argument.get("map_to", name))
        if push.link and called in LINKS and name not in said:
            more[called] = push.link
    better = Apprise.instantiate({**wanted, **more}) if more else plain
    if better is None:  # a service with other words for its priorities
        more.pop("priority", None)
        better = Apprise.instantiate({**wanted, **more})
    return better or plain, better is not None and any(name in more for name in LINKS)
