"""Calibrations as rows: fitted once a night, never changed, chosen anew by another row."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import partial

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.judging.assess import Correct
from alerts.track.calibration.correct import calibrated_outlook
from alerts.track.calibration.fit import fit_calibration
from alerts.track.calibration.model import NONE, PRIOR, Calibration
from service.store.json_values import from_json, to_json
from service.store.repositories.pairs import load_pairs
from service.store.schema.track_tables import CalibrationChoiceRow, CalibrationRow

REFIT_EVERY = timedelta(hours=20)
NEWEST = "newest"
_ALWAYS_THERE = {each.version: each for each in (PRIOR, NONE)}


def newest(session: Session) -> Calibration | None:
    """The last one that was fitted; None before the first."""
    row = session.scalars(select(CalibrationRow).order_by(CalibrationRow.made_at.desc()).limit(1)).first()
    return None if row is None else from_json(Calibration, row.facts)


def get(session: Session, version: str) -> Calibration:
    """The calibration of that name. BadInput, naming the newest, when there is none."""
    if version in _ALWAYS_THERE:
        return _ALWAYS_THERE[version]
    row = session.get(CalibrationRow, version)
    if row is None:
        last = newest(session)
        raise BadInput(phrase("store.no-calibration", version=version, newest=last.version if last else ""))
    return from_json(Calibration, row.facts)


def find_versions(session: Session, most: int = 20) -> list[str]:
    """Names of the last versions, the newest first."""
    query = select(CalibrationRow.version).order_by(CalibrationRow.made_at.desc()).limit(most)
    return list(session.scalars(query))


def choice(session: Session) -> CalibrationChoiceRow | None:
    """What was chosen last; None before anything was."""
    return session.scalars(
        select(CalibrationChoiceRow).order_by(CalibrationChoiceRow.id.desc()).limit(1)
    ).first()


def in_use(session: Session) -> Calibration:
    """The calibration that chances are corrected by now: the prior, until another one was chosen."""
    chosen = choice(session)
    return PRIOR if chosen is None else get(session, chosen.version)


def correction(session: Session, site_id: int, now: datetime) -> Correct:
    """How an outlook over a site of the store is corrected at `now`."""
    return partial(calibrated_outlook, calibration=in_use(session), site=site_id, now=now)


def use(session: Session, version: str, now: datetime) -> Calibration:
    """Use a version from now on, whatever is fitted later; `newest` follows the nightly fit again."""
    found = (newest(session) or PRIOR) if version == NEWEST else get(session, version)
    session.add(CalibrationChoiceRow(version=found.version, chosen_at=now, is_pinned=version != NEWEST))
    session.flush()
    return found


def refit_if_due(session: Session, now: datetime) -> bool:
    """Fit once a night; whether it did."""
    made_at = session.scalar(select(func.max(CalibrationRow.made_at)))
    if made_at is not None and now - made_at < REFIT_EVERY:
        return False
    return refit(session, now) is not None


def refit(session: Session, now: datetime) -> Calibration | None:
    """A new version from all pairs so far, used at once unless an operator pinned one. None while there
    are no pairs, or none since the newest version."""
    pairs = load_pairs(session, with_lineages=False)
    last = newest(session)
    if not len(pairs):
        return None
    # named after the day, with a number for the second and later fits of one day
    day = f"{now:%Y-%m-%d}"
    taken = session.scalar(
        select(func.count()).where(CalibrationRow.version.startswith(day, autoescape=True))
    )
    fitted = fit_calibration(pairs, version=f"{day}.{taken + 1}" if taken else day, made_at=now)
    if last is not None and last.leads == fitted.leads:
        return None
    session.add(
        CalibrationRow(version=fitted.version, made_at=now, through=fitted.through, facts=to_json(fitted))
    )
    session.flush()
    chosen = choice(session)
    if chosen is None or not chosen.is_pinned:
        use(session, NEWEST, now)
    return fitted
