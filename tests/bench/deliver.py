"""What delivery carries: webhooks and mails a second, how soon they arrive, and what a kill -9 does to it.

    python tests/bench/deliver.py [--quick] [--json] [--rounds N]

A real installation on SQLite, real sockets on loopback, receivers in two processes of their own on the same
machine. One host of twenty never answers. The messages are goes with all notes for the field, as the judging
stage writes them; none of them is composed beforehand.

webhooks_per_s  to hosts that answer, from the first claim until the last of them has its own
mails_per_s     through one relay, while webhooks to the hosts that hang are under way too
p95_arrival_s   from the decision's commit to the arrival, half webhooks and half mails, as decisions come in
                at the rate in `arrival_rate_per_s` while the postman runs
kill_rounds     times the sender was killed -9 at a random moment; killed_midway: of those, how often some
                messages had arrived and others not; lost: messages that never arrived;
                duplicates: arrivals beyond the first of a message; duplicates_with_other_id: those under
                another id than the first; broken_promises: findings of the invariant checker in all rounds
…_sender_ms, …_receiver_ms   processor time that one message takes, of the sender and of the receiver
"""

# ruff: noqa: E402 - the number of threads must be set before numpy is loaded

from __future__ import annotations

import argparse
import json
import logging
import os
import random
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from sqlalchemy import func, insert, select, update
from sqlalchemy.orm import Session

from alerts.notifying.model import AlertKind
from alerts.wishes.model import Wishes
from service.app import Duskbell
from service.channels.webhook import new_secret
from service.delivery.dispatcher import BackgroundSender
from service.store.json_values import to_json
from service.store.maintenance.invariants import find_broken
from service.store.repositories import messages, nights, sites
from service.store.repositories.messages import Status
from service.store.schema.core_tables import (
    AddressRow,
    AlertRow,
    DecisionRow,
    FindingRow,
    MessageAlertRow,
    MessageRow,
    NightRow,
    PersonRow,
    SubscriptionRow,
    Table,
    WishSnapshotRow,
)
from tests.bench.delivery_receivers import Arrival, Receivers, serve_hooks, serve_mail
from tests.integration.delivery import child
from tests.integration.delivery.child import Ground
from tests.unit.alerts.briefing.sample_nights import FLAT, case, facts_of

HOSTS = [f"127.0.1.{number}" for number in range(1, 41)]
HANGING = frozenset(HOSTS[::20])
HELPS_FOR = timedelta(hours=6)
A_ROUND = 24
PATIENCE_S = 300.0
BLOCK = 50


@dataclass(frozen=True, slots=True)
class Sizes:
    """How much of each is sent. stream_s: for how long decisions come in."""

    webhooks: int
    mails: int
    stream_per_s: int
    stream_s: int
    rounds: int


