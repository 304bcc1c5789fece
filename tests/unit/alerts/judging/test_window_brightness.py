"""How dark the sky is where the target stands, told beside a verdict, and never deciding it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from alerts.common.phrases import kept
from alerts.judging.rules import Reason, Result
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.judging.window_brightness import (
    TOWNS_WARN_FROM_MAG,
    WindowSky,
    darkness,
    say_sky,
    window_skies,
    with_darkness,
)
from alerts.sites.model import Darkness, Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night, SkyWishes
from alerts.sky.nights.night_builder import night_named
from alerts.weather.outlook import Outlook

LONELY = Site("Lonely", 24.0, 12.5, 900.0, "Africa/Tripoli")
"""In the middle of the Sahara: no town within 200 km."""
CITY = Site("Flat roof", 40.42, -3.70, 650.0, "Europe/Madrid")
UNDER_A_DOME = Site("North of town", 40.55, -1.11, 1000.0, "Europe/Madrid")
"""Twenty-odd kilometres north of Teruel, over which the core then stands."""
SUMMER = date(2027, 7, 3)
CRESCENT = date(2027, 7, 8)
"""Four days after the new Moon of 4 July 2027: it is up in the first dark hours."""
NO_MOON, THIN_MOON = SkyWishes(), SkyWishes(moonless=False, most_loss_mag=0.6)


def night_at(site: Site, name: date = SUMMER, wishes: SkyWishes = NO_MOON) -> Night:
    return night_named(site, name, wishes, Ephemeris.open())


def judged(night: Night, aod: float | None = None, *reasons: Reason) -> Verdict:
    window = night.windows[0]
    outlook = Outlook(window.span, 80, None, None, (), (), True, True, True, (), (), None)
    outlook = replace(outlook, aerosol_optical_depth=aod)
    first = Reason("chance", Result.PASS, kept("the chance is 80 %, you asked for 70 %"))
    return Verdict(VerdictWord.GO, (first, *reasons), window, outlook, window.span, night)


def seen(site: Site, night: Night, aod: float | None = None) -> tuple[Reason, WindowSky]:
    sky = window_skies(site, night, Ephemeris.open(), judged(night, aod))[0]
    return darkness(night.windows[0], sky, site, night.wishes), sky


def test_a_lonely_moonless_site_is_told_its_sky_and_nothing_else() -> None:
    reason, sky = seen(LONELY, night_at(LONELY))
    assert str(reason.text) == (
        f"the sky is {sky.middle.mag_arcsec2:.1f} mag/arcsec² at the core, as dark as it gets this low"
        " (an estimate); no Moon in it"
    )
    assert (reason.rule, reason.result, sky.domes) == ("darkness", Result.PASS, ())
    assert 20.8 < sky.middle.mag_arcsec2 < 21.8


def test_who_accepts_a_thin_moon_is_told_what_it_costs_against_the_wish() -> None:
    reason, sky = seen(LONELY, night_at(LONELY, CRESCENT, THIN_MOON))
    assert 0.05 < sky.worst.loss_mag <= 0.61
    assert f"the Moon costs up to {sky.worst.loss_mag:.1f} mag, you accept 0.6" in str(reason.text)
    assert reason.slack == pytest.approx((0.6 - sky.worst.loss_mag) / 0.6)


def test_twilight_is_named_where_near_dark_will_do() -> None:
    moonlit = night_at(LONELY, CRESCENT, SkyWishes(moonless=False))
    _, sky = seen(LONELY, moonlit)
    point = replace(sky.middle, loss_mag=0.2, twilight_nl=20.0, moon_nl=0.0)
    twilit = replace(sky, points=(point, point, point))
    said = darkness(moonlit.windows[0], twilit, LONELY, moonlit.wishes).text
    assert "twilight costs up to 0.2 mag" in str(said)
    both = replace(point, moon_nl=15.0)
    text = darkness(moonlit.windows[0], replace(sky, points=(both, both, both)), LONELY, moonlit.wishes).text
    assert "Moon and twilight cost up to 0.2 mag" in str(text)


def test_smoke_warns_with_what_it_takes_from_the_core() -> None:
    reason, sky = seen(LONELY, night_at(LONELY), aod=0.6)
    assert reason.result is Result.WARN
    assert f"smoke or dust dims the core by {sky.middle.dimmed_mag:.1f} mag" in str(reason.text)
    assert sky.middle.dimmed_mag > 1.2


def test_the_usual_haze_is_stated_where_the_weather_does_not_tell() -> None:
    night = night_at(LONELY)
    said = [say_sky(night.windows[0], seen(LONELY, night, aod)[1]) for aod in (None, 0.08, 0.6)]
    assert "(a usual haze is assumed)" in said[0][1]
    assert "(by the forecast of haze)" in said[1][1]
    assert said[2][1].startswith("smoke or dust: the core dimmed by ")


def test_towns_warn_at_most_and_are_said_to_be_an_estimate() -> None:
    reason, sky = seen(CITY, night_at(CITY))
    assert sky.middle.towns_mag > TOWNS_WARN_FROM_MAG
    assert reason.result is Result.WARN
    assert "(an estimate)" in str(reason.text)
    assert "(reckoned from people, not lamps)" in str(reason.text)
    how_much = f"{sky.middle.above_darkest_mag:.1f} mag from as dark as it gets this low"
    assert how_much in str(reason.text)
    assert how_much in say_sky(night_at(CITY).windows[0], sky)[0]


def test_a_reading_at_the_site_is_named_in_place_of_the_estimate() -> None:
    measured = replace(CITY, darkness=Darkness(20.9))
    reason, _ = seen(measured, night_at(measured))
    assert "; towns brighten the sky there by" in str(reason.text)
    assert "(by your reading)" in str(reason.text)
    assert "estimate" not in str(reason.text)


def test_light_that_a_reading_finds_and_no_town_explains_is_told_as_such() -> None:
    lit = replace(LONELY, darkness=Darkness(20.5))
    reason, _ = seen(lit, night_at(lit))
    assert "lights that no town explains brighten the sky there by" in str(reason.text)


def test_a_core_that_stands_over_a_dome_is_told_over_which() -> None:
    reason, sky = seen(UNDER_A_DOME, night_at(UNDER_A_DOME))
    assert "Teruel" in [dome.name for dome in sky.stood_over]
    assert "the core stands over a dome at" in str(reason.text)
    assert "(Teruel)" in str(reason.text)


WARNS, PASSES = (Reason("smoke", r, kept("smoke")) for r in (Result.WARN, Result.PASS))
OTHER = Reason("other_window", Result.WARN, kept("another one"))
ORDERS = {
    "passing, after what passes": (LONELY, ["chance", "smoke", "smoke", "darkness", "other_window"]),
    "warning, before what passes": (CITY, ["chance", "smoke", "darkness", "smoke", "other_window"]),
}


@pytest.mark.parametrize(("site", "order"), ORDERS.values(), ids=ORDERS.keys())
def test_it_takes_its_place_among_the_reasons_and_never_decides(site: Site, order: list[str]) -> None:
    night = night_at(site)
    before = judged(night, None, WARNS, PASSES, OTHER)
    after = with_darkness(before, site, night, window_skies(site, night, Ephemeris.open(), before))
    assert [reason.rule for reason in after.reasons] == order
    assert (after.word, after.deciding) == (before.word, before.deciding)


def test_without_a_window_nothing_is_added() -> None:
    night = night_at(Site("Far north", 60.0, 10.0, zone="Europe/Oslo"))
    verdict = Verdict(VerdictWord.STAY, (Reason("darkness", Result.FAIL, kept("none")),), None, None)
    assert night.windows == ()
    assert window_skies(LONELY, night, Ephemeris.open(), verdict) == ()
    assert with_darkness(verdict, LONELY, night, ()) is verdict


def test_the_haze_of_each_window_is_its_own() -> None:
    night = night_at(LONELY)
    first = night.windows[0]
    later = replace(first, span=replace(first.span, start=first.span.start + timedelta(minutes=30)))
    two = replace(night, windows=(first, later))
    other = replace(judged(night, 0.6), window=later)
    skies = window_skies(LONELY, two, Ephemeris.open(), replace(judged(night, 0.05), others=(other,)))
    assert skies[0].middle.smoke_mag == 0.0
    assert skies[1].middle.smoke_mag > 1.0
