"""Pairs of what was said and what came, as columns: the one shape that scores, maps and ledgers read."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime
from statistics import fmean

import numpy as np
import numpy.typing as npt

from alerts.judging.rules import Reason, Result
from alerts.track.calibration.model import LEADS, Lead, Stated, moment_of, standing_at
from alerts.track.observations.evidence import Judge, OutcomeState
from alerts.track.observations.outcome import Outcome
from alerts.weather.outlook import Outlook
from alerts.weather.skill import Floats

JUDGES = tuple(Judge)
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class JudgedNight:
    """One event of one site with all that was said of it, and its outcome. site: a stable number."""

    site: int
    night: date
    statements: Sequence[Stated]
    outcome: Outcome


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """n pairs. All columns have shape (n,).

    night: `date.toordinal()` of the night's name. lead, judge: indices into LEADS and JUDGES.
    stated, raw: chance 0..1 as stated and before calibration. lineages: NaN where one said nothing.
    """

    site: Ints
    night: Ints
    lead: Ints
    judge: Ints
    stated: Floats
    raw: Floats
    clear: Bools
    told_go: Bools
    is_barred: Bools
    member_share: Floats
    lineages: Mapping[str, Floats]

    def __len__(self) -> int:
        return len(self.site)

    def where(self, chosen: Bools | Ints) -> Pairs:
        """The pairs for which `chosen` (shape (n,)) holds, or those at these places, in that order."""
        columns = {
            field.name: getattr(self, field.name)[chosen]
            for field in fields(self)
            if field.name != "lineages"
        }
        return Pairs(**columns, lineages={name: own[chosen] for name, own in self.lineages.items()})

    def at_lead(self, lead: Lead) -> Pairs:
        return self.where(self.lead == LEADS.index(lead))

    def at_site(self, site: int) -> Pairs:
        return self.where(self.site == site)


def months_of(night: Ints) -> Ints:
    """1..12. night: `date.toordinal()`, shape (n,)."""
    return _dates(night).astype("datetime64[M]").astype(np.int64) % 12 + 1


def years_of(night: Ints) -> Ints:
    return _dates(night).astype("datetime64[Y]").astype(np.int64) + 1970


def _dates(night: Ints) -> npt.NDArray[np.datetime64]:
    epoch = date(1970, 1, 1).toordinal()
    return (night - epoch).astype("datetime64[D]")


def build_pairs(nights: Iterable[JudgedNight]) -> Pairs:
    """One pair for each judged night and lead at which a chance stood. Unsure nights make none.

    For very many nights build batches of some thousands and put them together with `joined`.
    """
    rows: list[tuple[JudgedNight, Judge, Lead, Stated]] = []
    for judged in nights:
        judge, outcome = judged.outcome.judge, judged.outcome
        if judge is None or outcome.state is OutcomeState.UNSURE:
            continue
        for lead in LEADS:
            stated = standing_at(judged.statements, moment_of(lead, outcome.event.window.start))
            if stated is not None and stated.chance is not None and stated.raw_chance is not None:
                rows.append((judged, judge, lead, stated))
    return Pairs(
        site=_ints(judged.site for judged, *_ in rows),
        night=_ints(judged.night.toordinal() for judged, *_ in rows),
        lead=_ints(LEADS.index(lead) for _, _, lead, _ in rows),
        judge=_ints(JUDGES.index(judge) for _, judge, _, _ in rows),
        stated=_floats(stated.chance for *_, stated in rows),
        raw=_floats(stated.raw_chance for *_, stated in rows),
        clear=_bools(judged.outcome.state is OutcomeState.CLEAR for judged, *_ in rows),
        told_go=_bools(stated.told_go for *_, stated in rows),
        is_barred=_bools(stated.is_barred for *_, stated in rows),
        member_share=_floats(stated.member_share for *_, stated in rows),
        lineages=lineage_columns([dict(stated.lineages) for *_, stated in rows]),
    )


def lineage_columns(own: Sequence[Mapping[str, float]]) -> dict[str, Floats]:
    """One column a lineage that any pair names, NaN where a pair doesn't. own: for each pair, by name."""
    names = sorted({name for each in own for name in each})
    return {name: _floats(each.get(name) for each in own) for name in names}


def joined(parts: Sequence[Pairs]) -> Pairs:
    """Pairs built in batches, one after the other; a lineage that a batch doesn't know is NaN there."""
    if not parts:
        return NO_PAIRS
    names = sorted({name for part in parts for name in part.lineages})
    silent = [np.full(len(part), np.nan) for part in parts]
    lineages = {
        name: np.concatenate([part.lineages.get(name, gap) for part, gap in zip(parts, silent, strict=True)])
        for name in names
    }
    columns = {
        field.name: np.concatenate([getattr(part, field.name) for part in parts])
        for field in fields(Pairs)
        if field.name != "lineages"
    }
    return Pairs(**columns, lineages=lineages)


def _ints(values: Iterable[int]) -> Ints:
    return np.fromiter(values, dtype=np.int64)


def _floats(values: Iterable[float | None]) -> Floats:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _bools(values: Iterable[bool]) -> Bools:
    return np.fromiter(values, dtype=np.bool_)


NO_PAIRS = build_pairs(())
ABOUT_CHANCE_OR_DAY = {"chance", "day", "other_window"}


def build_stated(
    reasons: Iterable[Reason],
    outlook: Outlook | None,
    *,
    as_of: datetime,
    confirmed_at: datetime,
    chance_pct: int | None,
) -> Stated:
    """What a verdict stated, with its reasons and its outlook.

    chance_pct: as it was told; before calibration the outlook says it, where it was corrected. It counts as
    "told go" where nothing but the day stood in the way, so that leads of days can be compared with the last
    word.
    """
    raw_pct = chance_pct if outlook is None or outlook.raw_chance_pct is None else outlook.raw_chance_pct
    kept = tuple(reasons)
    forbids = (Result.FAIL, Result.UNKNOWN)
    is_barred = any(  # by a failing or unknown limit, or by too few sources
        reason.result in forbids or (reason.rule == "sources" and reason.result is not Result.PASS)
        for reason in kept
        if reason.rule not in ABOUT_CHANCE_OR_DAY
    )
    is_enough = any(reason.rule == "chance" and reason.result is Result.PASS for reason in kept)
    return Stated(
        as_of=as_of,
        confirmed_at=confirmed_at,
        chance=None if chance_pct is None else chance_pct / 100,
        raw_chance=None if raw_pct is None else raw_pct / 100,
        told_go=is_enough and not is_barred,
        is_barred=is_barred,
        member_share=member_share(outlook),
        lineages=lineage_chances(outlook),
    )


def lineage_chances(outlook: Outlook | None) -> tuple[tuple[str, float], ...]:
    """Each answering lineage's own chance (0..1), the mean of its sources, by name."""
    by_lineage: dict[str, list[float]] = defaultdict(list)
    for entry in outlook.per_source if outlook else ():
        if entry.chance is not None:
            by_lineage[entry.source.lineage].append(entry.chance)
    return tuple((name, fmean(by_lineage[name])) for name in sorted(by_lineage))


def member_share(outlook: Outlook | None) -> float:
    """How much of the chance came from ensembles: by lineage, as the chance itself is blended."""
    if outlook is None:
        return 0.0
    by_lineage: dict[str, list[bool]] = defaultdict(list)
    for entry in outlook.per_source:
        if entry.chance is not None and entry.source.lineage in outlook.lineages:
            by_lineage[entry.source.lineage].append(entry.members > 0)
    return fmean(fmean(each) for each in by_lineage.values()) if by_lineage else 0.0
