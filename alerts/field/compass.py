"""Bearings by a compass: how far magnetic north stands from true north at a place and time.

The World Magnetic Model 2025 of NOAA's National Centers for Environmental Information and the British
Geological Survey (its coefficients come with pygeomag), valid from 2025 to the end of 2029. It knows the
Earth's core, not iron in the ground, a car or a tripod: `Compass.uncertainty_deg` is what its own error model
says.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from pygeomag import GeoMag
from pygeomag.wmm.wmm_2025 import WMM_2025

from alerts.common.phrases import Phrase, Worded, phrase

FIRST_YEAR, LAST_YEAR = 2025, 2029
"""Years for which the coefficients hold."""
BLACKOUT_NT, CAUTION_NT = 2000.0, 6000.0
"""Horizontal intensity below which compasses are useless, and unreliable: the model's blackout and caution
zones round the magnetic poles."""


@dataclass(frozen=True, slots=True)
class Compass(Worded):
    """What a compass shows at one place and time.

    declination_deg: from true to magnetic north, east positive; uncertainty_deg: of it, one standard
    deviation. Both None where no bearing can be given: why_not says why.
    """

    declination_deg: float | None
    uncertainty_deg: float | None = None
    why_not: Phrase | None = None

    def magnetic_deg(self, true_deg: float) -> float | None:
        """The magnetic bearing of a true one, 0..360; None where there is none."""
        return None if self.declination_deg is None else (true_deg - self.declination_deg) % 360


def compass_at(lat_deg: float, lon_deg: float, elevation_m: float, at: datetime) -> Compass:
    """The compass at a place (WGS84, height above the sea or the ellipsoid, which matters less than 0.01
    degrees) at a moment."""
    moment = at.astimezone(UTC)
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        return Compass(None, why_not=phrase("field.compass-outside", first=FIRST_YEAR, last=LAST_YEAR))
    # a model of its own each time: it keeps its sums in itself, which two threads would mix up
    field = GeoMag(coefficients_data=WMM_2025).calculate(
        glat=lat_deg, glon=lon_deg, alt=elevation_m / 1000, time=decimal_year(moment)
    )
    if field.h < CAUTION_NT:
        key = "field.compass-blackout" if field.h < BLACKOUT_NT else "field.compass-caution"
        return Compass(None, why_not=phrase(key, horizontal_nt=round(field.h)))
    uncertainty_deg = field.calculate_uncertainty().d
    return Compass(round(field.d, 3), round(uncertainty_deg, 2))


def decimal_year(at: datetime) -> float:
    """A moment as the model counts time: the year, and the share of it that has passed."""
    start = datetime(at.year, 1, 1, tzinfo=UTC)
    return at.year + (at - start) / (datetime(at.year + 1, 1, 1, tzinfo=UTC) - start)
