"""Looks into rows: decisions with what they rest on, written in bulk, what many share written once."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from pydantic import TypeAdapter
from sqlalchemy.orm import Session

from alerts import RULES_VERSION
from alerts.rules import Reason
from alerts.weather.outlook import Outlook
from service.cycle.looking import Looked
from service.cycle.shelf import Judged, ShelfOutlook
from service.store import decisions
from service.store.codec import to_json
from service.store.decisions import OutlookKey
from service.store.packed import pack_json

_REASONS = TypeAdapter(list[Reason])
_OUTLOOK = TypeAdapter(Outlook)


@dataclass(slots=True)
class Keeper:
    """Writes the looks of one transaction. The ids that the shelf's verdicts and outlooks got in it are
    remembered there only once it is committed."""

    now: datetime
    _findings: dict[int, tuple[Judged, int]] = field(default_factory=dict)
    _outlooks: dict[int, tuple[ShelfOutlook, int]] = field(default_factory=dict)

    def keep(self, session: Session, looks: Sequence[Looked]) -> list[int]:
        """Write these decisions and what they rest on; their ids, in the same order."""
        if not looks:
            return []
        wishes = {each.watch.known.digest: to_json(each.watch.wishes) for each in looks}
        snapshots = decisions.keep_snapshots(session, wishes)
        self._keep_findings(session, looks)
        self._keep_outlooks(session, looks)
        rows = [self._decision(each, snapshots[each.watch.known.digest]) for each in looks]
        return decisions.keep_decisions(session, rows)

    def remember(self) -> None:
        """Others who ask the same refer to the rows that are there now."""
        for judged, finding_id in self._findings.values():
            judged.finding_id = finding_id
        for outlook, row_id in self._outlooks.values():
            outlook.row_id = row_id

    def _keep_findings(self, session: Session, looks: Sequence[Looked]) -> None:
        fresh = {id(each.judged): each.judged for each in looks if each.judged.finding_id is None}
        packed = [pack_json(_REASONS.dump_json(list(each.verdict.reasons))) for each in fresh.values()]
        ids = decisions.keep_findings(session, packed)
        self._findings = dict(zip(fresh, zip(fresh.values(), ids, strict=True), strict=True))

    def _keep_outlooks(self, session: Session, looks: Sequence[Looked]) -> None:
        fresh: dict[int, tuple[ShelfOutlook, OutlookKey]] = {}
        rows: dict[OutlookKey, dict[str, Any]] = {}
        for each in looks:
            forecast_ids = each.site.forecast_ids
            for one in each.judged.outlooks:
                if one.row_id is None and id(one) not in fresh:
                    key = _outlook_key(one, forecast_ids)
                    fresh[id(one)] = one, key
                    rows[key] = self._outlook(one, key, forecast_ids)
        written = decisions.keep_outlooks(session, rows)
        self._outlooks = {identity: (one, written[key]) for identity, (one, key) in fresh.items()}

    def _finding_id(self, judged: Judged) -> int:
        return judged.finding_id or self._findings[id(judged)][1]

    def _outlook_id(self, one: ShelfOutlook) -> int:
        return one.row_id or self._outlooks[id(one)][1]

    def _outlook(self, one: ShelfOutlook, key: OutlookKey, forecast_ids: list[int]) -> dict[str, Any]:
        return {
            "night_id": key[0],
            "window_index": key[1],
            "shortest_minutes": key[2],
            "inputs": key[3],
            "forecast_ids": forecast_ids,
            "chance_pct": one.outlook.chance_pct,
            "facts": pack_json(_OUTLOOK.dump_json(one.outlook)),
            "as_of": self.now,
        }

    def _decision(self, looked: Looked, snapshot_id: int) -> dict[str, Any]:
        verdict, night, telling = looked.verdict, looked.judged.night, looked.telling
        outlook_ids = [self._outlook_id(one) for one in looked.judged.outlooks]
        return {
            "subscription_id": looked.watch.subscription_id,
            "night_id": night.night_id,
            "night_name": night.name,
            "site_revision_id": looked.site.stored.revision_id,
            "as_of": self.now,
            "confirmed_at": self.now,
            "verdict": verdict.word.value,
            "deciding_rule": verdict.deciding.rule,
            "fingerprint": looked.fingerprint,
            "chance_pct": verdict.chance_pct,
            "window_start": verdict.usable.start if verdict.usable else None,
            "window_end": verdict.usable.end if verdict.usable else None,
            "wish_snapshot_id": snapshot_id,
            "finding_id": self._finding_id(looked.judged),
            "outlook_ids": outlook_ids,
            "forecast_ids": looked.site.forecast_ids if outlook_ids else [],
            "kernel": night.kernel,
            "rules_version": RULES_VERSION,
            "told": telling.kind.value if telling.kind else None,
            "why": telling.why.value,
            "why_text": telling.text,
            "rung": looked.rung.value,
            "rung_since": looked.rung_since,
            "leave_by": looked.trip.leave_by if looked.trip else None,
            "calibration": verdict.outlook.calibration if verdict.outlook else "",
        }


def _outlook_key(one: ShelfOutlook, forecast_ids: Sequence[int]) -> OutlookKey:
    """What the same outlook is known by: its window, its length, and a digest of all it was made of."""
    outlook = one.outlook
    said = f"{outlook.chance_pct}|{outlook.hazards}|{outlook.calibration}"
    made_of = f"{list(forecast_ids)}|{one.span}|{one.way}|{said}"
    digest = hashlib.sha256(made_of.encode()).hexdigest()
    return one.night_id, one.window_index, round(one.shortest / timedelta(minutes=1)), digest
