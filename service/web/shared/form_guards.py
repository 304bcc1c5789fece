"""What keeps programs out of forms that strangers can send: a trap field, and a form that takes its time."""

from __future__ import annotations

import hmac
from datetime import datetime, timedelta

from service.common.secret_key import Keys
from service.web.shared.forms import Form

QUICKEST = timedelta(seconds=3)
"""Nobody fills a form in sooner."""
STALEST = timedelta(hours=12)
TRAP = "website"
STAMP = "stamp"


def make_stamp(keys: Keys, now: datetime) -> str:
    """A hidden field that says when the form was shown, and can't be made up."""
    seconds = int(now.timestamp())
    return f"{seconds}.{keys.hash('form shown', str(seconds))[:32]}"


def looks_human(keys: Keys, form: Form, now: datetime) -> bool:
    """Whether the trap is empty and the form was shown here, not just now and not long ago."""
    seconds, _, mac = form.text(STAMP).partition(".")
    if form.text(TRAP) or not (seconds.isascii() and seconds.isdigit() and len(seconds) < 12):
        return False
    if not hmac.compare_digest(mac.encode(), keys.hash("form shown", seconds)[:32].encode()):
        return False
    age = now - datetime.fromtimestamp(int(seconds), tz=now.tzinfo)
    return QUICKEST <= age <= STALEST
