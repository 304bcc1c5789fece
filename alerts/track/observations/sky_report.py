"""What one report of a weather station says of the sky, in one typed value."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

FEET_A_METRE = 1 / 0.3048
CEILOMETER_REACH_FT = 12_000
"""How far up an automatic station looks (FMH-1, 1995, chapter 9), also where the code doesn't say so."""
CAVOK_REACH_FT = 5_000
"""CAVOK and NSC say nothing of what is higher (WMO-No. 306, FM 15)."""


class SkyState(StrEnum):
    """CLEAR is an observer's word. CLEAR_BELOW knows nothing of what is higher. UNKNOWN is silence."""

    CLEAR = "clear"
    CLEAR_BELOW = "clear_below"
    CLOUD = "cloud"
    OBSCURED = "obscured"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class CloudLayer:
    """One layer: its amount in eighths of the sky, its base in feet above the station.

    base_ft: the lowest that the code allows; None when it wasn't measured, or lies below the station.
    """

    okta_min: int
    okta_max: int
    base_ft: float | None = None


@dataclass(frozen=True, slots=True)
class SkyReading:
    """The sky over a station.

    okta_min, okta_max: of the densest layer, a lower bound of the whole; 0..8 while unknown.
    seen_up_to_ft: the height above the station up to which the report states anything; None when no
    limit is stated, because a person looked or because the code leaves it open.
    """

    state: SkyState
    okta_min: int = 0
    okta_max: int = 8
    seen_up_to_ft: int | None = None
    is_automatic: bool = False
    layers: tuple[CloudLayer, ...] = ()

    @property
    def reach_ft(self) -> int | None:
        """How far up the reading may be believed: an unstated limit of an instrument is 12,000 ft. None
        where a person looked, which a higher layer shows as well."""
        if self.seen_up_to_ft is not None or self.state is SkyState.CLEAR:
            return self.seen_up_to_ft
        if any((layer.base_ft or 0) > CEILOMETER_REACH_FT for layer in self.layers):
            return None
        by_instrument = self.is_automatic or self.state is SkyState.CLEAR_BELOW
        return CEILOMETER_REACH_FT if by_instrument else None
