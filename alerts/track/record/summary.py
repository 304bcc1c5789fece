"""The record: how often it was right, at one lead, for a site or for all."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.track.calibration.model import LEADS, Lead
from alerts.track.calibration.pairs import JUDGES, Pairs
from alerts.track.calibration.score import (
    IsotonicParts,
    MurphyParts,
    brier_score,
    brier_skill,
    consistency_limits,
    effective_nights,
    isotonic_parts,
    murphy_parts,
    wilson_range,
)
from alerts.track.observations.evidence import Judge
from alerts.track.record.climatology import MonthCounts, climatology
from alerts.weather.skill import Floats

FEWEST_PAIRS = 30
"""Below this only fractions are told: a percentage or a score of so few nights is mostly luck."""
BINS = 10
MOST_SPOKE_SHARE = 0.8
"""A single model is compared only when it answered on this share of the nights."""


@dataclass(frozen=True, slots=True)
class Calls:
    """What was told against what came. silent: nights without a go; silent_clear: of these, the clear ones
    that nothing but the chance spoke against; barred_clear: the clear ones that wind, access or another
    limit spoke against, whatever the chance."""

    told_go: int
    go_clear: int
    silent: int
    silent_clear: int
    barred_clear: int


@dataclass(frozen=True, slots=True)
class ReliabilityBin:
    """Nights on which a like chance was stated. said: its mean (0..1); clear of cases came clear.

    low, high: between them a reliable forecast's share lies nine times in ten, for as many independent
    nights as these are worth. One bin in ten falls outside by chance.
    """

    said: float
    cases: int
    clear: int
    low: float
    high: float

    @property
    def is_outside(self) -> bool:
        return not self.low - 1e-9 <= self.clear / self.cases <= self.high + 1e-9


@dataclass(frozen=True, slots=True)
class SingleModel:
    """One model family as if it had been the only one asked, over the nights on which it answered.

    leaned: nights on which it had the event likelier than not; leaned_clear: of these, the clear ones.
    brier, ours: its score and ours on the same nights, None under 30 of them; skill: ours against it.
    """

    lineage: str
    nights: int
    leaned: int
    leaned_clear: int
    brier: float | None
    ours: float | None
    skill: float | None


@dataclass(frozen=True, slots=True)
class BestModel:
    """The single model family that did best, known only afterwards: a hard rival.

    brier, ours: over the nights on which it answered. skill: ours against it.
    """

    lineage: str
    brier: float
    ours: float
    skill: float


@dataclass(frozen=True, slots=True)
class Scores:
    """Given from 30 pairs on. skill: against the site's own climatology of other years.

    skill_range: 90 %, from the scatter of the nights and how many they are worth.
    """

    brier: float
    murphy: MurphyParts
    isotonic: IsotonicParts
    climatology_brier: float
    skill: float
    skill_range: tuple[float, float]
    best_model: BestModel | None


@dataclass(frozen=True, slots=True)
class Record:
    """One record. pairs: how many chances were scored; judges: whose word the outcomes rest on.

    share_range: 90 % range (0..1) of how often nights come clear here; None without pairs.
    unsure: nights that nobody could settle, not among the pairs. models: by name.
    """

    pairs: int
    clear: int
    effective_nights: float
    share_range: tuple[float, float] | None
    calls: Calls
    judges: Mapping[Judge, int]
    reliability: tuple[ReliabilityBin, ...]
    scores: Scores | None
    unsure: int = 0
    models: tuple[SingleModel, ...] = ()


def build_record(pairs: Pairs, *, reference: Floats | None = None, unsure: int = 0) -> Record:
    """The record of these pairs, which should be of one lead: each night counts once then.

    reference: climatology for each pair, shape (n,), worked out over all sites; by default from these
    pairs alone. unsure: nights left out because nobody could settle them.
    """
    nights = effective_nights(pairs.site, pairs.night)
    models = single_models(pairs)
    count, clear = len(pairs), int(pairs.clear.sum())
    worth = nights / count if count else 0.0
    return Record(
        pairs=count,
        clear=clear,
        effective_nights=round(nights, 1),
        share_range=wilson_range(clear * worth, count * worth) if count else None,
        calls=count_calls(pairs),
        judges={judge: int((pairs.judge == i).sum()) for i, judge in enumerate(JUDGES)},
        reliability=_reliability(pairs, worth),
        scores=_scores(pairs, reference, nights, models) if count >= FEWEST_PAIRS else None,
        unsure=unsure,
        models=models,
    )


def records_of(pairs: Pairs, counts: MonthCounts | None = None, unsure: int = 0) -> dict[Lead, Record]:
    """A record for each lead that has any pairs, the nearest first. counts: over all sites, where these pairs
    are of one."""
    rates = climatology(pairs, everywhere=counts)
    records = {}
    for index, lead in enumerate(LEADS):
        own = pairs.lead == index
        if own.any():
            records[lead] = build_record(pairs.where(own), reference=rates[own], unsure=unsure)
    return records


def count_calls(pairs: Pairs) -> Calls:
    """Hits, false alarms and silence, of any pairs that should be of one lead."""
    told, clear, barred = pairs.told_go, pairs.clear, pairs.is_barred
    return Calls(
        told_go=int(told.sum()),
        go_clear=int((told & clear).sum()),
        silent=int((~told).sum()),
        silent_clear=int((~told & ~barred & clear).sum()),
        barred_clear=int((~told & barred & clear).sum()),
    )


def _reliability(pairs: Pairs, worth: float) -> tuple[ReliabilityBin, ...]:
    """Ten bins of equal width; empty ones are left out. worth: independent nights a pair."""
    which = np.minimum((pairs.stated * BINS + 1e-9).astype(np.int64), BINS - 1)
    cases = np.bincount(which, minlength=BINS)
    clear = np.bincount(which, weights=pairs.clear, minlength=BINS)
    said = np.bincount(which, weights=pairs.stated, minlength=BINS)
    bins = []
    for i in np.flatnonzero(cases):
        stated, count = float(said[i] / cases[i]), int(cases[i])
        low, high = consistency_limits(max(1, round(count * worth)), stated)
        bins.append(ReliabilityBin(stated, count, int(clear[i]), low, high))
    return tuple(bins)


def _scores(pairs: Pairs, reference: Floats | None, nights: float, models: tuple[SingleModel, ...]) -> Scores:
    rates = climatology(pairs) if reference is None else reference
    brier, baseline = brier_score(pairs.stated, pairs.clear), brier_score(rates, pairs.clear)
    gains = (rates - pairs.clear) ** 2 - (pairs.stated - pairs.clear) ** 2
    half = 1.645 * float(gains.std()) / (nights**0.5 * baseline) if baseline else 0.0
    skill = brier_skill(brier, baseline)
    rivals = [
        BestModel(each.lineage, each.brier, each.ours, each.skill)
        for each in models
        if each.brier is not None and each.ours is not None and each.skill is not None
        if each.nights >= MOST_SPOKE_SHARE * len(pairs)
    ]
    return Scores(
        brier=brier,
        murphy=murphy_parts(pairs.stated, pairs.clear),
        isotonic=isotonic_parts(pairs.stated, pairs.clear),
        climatology_brier=baseline,
        skill=skill,
        skill_range=(skill - half, skill + half),
        best_model=min(rivals, key=lambda rival: rival.brier, default=None),
    )


def single_models(pairs: Pairs) -> tuple[SingleModel, ...]:
    """Every lineage that answered on any of these nights, by name. pairs: of one lead."""
    found = []
    for name in sorted(pairs.lineages):
        spoke = ~np.isnan(pairs.lineages[name])
        if not spoke.any():
            continue
        said, own = pairs.lineages[name][spoke], pairs.where(spoke)
        leaned = said >= 0.5
        theirs = ours = skill = None
        if len(own) >= FEWEST_PAIRS:
            theirs, ours = brier_score(said, own.clear), brier_score(own.stated, own.clear)
            skill = brier_skill(ours, theirs)
        found.append(
            SingleModel(
                lineage=name,
                nights=len(own),
                leaned=int(leaned.sum()),
                leaned_clear=int((leaned & own.clear).sum()),
                brier=theirs,
                ours=ours,
                skill=skill,
            )
        )
    return tuple(found)


# ---- The regret ledger: drives into cloud and clear nights missed, for each limit a person might choose.

LIMITS_PCT = (40, 50, 60, 70, 80, 90)


@dataclass(frozen=True, slots=True)
class RegretRow:
    """What one go limit would have led to. gone_clear: of the drives, those under a clear sky.

    missed: clear nights at home that nothing but the chance spoke against.
    """

    limit_pct: int
    gone: int
    gone_clear: int
    missed: int

    @property
    def wasted(self) -> int:
        """Drives into cloud."""
        return self.gone - self.gone_clear


@dataclass(frozen=True, slots=True)
class Ledger:
    """What other go limits would have led to, for one set of wishes.

    limit_pct: the limit that these wishes have. rows: by limit, its own among them. nights: how many count.
    wishes: these in words, "" where there is only one set.
    """

    limit_pct: int
    nights: int
    rows: tuple[RegretRow, ...]
    wishes: str = ""

    @property
    def now(self) -> RegretRow:
        """The row of the limit that these wishes have."""
        return next(row for row in self.rows if row.limit_pct == self.limit_pct)

    @property
    def others(self) -> tuple[RegretRow, ...]:
        return tuple(row for row in self.rows if row.limit_pct != self.limit_pct)


def build_ledger(pairs: Pairs, limit_pct: int, wishes: str = "") -> Ledger:
    """The ledger of one set of wishes. pairs: of one lead, as those were told who wish so."""
    rows = regret_ledger(pairs, sorted({*LIMITS_PCT, limit_pct}))
    return Ledger(limit_pct, int((~pairs.is_barred).sum()), rows, wishes)


def regret_ledger(pairs: Pairs, limits_pct: Iterable[int] = LIMITS_PCT) -> tuple[RegretRow, ...]:
    """One row a limit, as given. pairs: one lead and one set of wishes; the evening is what people act on.

    Other limits stay as they were: a night that wind or access barred is neither gone nor missed.
    The stated chances count in whole per cent, as people saw them.
    """
    open_nights = pairs.where(~pairs.is_barred)
    rows = []
    for limit_pct in limits_pct:
        if not 0 <= limit_pct <= 100:
            raise BadInput(phrase("track.go-limit-range", limit_pct=limit_pct))
        goes = np.floor(100 * open_nights.stated + 0.5) >= limit_pct
        rows.append(
            RegretRow(
                limit_pct=limit_pct,
                gone=int(goes.sum()),
                gone_clear=int((goes & open_nights.clear).sum()),
                missed=int((~goes & open_nights.clear).sum()),
            )
        )
    return tuple(rows)
