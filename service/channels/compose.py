"""From a briefing to what one channel sends."""

from __future__ import annotations

from datetime import datetime

from alerts.briefing.build import build_payload, render_mail
from alerts.briefing.facts import Briefing
from service.channels.base import Form, Outgoing


def compose(
    form: Form,
    briefing: Briefing,
    *,
    address: str,
    attempted_at: datetime,
    secrets: tuple[str, ...] = (),
) -> Outgoing:
    """Render the one form that the channel sends.

    attempted_at: real UTC time of the attempt, also where the rest runs on a time of its own.
    """
    return Outgoing(
        message_id=briefing.message_id,
        address=address,
        attempted_at=attempted_at,
        mail=render_mail(briefing) if form is Form.MAIL else None,
        payload=build_payload(briefing) if form is Form.PAYLOAD else None,
        secrets=secrets,
        unsubscribe_url=briefing.unsubscribe_url,
    )
