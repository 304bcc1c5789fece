"""Why a night rang or didn't, as a person would put it."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Session

from alerts.verdict import VerdictWord
from service.web.judged import JudgedNight, is_past
from service.web.words import stamp


def argue_night(session: Session, judged: JudgedNight, now: datetime) -> list[str]:
    """Sentences for the one whose wishes were judged; for others what the verdict alone says."""
    zone = judged.site.zone
    if judged.subscription is None:
        return ["Nobody is told about this site, so nothing was judged and nothing could ring."]
    if judged.decision is None:
        return ["No cycle has judged this night" + ("." if is_past(judged.night, now) else " yet.")]
    deciding = judged.verdict.deciding.text
    judged_at = f"It was first seen this way {stamp(judged.decision.as_of, zone)}, and last looked at "
    judged_at += f"{stamp(judged.as_of, zone)}."
    if judged.verdict.word is VerdictWord.GO:
        return [judged_at]
    return [f"The verdict is {judged.verdict.word}: {deciding}.", judged_at]
