"""Whether an alert that waits to be sent still says something true."""

from __future__ import annotations

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
