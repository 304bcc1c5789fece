"""Which night is which: their noons, their numbers and their names.

A night runs from local mean solar noon, by the site's longitude and to the whole second, to the
next. It is numbered by the days since 1970 of its mean solar date, and named by the civil date in
the site's zone at its start: the two differ where the zone lies a day off the longitude, as at
Apia, Kiritimati or the Chatham Islands.
"""

from __future__ import annotations

from datetime import date, datetime

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.span import require_utc
from alerts.sites.model import Site

DAY_S = 86_400
_NOON_S = 43_200
_SECONDS_PER_DEGREE = 240
_EPOCH = date(1970, 1, 1)


def night_start_s(site: Site, number: int) -> int:
    """Local mean solar noon that begins a night, POSIX seconds, to the whole second."""
    return number * DAY_S + _NOON_S - round(site.lon_deg * _SECONDS_PER_DEGREE)


def name_of(site: Site, number: int) -> date:
    """The civil date in the site's zone at the start of a night."""
    return datetime.fromtimestamp(night_start_s(site, number), site.tz).date()


def number_named(site: Site, name: date) -> int:
    """The number of the night with that name; BadInput where the calendar skipped the date.

    Where a zone lies twelve hours off the longitude a clock change can give two nights one name;
    the earlier one answers to it.
    """
    near = (name - _EPOCH).days
    for number in (near - 1, near, near + 1):
        if name_of(site, number) == name:
            return number
    raise BadInput(phrase("sky.no-such-night", name=site.name, night=name, zone=site.zone))


def number_at(site: Site, at: datetime) -> int:
    """The number of the night that contains an aware time."""
    return int((require_utc(at).timestamp() - night_start_s(site, 0)) // DAY_S)


def name_at(site: Site, at: datetime) -> date:
    """The name of the night that contains an aware time."""
    return name_of(site, number_at(site, at))
