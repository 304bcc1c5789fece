"""The regret ledger: drives into cloud and clear nights missed, for each limit a person might choose."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.track.calibration.pairs import Pairs

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
