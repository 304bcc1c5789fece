"""Whether an alert that waits to be sent still says something true, and whether it may ring now."""

from __future__ import annotations

from datetime import datetime, tzinfo

from alerts.briefing.facts import AlertKind
from alerts.verdict import VerdictWord
from alerts.wishes import Wishes


def still_stands(
    kind: AlertKind, verdict: VerdictWord | None, chance_pct: int | None, wishes: Wishes
) -> bool:
    """Whether the newest decision still carries this alert.

    An upward alert falls when the night is now to be stayed home for, or its chance is below the
    take-back limit. Unknown alone doesn't fell it: nothing new was learnt. A stand-down falls only
    when the night is a go again. No decision at all (None) fells nothing.
    """
    if verdict is None:
        return True
    if kind is AlertKind.STAND_DOWN:
        return verdict is not VerdictWord.GO
    if verdict is VerdictWord.STAY:
        return False
    return chance_pct is None or chance_pct >= wishes.chance_back_pct


def quiet_until(
    kind: AlertKind, *, now: datetime, leave_by: datetime | None, wishes: Wishes, clock: tzinfo
) -> datetime | None:
    """Until when quiet hours hold a message that was delayed into them; None when it may ring.

    Only what can wait is held: a heads-up, and a go or change for which one needn't leave before the quiet
    ends. What was said in time and comes late is worth more than a night's sleep; a stand-down always is.
    """
    quiet = wishes.quiet.around(now, clock) if wishes.quiet else None
    if quiet is None or kind is AlertKind.STAND_DOWN:
        return None
    if kind is not AlertKind.HEADS_UP and leave_by is not None and leave_by < quiet.end:
        return None
    return quiet.end