class Bench:
    """An installation, its receivers, and messages that are made as they are needed."""

    def __init__(self, folder: str) -> None:
        self.hooks = Receivers(serve_hooks, HANGING)
        self.mail = Receivers(serve_mail)
        self.ground = Ground(folder, f"sqlite:///{folder}/store.sqlite3", self.mail.port)
        self.duskbell: Duskbell = self.ground.open()
        self._facts = to_json(facts_of("july", AlertKind.GO))
        self._made = 0
        with self.duskbell.sessions.begin() as session:
            self._settle(session)

    def _settle(self, session: Session) -> None:
        """One person, one site and one night for all; subscriptions and addresses come with the messages."""
        now = datetime.now(UTC)
        person = PersonRow(name="Ada", zone="Europe/Madrid", is_operator=True, created_at=now)
        session.add(person)
        self._site = sites.add_site(session, person, FLAT, elevation_known=True, now=now)
        revision, sky = sites.newest_revision(session, self._site.id), case("july").night
        night = NightRow(
            site_revision_id=revision.revision_id, name=sky.name, sky_key="all", starts=sky.span.start,
            ends=sky.span.end, facts=to_json(sky), kernel="k", rules_version="1", computed_at=now,
        )  # fmt: skip
        snapshot = WishSnapshotRow(digest="", wishes=to_json(Wishes()))
        finding = FindingRow(reasons=[])
        session.add_all([night, snapshot, finding])
        session.flush()
        self._person_id, self._night = person.id, night
        self._snapshot_id, self._finding_id = snapshot.id, finding.id
        self._revision_id = revision.revision_id

    def hook(self, *, hangs: bool = False) -> tuple[str, str]:
        hosts = sorted(HANGING) if hangs else [host for host in HOSTS if host not in HANGING]
        self._made += 1
        host = hosts[self._made % len(hosts)]
        return "webhook", f"http://{host}:{self.hooks.port}/hook?n={self._made}"

    def mailbox(self) -> tuple[str, str]:
        self._made += 1
        return "email", f"p{self._made}@example.net"

    def decide(self, targets: Sequence[tuple[str, str]]) -> list[str]:
        """Decisions, alerts and messages in one transaction, each to an address of its own; the ids."""
        now = datetime.now(UTC)
        with self.duskbell.sessions.begin() as session:
            first = (session.scalar(select(func.max(AddressRow.id))) or 0) + 1
            numbers = range(first, first + len(targets))
            ids = [messages.new_message_id() for _ in targets]
            for kind, rows in self._rows(numbers, ids, targets, now):
                session.execute(insert(kind), rows)
        return ids

    def _rows(
        self, numbers: range, ids: list[str], targets: Sequence[tuple[str, str]], now: datetime
    ) -> Iterable[tuple[type[Table], list[dict[str, object]]]]:
        wishes = to_json(Wishes(quiet=None))
        yield AddressRow, [
            {"id": n, "person_id": self._person_id, "channel": channel, "target": target,
             "secrets": [new_secret()], "created_at": now, "confirmed_at": now}
            for n, (channel, target) in zip(numbers, targets, strict=True)
        ]  # fmt: skip
        yield SubscriptionRow, [
            {"id": n, "person_id": self._person_id, "address_id": n, "site_id": self._site.id,
             "wishes": wishes, "sky_key": nights.sky_key(Wishes().sky), "created_at": now}
            for n in numbers
        ]  # fmt: skip
        about = {"subscription_id": 0, "night_name": self._night.name}
        yield DecisionRow, [
            {**about, "id": n, "subscription_id": n, "night_id": self._night.id,
             "site_revision_id": self._revision_id, "as_of": now, "confirmed_at": now, "verdict": "go",
             "deciding_rule": "chance", "fingerprint": "go", "chance_pct": 81,
             "wish_snapshot_id": self._snapshot_id, "finding_id": self._finding_id, "outlook_ids": [],
             "forecast_ids": [1], "kernel": "k", "rules_version": "1", "told": "go"}
            for n in numbers
        ]  # fmt: skip
        yield AlertRow, [
            {**about, "id": n, "subscription_id": n, "kind": "go", "occurrence": 1, "decision_id": n,
             "why": "good_tonight", "raised_at": now, "expires_at": now + HELPS_FOR,
             "facts": {**self._facts, "site_name": f"Field {n:06}"}}
            for n in numbers
        ]  # fmt: skip
        yield MessageRow, [
            {"id": message_id, "address_id": n, "status": Status.DUE, "created_at": now, "due_at": now,
             "expires_at": now + HELPS_FOR, "attempts": 0, "maybe_sent": False}
            for n, message_id in zip(numbers, ids, strict=True)
        ]  # fmt: skip
        yield MessageAlertRow, [
            {"message_id": message_id, "alert_id": n} for n, message_id in zip(numbers, ids, strict=True)
        ]  # fmt: skip

    def arrivals(self) -> list[Arrival]:
        return self.hooks.heard()[0] + self.mail.heard()[0]

    def give_up_waiting(self) -> None:
        """What is under way to hosts that hang ends here, so that the next phase begins afresh."""
        with self.duskbell.sessions.begin() as session:
            session.execute(
                update(MessageRow)
                .where(MessageRow.status.in_(messages.UNSETTLED))
                .values(
                    status=Status.FAILED, settled_at=datetime.now(UTC), lease_token=None, leased_until=None
                )
            )

    def close(self) -> None:
        self.hooks.stop()
        self.mail.stop()
        self.duskbell.engine.dispose()


