"""From a briefing to what one channel sends."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from alerts.briefing.assemble import PngPicture, mail_with_pictures
from alerts.briefing.facts.alert import Briefing
from alerts.briefing.render import BUILT_IN, Templates, build_payload
from service.channels.model import Form, Outgoing


@dataclass(frozen=True, slots=True)
class Enclosed:
    """What a mail carries besides its words, and whose words those are.

    pictures: by index in `Briefing.alerts`. calendar: the file, empty for none. templates: the operator's.
    """

    pictures: Mapping[int, Sequence[PngPicture]] = field(default_factory=dict)
    calendar: bytes = b""
    templates: Templates = BUILT_IN


def compose(
    form: Form,
    briefing: Briefing,
    *,
    address: str,
    attempted_at: datetime,
    secrets: tuple[str, ...] = (),
    enclosed: Enclosed | None = None,
) -> Outgoing:
    """Render the one form that the channel sends.

    attempted_at: real UTC time of the attempt, also where the rest runs on a time of its own.
    """
    extra, mail = enclosed or Enclosed(), None
    if form is Form.MAIL:
        mail = mail_with_pictures(
            briefing, extra.pictures, calendar=extra.calendar, templates=extra.templates
        )
    return Outgoing(
        message_id=briefing.message_id,
        address=address,
        attempted_at=attempted_at,
        mail=mail,
        payload=build_payload(briefing) if form is Form.PAYLOAD else None,
        secrets=secrets,
        unsubscribe_url=briefing.unsubscribe_url,
    )
