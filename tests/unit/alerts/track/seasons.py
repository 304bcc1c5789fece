"""Seasons with known truth (invented, fixed seeds): the true chance of every night is kept.

Sites have their own rate of clear nights, Beta(8.8, 11.2); a night is a latent Gaussian that hangs together
with the night before by 0.22; a forecast is that latent number seen through noise, the less of it the
further ahead; its 20 members spread 0.7 of what they should, so that they are too sure of themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from alerts.track.calibration.correct import kept_log_odds
from alerts.track.calibration.model import HOURS_BEFORE, LEADS, Lead
from alerts.track.calibration.pairs import Pairs
from alerts.weather.skill import chance_of

Floats = npt.NDArray[np.float64]

KEPT_BY_LEAD = {
    Lead.EVENING: 0.66,
    Lead.MORNING: 0.66,
    Lead.DAY_1: 0.66,
    Lead.DAY_2: 0.62,
    Lead.DAY_3: 0.63,
    Lead.DAY_5: 0.46,
}
"""Correlation of forecast and analysis, night by night, in the five-place file, 1 to 5 days ahead."""
BASE_RATE = 0.44
KEPT_BY_LEAD_DAY = ((1.5, 0.94), (2.5, 0.90), (3.5, 0.89), (4.5, 0.86), (5.5, 0.77), (15.0, 0.0))
"""How much of a smoothed member count is kept at that lead in these seasons, the rest being the base rate."""
NIGHT_TO_NIGHT = 0.22
MEMBERS = 20
SPREAD = 0.7
GO_FROM = 0.70
FIRST_NIGHT = date(2024, 1, 1).toordinal()

_TABLE = np.linspace(-9, 9, 36001)
_BELOW = np.array([NormalDist().cdf(x) for x in _TABLE.tolist()])


@dataclass(frozen=True, slots=True)
class Season:
    """pairs, and for each the true chance given its forecast. latent, limit: (sites, nights), (sites,)."""

    pairs: Pairs
    truth: Floats
    latent: Floats
    limit: Floats


def below(x: npt.ArrayLike) -> Floats:
    """The normal distribution function."""
    return np.interp(np.asarray(x, dtype=np.float64), _TABLE, _BELOW)


def season(
    seed: int, *, sites: int, nights: int, leads: tuple[Lead, ...] = (Lead.DAY_1,), nights_apart: int = 1
) -> Season:
    """That many nights at that many sites, in columns; the same seed gives the same season."""
    rng = np.random.default_rng(seed)
    limit = np.interp(rng.beta(8.8, 11.2, sites), _BELOW, _TABLE)
    latent = _latent(rng, sites, nights)
    clear = latent < limit[:, None]
    parts = [_at_lead(rng, latent, limit, lead) for lead in leads]
    columns = np.indices(clear.shape)
    repeat = len(leads)
    raw = np.concatenate([raw.ravel() for raw, _ in parts])
    pairs = Pairs(
        site=np.tile(columns[0].ravel(), repeat),
        night=FIRST_NIGHT + nights_apart * np.tile(columns[1].ravel(), repeat),
        lead=np.repeat([LEADS.index(lead) for lead in leads], clear.size),
        judge=np.ones(clear.size * repeat, dtype=np.int64),
        stated=raw,
        raw=raw,
        clear=np.tile(clear.ravel(), repeat),
        told_go=raw >= GO_FROM,
        is_barred=np.zeros(clear.size * repeat, dtype=np.bool_),
        member_share=np.ones(clear.size * repeat),
        lineages={},
    )
    return Season(pairs, np.concatenate([true.ravel() for _, true in parts]), latent, limit)


def biased_season(seed: int, bias: Sequence[float], *, nights: int, lead: Lead = Lead.DAY_1) -> Season:
    """A season whose chances are true but for each site's bias: how much too low its log odds are stated."""
    made = season(seed, sites=len(bias), nights=nights, leads=(lead,))
    off = np.asarray(bias)[made.pairs.site]
    raw = np.clip(np.round(chance_of(kept_log_odds(made.truth) - off), 2), 0.01, 0.99)
    return replace(made, pairs=replace(made.pairs, stated=raw, raw=raw))


def _latent(rng: np.random.Generator, sites: int, nights: int) -> Floats:
    latent = rng.standard_normal((sites, nights))
    fresh = np.sqrt(1 - NIGHT_TO_NIGHT**2)
    for i in range(1, nights):
        latent[:, i] = NIGHT_TO_NIGHT * latent[:, i - 1] + fresh * latent[:, i]
    return latent


def _at_lead(rng: np.random.Generator, latent: Floats, limit: Floats, lead: Lead) -> tuple[Floats, Floats]:
    """The stated chance in whole per cent, and the true one."""
    kept = KEPT_BY_LEAD[lead]
    noise = np.sqrt(1 - kept**2)
    forecast = kept * latent + noise * rng.standard_normal(latent.shape)
    happens = np.zeros(latent.shape, dtype=np.int64)
    for _ in range(MEMBERS):
        happens += forecast + SPREAD * noise * rng.standard_normal(latent.shape) < limit[:, None]
    days = HOURS_BEFORE[lead] / 24
    trusted = np.interp(days, *zip(*KEPT_BY_LEAD_DAY, strict=True))
    shares = (np.arange(MEMBERS + 1) + 0.5) / (MEMBERS + 1)
    by_count = np.round(BASE_RATE + trusted * (shares - BASE_RATE), 2)
    return by_count[happens], below((limit[:, None] - kept * forecast) / noise)
