"""Moonlight on the ground and the horizon, in a message, a picture and a webhook."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache

import pytest

from alerts.briefing.collect import ground_note
from alerts.briefing.facts import AlertFacts, GroundNote
from alerts.briefing.payload import ground_values
from alerts.briefing.pictures.night_picture import NightToDraw, draw_night, night_scene
from alerts.briefing.text.alert_view import view_alert
from alerts.judging.privacy import discreet_facts
from alerts.notifying.model import AlertKind
from alerts.sites.horizon import KNOWN_LEVEL
from alerts.sites.model import HorizonLine
from alerts.sky.brightness.moonlit_ground import MoonlitGround
from alerts.sky.night import Night, SkyWishes, Target, TargetKind
from alerts.sky.nights.night_builder import night_named
from tests.unit.alerts.briefing.sample_nights import FLAT, ephemeris, facts_of
from tests.unit.alerts.briefing.test_pictures import texts_of

OPEN = replace(FLAT, horizon=HorizonLine())


@cache
def half_moon() -> Night:
    """It sets about an hour after midnight, and the core stands until later."""
    return night_named(FLAT, date(2026, 7, 20), SkyWishes(), ephemeris())


def told(ground: GroundNote | None, kind: AlertKind = AlertKind.GO) -> dict[str, str]:
    facts = replace(facts_of("july", kind), ground=ground)
    return {row.name: row.value for row in view_alert(facts).rows}


def test_moonlight_on_the_ground_is_told_with_what_it_costs_the_sky() -> None:
    ground = ground_note(FLAT, half_moon(), ephemeris())
    (lit,) = ground.moonlit
    assert lit.least_loss_mag is not None
    assert lit.most_loss_mag is not None
    words = told(ground)["ground"]
    assert words.startswith("Moonlit Mon 20 July, 22:")
    costs = f"by {lit.least_loss_mag:.1f} to {lit.most_loss_mag:.1f} mag"
    assert words.endswith(f" CEST, which brightens the sky at the core {costs}")


@pytest.mark.parametrize(
    ("least_mag", "most_mag", "words"),
    [(0.31, 1.94, "by 0.3 to 1.9 mag"), (1.22, 1.24, "by 1.2 mag"), (0.02, 0.4, "by up to 0.4 mag")],
    ids=["a range", "the same", "from next to nothing"],
)
def test_the_cost_reads_well(least_mag: float, most_mag: float, words: str) -> None:
    (lit,) = ground_note(FLAT, half_moon()).moonlit
    ground = GroundNote(subject="the core", moonlit=(MoonlitGround(lit.span, least_mag, most_mag),))
    assert told(ground)["ground"].endswith(f"the sky at the core {words}")


def test_without_figures_the_span_alone_is_told() -> None:
    words = told(ground_note(FLAT, half_moon()))["ground"]
    assert words.startswith("Moonlit Mon 20 July, 22:")
    assert words.endswith(" CEST")


def test_a_stand_down_and_an_older_row_say_nothing_of_the_ground() -> None:
    ground = ground_note(OPEN, half_moon(), ephemeris())
    assert not {"ground", "horizon"} & set(told(ground, AlertKind.STAND_DOWN))
    assert not {"ground", "horizon"} & set(told(None))


@pytest.mark.parametrize(
    ("site", "target", "is_assumed"),
    [
        (OPEN, Target(), True),
        (OPEN, Target(TargetKind.BAND), True),
        (OPEN, Target(TargetKind.NONE), False),
        (replace(OPEN, horizon=KNOWN_LEVEL), Target(), False),
        (FLAT, Target(), False),
    ],
    ids=["core", "band", "darkness alone", "said to be level", "a ridge"],
)
def test_a_level_horizon_is_called_assumed_where_a_window_rests_on_one_that_nobody_gave(
    site: object, target: Target, is_assumed: bool
) -> None:
    night = night_named(site, date(2026, 7, 14), SkyWishes(target=target), ephemeris())  # type: ignore[arg-type]
    assert night.windows
    ground = ground_note(site, night)  # type: ignore[arg-type]
    assert ground.is_assumed == is_assumed
    words = told(ground).get("horizon", "")
    assert ("Assumed level" in words) == is_assumed
    assert not is_assumed or "its horizon line, or the word level" in words
    assert (ground_values(ground)["horizon"] is not None) == is_assumed


def test_without_a_window_nothing_rests_on_the_horizon() -> None:
    night = night_named(OPEN, date(2026, 12, 20), SkyWishes(), ephemeris())
    assert not night.windows
    assert not ground_note(OPEN, night, ephemeris()).is_assumed


def test_sun_and_moon_over_the_own_line_stand_beside_the_standard_times() -> None:
    ground = ground_note(FLAT, half_moon(), ephemeris())
    assert ground.own is not None
    rows = told(ground)
    assert rows["horizon"].startswith("The Sun goes behind the site's horizon line ")
    assert "the Moon goes behind it " in rows["horizon"]
    assert rows["sun"] == told(None)["sun"]
    values = ground_values(ground)["horizon"]
    assert isinstance(values, dict)
    assert values["own"]["sun_gone"].startswith("2026-07-20T")


def test_the_nights_picture_marks_the_moonlit_ground_and_says_so() -> None:
    picture = draw_night(night_scene(NightToDraw(FLAT, half_moon(), None), ephemeris()))
    assert "moonlit ground" in texts_of(picture)
    assert "The Moon lights the ground from 22:" in picture.alt
    dark = night_named(FLAT, date(2026, 8, 12), SkyWishes(), ephemeris())
    without = draw_night(night_scene(NightToDraw(FLAT, dark, None), ephemeris()))
    assert "moonlit ground" not in texts_of(without)
    assert "lights the ground" not in without.alt


def test_facts_are_kept_with_the_ground_and_an_older_row_reads_without() -> None:
    from service.store.json_values import from_json, to_json

    facts = replace(facts_of("july", AlertKind.GO), ground=ground_note(FLAT, half_moon(), ephemeris()))
    row = to_json(facts)
    assert from_json(AlertFacts, row) == facts
    del row["ground"]
    assert from_json(AlertFacts, row) == replace(facts, ground=None)


def test_who_doesnt_own_the_site_reads_nothing_of_its_ground_in_what_was_told() -> None:
    from service.store.json_values import to_json

    facts = replace(facts_of("july", AlertKind.GO), ground=ground_note(FLAT, half_moon(), ephemeris()))
    row = to_json(facts)
    assert row["ground"]["own"] is not None
    assert discreet_facts(row, [FLAT])["ground"] is None
