"""What a running service does beside the cycles: look after itself, read bounces, forget what is old."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from service.accounts.access import warn_of_ending_keys
from service.app import Duskbell
from service.delivery.bounces import MailboxTrouble, Report, note_report, read_mailbox
from service.delivery.self_monitor import CycleSilence, SelfMonitor, ways_from
from service.store.maintenance.retention import forget_cycles, forget_forecasts, forget_nights, prune
from service.store.repositories.operator_alerts import note_trouble

MINUTE_OFFSET = 7
"""Cycles start at :07 and so on: feeds update on the hour and ask not to be met there."""
WATCH_EVERY = timedelta(minutes=1)
BOUNCES_EVERY = timedelta(minutes=5)
KEYS_EVERY = timedelta(hours=6)
PRUNE_EVERY = timedelta(hours=24)


@dataclass(frozen=True, slots=True)
class Chore:
    """Something small to be done again and again beside the cycles."""

    name: str
    do: Callable[[], object]
    every: timedelta


def find_chores(duskbell: Duskbell) -> Sequence[Chore]:
    chores = [
        Chore("watch", build_watch(duskbell).look, WATCH_EVERY),
        Chore("tell of keys that end", lambda: warn_of_keys(duskbell), KEYS_EVERY),
        Chore("forget what is old", lambda: forget_old(duskbell), PRUNE_EVERY),
    ]
    if (box := duskbell.settings.bounce_mailbox) is not None:
        seen: set[str] = set()
        chores.append(Chore("read bounces", lambda: read_bounces(duskbell, box, seen), BOUNCES_EVERY))
    return chores


def build_watch(duskbell: Duskbell) -> SelfMonitor:
    return SelfMonitor(
        sessions=duskbell.sessions,
        channels=duskbell.channels,
        ways=ways_from(duskbell.settings),
        cycle_minutes=duskbell.settings.cycle_minutes,
        silence=CycleSilence(duskbell.clock, duskbell.steady),
        clock=duskbell.clock,
    )


def warn_of_keys(duskbell: Duskbell) -> int:
    """Tell the owners of programs' keys that end soon."""
    with duskbell.sessions.begin() as session:
        return warn_of_ending_keys(session, duskbell.clock())


def forget_old(duskbell: Duskbell) -> dict[str, int]:
    """Remove what is older than the settings keep it."""
    settings, sessions, now = duskbell.settings, duskbell.sessions, duskbell.clock()
    counts = prune(
        sessions, now, attempts_days=settings.keep_attempts_days, messages_days=settings.keep_messages_days
    )
    counts["nights"] = forget_nights(sessions, now - timedelta(days=settings.keep_nights_days))
    counts["forecasts"] = forget_forecasts(sessions, now - timedelta(days=settings.keep_forecasts_days))
    counts["cycles"] = forget_cycles(sessions, now)
    return {name: count for name, count in counts.items() if count}


def read_bounces(duskbell: Duskbell, box: Path, seen: set[str]) -> int:
    """Take the bounces out of the mailbox; one that can't be read is told to the operator.

    seen: names of the mails in it that were looked at before.
    """
    now = duskbell.clock()

    def note(report: Report) -> bool:
        with duskbell.sessions.begin() as session:
            return note_report(session, duskbell.keys, report, duskbell.delivery.metrics, now)

    try:
        return read_mailbox(box, seen, note)
    except MailboxTrouble as error:
        with duskbell.sessions.begin() as session:
            note_trouble(session, "bounces", str(error), now)
        return 0
