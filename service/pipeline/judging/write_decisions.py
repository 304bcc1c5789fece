"""Looks into rows: decisions with what they rest on, drafted as plain values, and written in bulk."""

from __future__ import annotations

import hashlib
from base64 import urlsafe_b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any

from pydantic import TypeAdapter
from pydantic_core import to_json as dump_json
from sqlalchemy.orm import Session

from alerts import RULES_VERSION
from alerts.common.plain_values import value
from alerts.judging.rules import Reason
from alerts.weather.outlook import Outlook
from service.pipeline.judging.review import Review
from service.store.column_types import Packed, RowWords, pack_json
from service.store.json_values import said_columns, to_json
from service.store.repositories import decisions
from service.store.repositories.decisions import OutlookKey
from service.store.schema.core_tables import DecisionRow, FindingRow, TellingRow, WishSnapshotRow

_REASON = TypeAdapter(Reason)
_OUTLOOK = TypeAdapter(Outlook)
MINUTE = timedelta(minutes=1)


@value(frozen=True, slots=True)
class DecisionDraft:
    """One decision. wishes, telling: their digests; finding: its place among the findings; outlooks: their
    keys."""

    values: dict[str, Any]
    wishes: str
    telling: str
    finding: int
    outlooks: tuple[OutlookKey, ...]


@dataclass(frozen=True, slots=True)
class Drafts:
    """Decisions and what they rest on, what many share once: plain values, whoever worked them out."""

    wishes: dict[str, dict[str, Any]]
    tellings: dict[str, dict[str, Any]]
    findings: list[Packed]
    outlooks: dict[OutlookKey, dict[str, Any]]
    decisions: list[DecisionDraft]


def draft(looks: Sequence[Review], now: datetime) -> Drafts:
    """The rows of these looks."""
    drafts = Drafts({}, {}, [], {}, [])
    made: dict[int, tuple[int, tuple[OutlookKey, ...]]] = {}
    found: dict[bytes, int] = {}
    shared: dict[tuple[int, int, str], OutlookKey] = {}
    dumped: dict[int, bytes] = {}
    for each in looks:
        known, judged, forecast_ids = each.watch.known, each.judged, each.site.forecast_ids
        if known.digest not in drafts.wishes:
            drafts.wishes[known.digest] = {"wishes": to_json(known.wishes)}
        if id(judged) not in made:
            reasons = b",".join([_reason_json(each, each.text.kinds) for each in judged.verdict.reasons])
            # the same is found for other drives and for sites a few hundred metres off
            finding = found.get(reasons)
            if finding is None:
                finding = found[reasons] = len(drafts.findings)
                drafts.findings.append(pack_json(b"[" + reasons + b"]", RowWords.FINDINGS))
            keys = []
            for night_id, one in judged.outlooks:
                facts = dumped.get(id(one.outlook))
                if facts is None:
                    facts = dumped[id(one.outlook)] = _OUTLOOK.dump_json(one.outlook)
                # the same outlook is known by its window, its length, what it was made of and what it says
                made_of = f"{forecast_ids}|{one.usable.start}|{one.usable.end}|{one.way}|"
                digest = _digest(made_of.encode() + facts)
                # and stands once for sites a few hundred metres off, under the night that had it first
                minutes = round(one.shortest / MINUTE)
                key = shared.setdefault((one.index, minutes, digest), (night_id, one.index, minutes, digest))
                keys.append(key)
                if key not in drafts.outlooks:
                    drafts.outlooks[key] = {
                        "night_id": key[0],
                        "window_index": one.index,
                        "shortest_minutes": minutes,
                        "inputs": digest,
                        "forecast_ids": forecast_ids,
                        "chance_pct": one.outlook.chance_pct,
                        "facts": pack_json(facts, RowWords.OUTLOOKS),
                        "as_of": now,
                    }
            made[id(judged)] = finding, tuple(keys)
        why = said_columns("why_text", each.telling.text)
        telling = _digest(dump_json(why))
        drafts.tellings[telling] = why
        decision = DecisionDraft(_decision(each, now), known.digest, telling, *made[id(judged)])
        drafts.decisions.append(decision)
    return drafts


def _digest(of: bytes) -> str:
    """128 bits in 22 letters: an outlook's stands in its row and in an index; chance makes no two alike."""
    return urlsafe_b64encode(hashlib.sha256(of).digest()[:16]).rstrip(b"=").decode()


@lru_cache(maxsize=20_000)
def _reason_json(reason: Reason, kinds: tuple[object, ...]) -> bytes:
    """Most reasons are those of many nights and subscriptions. kinds: see `Phrase.kinds`."""
    return _REASON.dump_json(reason)


def keep(session: Session, drafts: Drafts) -> list[int]:
    """Write these decisions and what they rest on; their ids, in the same order."""
    if not drafts.decisions:
        return []
    snapshots = decisions.keep_shared(session, WishSnapshotRow, drafts.wishes)
    tellings = decisions.keep_shared(session, TellingRow, drafts.tellings)
    findings = decisions.keep_rows(session, FindingRow, [{"reasons": each} for each in drafts.findings])
    outlooks = decisions.keep_outlooks(session, drafts.outlooks)
    rows = [
        {
            **each.values,
            "wish_snapshot_id": snapshots[each.wishes],
            "telling_id": tellings[each.telling],
            "finding_id": findings[each.finding],
            "outlook_ids": [outlooks[key] for key in each.outlooks],
        }
        for each in drafts.decisions
    ]
    return decisions.keep_rows(session, DecisionRow, rows)


def _decision(review: Review, now: datetime) -> dict[str, Any]:
    verdict, night, telling = review.judged.verdict, review.judged.night, review.telling
    return {
        "subscription_id": review.watch.subscription_id,
        "night_id": night.night_id,
        "night_name": night.name,
        "site_revision_id": review.site.stored.revision_id,
        "as_of": now,
        "confirmed_at": now,
        "verdict": verdict.word.value,
        "deciding_rule": verdict.deciding.rule,
        "fingerprint": review.fingerprint,
        "chance_pct": verdict.chance_pct,
        "window_start": verdict.usable.start if verdict.usable else None,
        "window_end": verdict.usable.end if verdict.usable else None,
        "forecast_ids": review.site.forecast_ids if review.judged.outlooks else [],
        "kernel": night.kernel,
        "rules_version": RULES_VERSION,
        "told": telling.kind.value if telling.kind else None,
        "why": telling.why.value,
        "why_text": "",
        "rung": review.rung.value,
        "rung_since": review.rung_since,
        "leave_by": review.trip.leave_by if review.trip else None,
        "calibration": verdict.outlook.calibration if verdict.outlook else "",
    }
