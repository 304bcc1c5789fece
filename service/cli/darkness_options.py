"""How dark a site is, as an operator gives it: meter readings, or a Bortle class."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from alerts.common.errors import BadInput
from alerts.sites.model import Site
from alerts.sky.brightness.readings import BortleConvention, Reading, darkness_of_class, darkness_of_readings
from alerts.sky.ephemeris import Ephemeris


def with_darkness(site: Site, readings: tuple[str, ...], bortle_class: int | None, convention: str) -> Site:
    """The site with the darkness that these give, or as it is without any.

    readings: `MAG` (said to be moonless and clear) or `MAG@TIME` (the Moon is then worked out). A reading
    wins over a class. BadInput when no reading counts.
    """
    if readings:
        darkness = darkness_of_readings(site, tuple(map(read_reading, readings)), Ephemeris.open())
        if darkness is None:
            raise BadInput("none of the readings counts: the Moon or twilight was up at all their times.")
        return replace(site, darkness=darkness)
    if bortle_class is not None:
        return replace(site, darkness=darkness_of_class(bortle_class, BortleConvention(convention)))
    return site


def read_reading(text: str) -> Reading:
    """A reading from `21.4` or `21.4@2026-07-15T23:00Z`; BadInput shows the forms."""
    value, _, at = text.partition("@")
    try:
        mag = float(value)
        measured_at = datetime.fromisoformat(at) if at else None
    except ValueError:
        raise BadInput(f"{text!r} is no reading; write 21.4 or 21.4@2026-07-15T23:00Z.") from None
    if measured_at is not None and measured_at.tzinfo is None:
        raise BadInput(f"{text!r} has no zone; write {text}Z for UTC.")
    return Reading(mag, clear=True, moonless=measured_at is None, measured_at=measured_at)


def say_darkness(site: Site) -> str:
    """What is known of the site's darkness, in a few words; "" when nothing is."""
    known = site.darkness
    if known is None:
        return ""
    reading = f"{known.sqm_mag_arcsec2:.2f} mag/arcsec²"
    if known.bortle_class is not None:
        return (
            f"Bortle {known.bortle_class} ({(known.convention or '').replace('_', ' ')}), taken as {reading}"
        )
    count = f"median of {known.n_readings} readings" if known.n_readings > 1 else "measured"
    when = f", last on {known.measured_on}" if known.measured_on else ""
    return f"{reading}, {count}{when}"
