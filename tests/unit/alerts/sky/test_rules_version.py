"""Nights are stored under the version of the rules: a mended rule of the sky must raise it to reach them."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from alerts import RULES_VERSION
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import SkyWishes
from alerts.sky.nights.night_builder import nights

FLAT = Site("Windpump Flat", 40.31, -1.42, 1180.0, "Europe/Madrid")
AS_MADE_BY = "3"
"""The version under which the times below were written down; both are changed together."""
TIMES = [
    "2027-07-09T19:37:29",
    "2027-07-10T04:44:42",
    "2027-07-09T20:09:57",
    "2027-07-10T04:12:15",
    "2027-07-09T20:50:55",
    "2027-07-10T03:31:16",
    "2027-07-09T21:38:10",
    "2027-07-10T02:44:01",
    "2027-07-09T22:50:26",
    "2027-07-09T21:38:10",
    "2027-07-10T01:34:40",
    "2027-07-09T21:38:10",
    "2027-07-09T22:20:00",
    "2027-07-09T23:56:00",
]
"""Sunset and sunrise, the three twilights, the Moon, the window and its shapes, UTC."""


def test_a_rule_of_the_sky_that_changes_a_night_raises_the_version(ephemeris: Ephemeris) -> None:
    (night,) = nights(FLAT, date(2027, 7, 9), 1, SkyWishes(moonless=False), ephemeris)
    bodies = (night.sun, night.civil, night.nautical, night.astronomical, night.moon)
    (window,) = night.windows
    found = [at for body in bodies for at in (*body.sets, *body.rises)]
    found += [window.span.start, window.span.end, *(piece.span.start for piece in window.shapes)]
    expected = [datetime.fromisoformat(f"{text}+00:00") for text in TIMES]
    assert len(found) == len(expected)
    far = [at for at, was in zip(found, expected, strict=True) if abs(at - was) > timedelta(seconds=3)]
    assert (far, RULES_VERSION) == ([], AS_MADE_BY), "raise alerts.RULES_VERSION and write the times anew"