def webhooks(bench: Bench, count: int) -> dict[str, float]:
    """All are due at once, one of twenty to a host that hangs."""
    hang = round(count / 20)
    targets = [bench.hook() for _ in range(count - hang)] + [bench.hook(hangs=True) for _ in range(hang)]
    random.Random(1).shuffle(targets)
    return _rate(bench, bench.hooks, targets, count - hang, "webhooks_per_s")


def mails(bench: Bench, count: int) -> dict[str, float]:
    """Through one relay, while webhooks hang."""
    hanging = [bench.hook(hangs=True) for _ in range(count // 20)]
    targets = [*hanging, *(bench.mailbox() for _ in range(count))]
    return _rate(bench, bench.mail, targets, count, "mails_per_s")


def _rate(
    bench: Bench, receivers: Receivers, targets: Sequence[tuple[str, str]], count: int, key: str
) -> dict[str, float]:
    """How many of those that arrive do so in a second, and what it takes of the processors for each."""
    bench.decide(targets)
    theirs_s, mine_s = receivers.heard()[1], time.process_time()
    taken_s = _until_arrived(bench, receivers, count)
    mine_s, theirs_s = time.process_time() - mine_s, receivers.heard()[1] - theirs_s
    return {
        key: round(count / taken_s, 1),
        f"{key}_sender_ms": round(1000 * mine_s / count, 2),
        f"{key}_receiver_ms": round(1000 * theirs_s / count, 2),
    }


def _until_arrived(bench: Bench, receivers: Receivers, count: int) -> float:
    """Run the postman until that many more have come; seconds from the start to the last of them."""
    before = len(receivers.heard()[0])
    bench.duskbell.delivery.stopping.clear()
    postman, began_s = BackgroundSender(bench.duskbell.delivery), time.time()
    postman.start()
    while len(arrived := receivers.heard()[0]) < before + count:
        _wait_a_little(began_s)
    bench.duskbell.delivery.stopping.set()
    bench.duskbell.delivery.nudge.set()
    postman.join(child.PATIENCE_S)
    bench.give_up_waiting()
    return max(each.at_s for each in arrived) - began_s


def _wait_a_little(since_s: float) -> None:
    assert time.time() < since_s + PATIENCE_S, "messages don't arrive; run with fewer, and look at the rows"
    time.sleep(0.25)


def arrival(bench: Bench, per_s: int, for_s: int) -> dict[str, float]:
    """Decisions come in steadily, half webhooks, half mails; one webhook of twenty goes where it hangs."""
    decided: dict[str, float] = {}
    delivery = bench.duskbell.delivery
    delivery.stopping.clear()
    postman = BackgroundSender(delivery)
    postman.start()
    ends_s, dice = time.monotonic() + for_s, random.Random(2)
    while time.monotonic() < ends_s:
        began_s = time.monotonic()
        targets = [
            bench.mailbox() if dice.random() < 0.5 else bench.hook(hangs=dice.random() < 0.05)
            for _ in range(BLOCK)
        ]
        ids = bench.decide(targets)
        decided |= dict.fromkeys(
            (each for each, (_, target) in zip(ids, targets, strict=True) if _host(target) not in HANGING),
            time.time(),
        )
        time.sleep(max(0.0, BLOCK / per_s - (time.monotonic() - began_s)))
    while True:
        came = {each.message_id: each.at_s for each in bench.arrivals()}
        if decided.keys() <= came.keys():
            break
        _wait_a_little(max(decided.values()))
    delivery.stopping.set()
    delivery.nudge.set()
    postman.join(child.PATIENCE_S)
    bench.give_up_waiting()
    waits_s = sorted(came[each] - at_s for each, at_s in decided.items())
    return {"p95_arrival_s": round(waits_s[int(0.95 * len(waits_s))], 2), "arrival_rate_per_s": per_s}


def _host(target: str) -> str:
    return target.partition("//")[2].partition(":")[0]


def kills(bench: Bench, rounds: int, say: bool) -> dict[str, int]:
    """Kill a sender at a random moment, start another, and look what arrived; that many times."""
    dice, made, midway, broken = random.Random(5), [], 0, 0
    whole_s = _undisturbed_s(bench)
    for number in range(rounds):
        ids = bench.decide(_targets(bench))
        made += ids
        child.run_and_kill(child.send, bench.ground, after_s=dice.uniform(0.0, 1.1 * whole_s))
        came = {each.message_id for each in bench.arrivals()} & set(ids)
        midway += 0 < len(came) < len(ids)
        _let_leases_run_out(bench)
        code = child.run(child.send, bench.ground)
        assert code == 0, f"the sender that followed ended with {code}"
        with bench.duskbell.sessions() as session:
            broken += len(find_broken(session, now=datetime.now(UTC), wall=datetime.now(UTC)))
        if say:
            sys.stderr.write(f"\rkill round {number + 1}  ")
    losses = _losses(bench.arrivals(), made)
    return {"kill_rounds": rounds, "killed_midway": midway, **losses, "broken_promises": broken}


def _targets(bench: Bench) -> list[tuple[str, str]]:
    return [bench.mailbox() if k % 2 else bench.hook() for k in range(A_ROUND)]


def _undisturbed_s(bench: Bench) -> float:
    """How long a sender takes for one round's messages, its start included; kills fall into that time."""
    for _ in range(2):  # the first loads what all the others share
        bench.decide(_targets(bench))
        began_s = time.monotonic()
        assert child.run(child.send, bench.ground) == 0
    return time.monotonic() - began_s


def _let_leases_run_out(bench: Bench) -> None:
    with bench.duskbell.sessions.begin() as session:
        session.execute(
            update(MessageRow)
            .where(MessageRow.status == Status.SENDING)
            .values(leased_until=datetime.now(UTC) - timedelta(seconds=1))
        )


def _losses(arrivals: Sequence[Arrival], made: Sequence[str]) -> dict[str, int]:
    wanted = set(made)
    times = Counter(each.message_id for each in arrivals if each.message_id in wanted)
    ids_by_content: defaultdict[str, set[str]] = defaultdict(set)
    for each in arrivals:
        ids_by_content[each.content].add(each.message_id)
    return {
        "lost": len(wanted - times.keys()),
        "duplicates": sum(times.values()) - len(times),
        "duplicates_with_other_id": sum(len(ids) - 1 for ids in ids_by_content.values()),
    }


def measure(sizes: Sizes, say: bool) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder, closing(Bench(folder)) as bench:
        found: dict[str, float] = {"hanging_share": len(HANGING) / len(HOSTS)}
        for phase in (
            lambda: webhooks(bench, sizes.webhooks),
            lambda: mails(bench, sizes.mails),
            lambda: arrival(bench, sizes.stream_per_s, sizes.stream_s),
            lambda: kills(bench, sizes.rounds, say),
        ):
            part = phase()
            found |= part
            if say:
                sys.stderr.write("".join(f"{key:30}{value}\n" for key, value in part.items()))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description="What delivery carries.")
    parser.add_argument("--quick", action="store_true", help="fewer messages and 10 kills, in under 50 s")
    parser.add_argument("--json", action="store_true", help="only the JSON line")
    parser.add_argument("--rounds", type=int, default=None, help="kills; 100 unless --quick")
    options = parser.parse_args()
    logging.disable(logging.CRITICAL)
    rounds = options.rounds or (10 if options.quick else 100)
    sizes = Sizes(1500, 100, 20, 6, rounds) if options.quick else Sizes(6000, 1000, 20, 30, rounds)
    sys.stdout.write(json.dumps(measure(sizes, not options.json)) + "\n")


if __name__ == "__main__":
    main()
