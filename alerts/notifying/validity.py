"""Whether an alert that waits to be sent still says something true, and whether it may ring now."""

from __future__ import annotations

from datetime import datetime, tzinfo

from alerts.common.phrases import Phrase, phrase
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import AlertKind
from alerts.wishes.model import Wishes


def is_taken_back(chance_pct: int | None, wishes: Wishes) -> bool:
    """Whether the chance alone takes a go back; never one that is unknown, nor any where the limit is 0.

    Some points below the limit: at the limit itself one point would turn people round. In between the last
    word and the record say so. Hazards and a gone window wait for no margin.
    """
    if chance_pct is None or not wishes.chance_back_pct:
        return False
    return chance_pct <= wishes.taken_back_at_pct


def find_doubt(chance_pct: int | None, wishes: Wishes) -> Phrase | None:
    """`under your limit of 50 % but not by the 5 points that would turn you round`; None for others."""
    limit_pct = wishes.chance_back_pct
    if chance_pct is None or chance_pct >= limit_pct or is_taken_back(chance_pct, wishes):
        return None
    return phrase("notifying.doubt", limit_pct=limit_pct, points=limit_pct - wishes.taken_back_at_pct)


def still_stands(
    kind: AlertKind,
    verdict: VerdictWord | None,
    chance_pct: int | None,
    wishes: Wishes,
    *,
    is_first: bool = False,
) -> bool:
    """Whether the newest decision still carries this alert.

    An upward alert falls when the night is now to be stayed home for, or its chance would
    take a go back; a first word (is_first: a heads-up or a go that no other came before), which nobody
    relies on yet, already below the limit. Unknown alone doesn't fell it: nothing new was learnt. A
    stand-down falls only when the night is a go again. No decision at all (None) fells nothing.
    """
    if verdict is None:
        return True
    if kind is AlertKind.STAND_DOWN:
        return verdict is not VerdictWord.GO
    if verdict is VerdictWord.STAY:
        return False
    if is_first:
        return chance_pct is None or chance_pct >= wishes.chance_back_pct
    return not is_taken_back(chance_pct, wishes)


def is_first_word(kind: AlertKind, occurrence: int) -> bool:
    return kind in (AlertKind.HEADS_UP, AlertKind.GO) and occurrence == 1


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
