"""The signal, the gate and the way; towns, smoke, models and the line of sight, in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta

import pytest

from alerts.briefing.collect import build_field_notes, sky_note
from alerts.briefing.facts import AlertFacts, DrawnDome, SkyNote
from alerts.briefing.text.alert_view import view_alert
from alerts.common.clock_times import ClockSpan
from alerts.common.text import article
from alerts.common.units import Units
from alerts.field.trip_plan import plan_trip
from alerts.judging.window_brightness import window_sky
from alerts.notifying.model import AlertKind
from alerts.sites.model import Gate, Site
from alerts.wishes.model import Trip, Wishes
from tests.unit.alerts.briefing.briefing_samples import GO
from tests.unit.alerts.briefing.sample_nights import FLAT, case, ephemeris, facts_of, going

SKY = SkyNote(subject="the core", mag_arcsec2=20.84, loss_mag=0.0, dimmed_mag=0.6, smoke_mag=0.0)
TERUEL = DrawnDome(81.4, 26.8, name="Teruel", under_target=True)


def basis(facts: AlertFacts, units: Units = Units.METRIC) -> dict[str, str]:
    return {row.label: row.value for row in view_alert(facts, units).basis}


def steps(site: Site, wishes: Wishes) -> list[str]:
    """The July evening at a site as such a person would spend it."""
    found = case("july")
    assert found.window is not None
    plan = plan_trip(found.night, found.window.span, wishes, site)
    known = going(site, found.night, found.window, plan, wishes)
    notes = build_field_notes(known, found.window, ephemeris())
    facts = replace(
        facts_of("july", AlertKind.GO), field=notes, leave_by=plan.leave_by, home_about=plan.home_about
    )
    field = view_alert(facts).field
    assert field is not None
    return [f"{step.time} {step.text}" for step in field.steps]


def test_the_last_word_comes_before_the_signal_is_lost() -> None:
    said = steps(FLAT, Wishes(signal_lost_before=timedelta(minutes=25)))
    lost = (
        "22:07 The signal is lost about now: the last word comes before. No message after this means nothing."
    )
    assert lost in said
    assert not any("signal" in step for step in steps(FLAT, Wishes()))


@pytest.mark.parametrize(
    ("gate", "says"),
    [
        (Gate(ClockSpan(time(6), time(23)), may_stay=True), "be inside before, you stay until it opens"),
        (Gate(ClockSpan(time(6), time(4))), "04:00 The gate closes (open 06:00–04:00): be outside before."),
    ],
    ids=["staying inside", "driving out"],
)
def test_a_gate_that_closes_on_the_way_is_a_step(gate: Gate, says: str) -> None:
    assert any(says in step for step in steps(replace(FLAT, gate=gate), Wishes()))


def test_who_stays_inside_is_told_when_the_gate_opens() -> None:
    said = steps(replace(FLAT, gate=Gate(ClockSpan(time(6), time(23)), may_stay=True)), Wishes())
    assert "Thu 06:00 The gate opens: the way home is free." in said


def test_a_gate_that_is_open_all_the_while_is_no_step() -> None:
    gate = Gate(ClockSpan(time(6), time(5, 30)))
    assert not any("gate" in step for step in steps(replace(FLAT, gate=gate), Wishes()))


def test_a_trip_leaves_from_where_one_stays() -> None:
    night = case("july").night.name
    trip = Trip(night, night, timedelta(minutes=20), "Old Mill Inn")
    assert "Leave from Old Mill Inn." in steps(FLAT, Wishes(trips=(trip,)))[0]


@pytest.mark.parametrize(
    ("sky", "says"),
    [
        (
            replace(SKY, above_darkest_mag=0.43, is_low=True, is_estimate=True),
            "20.8 mag/arcsec² at the core, 0.4 mag from as dark as it gets this low (an estimate)",
        ),
        (replace(SKY, above_darkest_mag=0.04), "20.8 mag/arcsec² at the core, as dark as it gets"),
        (SKY, "20.8 mag/arcsec² at the core"),
        (replace(SKY, smoke_mag=0.4, dimmed_mag=1.1), "smoke or dust: the core is dimmed by 1.1 mag"),
        (replace(SKY, loss_mag=0.3), "Moon and twilight brighten it by up to 0.3 mag"),
    ],
    ids=["low", "dark", "kept before that was told", "smoke", "Moon"],
)
def test_the_sky_is_told_where_the_camera_looks(sky: SkyNote, says: str) -> None:
    assert says in basis(replace(GO, sky=sky))["Sky"]


def test_a_slight_haze_and_a_slight_brightening_are_not_worth_a_word() -> None:
    said = basis(replace(GO, sky=replace(SKY, smoke_mag=0.1, loss_mag=0.04)))["Sky"]
    assert "smoke" not in said
    assert "brighten" not in said


def test_towns_are_named_by_direction_and_distance_in_the_units_wished() -> None:
    facts = replace(GO, sky=replace(SKY, towns=(TERUEL, replace(TERUEL, name="", under_target=False))))
    assert basis(facts)["Towns"] == (
        "Teruel in the east (81° true), 27 km, under the core; a town in the east (81° true), 27 km"
    )
    assert "17 miles" in basis(facts, Units.IMPERIAL)["Towns"]


def test_inside_a_town_its_light_is_all_round() -> None:
    assert basis(replace(GO, sky=replace(SKY, inside="Teruel")))["Towns"].startswith("Inside Teruel: its own")


def test_the_towns_of_a_place_are_those_of_the_sky() -> None:
    """Teruel lies 27 km east of the sample site; Valencia, 800,000 people, 128 km south-east."""
    found = case("july")
    assert found.window is not None
    towns = {
        town.name: town for town in sky_note(found.window, window_sky(FLAT, found.window, ephemeris())).towns
    }
    assert towns["Teruel"].distance_km == pytest.approx(27, abs=2)
    assert towns["Valencia"].bearing_deg == pytest.approx(136, abs=3)


@pytest.mark.parametrize(
    ("changes", "label", "says"),
    [
        ({"spread_pct": (45, 90)}, "Models", "Each alone 45 to 90 %"),
        ({"spread_pct": (45, 45)}, "Models", None),
        ({"change_pct": 6}, "Models", "Together 6 points up with their last runs"),
        ({"change_pct": -1}, "Models", "Together 1 point down with their last runs"),
        ({"change_pct": 0}, "Models", "Together unchanged with their last runs"),
        (
            {"sight": "overhead clears, the south-east doesn't", "overhead_pct": 84},
            "Direction",
            "Overhead clears, the south-east doesn't (overhead alone: 84 %)",
        ),
        ({"overhead_pct": 84}, "Direction", None),
        (
            {"record": "Forecasts like this came clear 9 of 12 times here."},
            "Record",
            "Forecasts like this came clear 9 of 12 times here.",
        ),
        ({}, "Record", None),
    ],
    ids=["spread", "one voice", "up", "down", "unchanged", "line of sight", "same", "record", "no record"],
)
def test_what_a_chance_rests_on_is_said_where_it_is_known(
    changes: dict[str, object], label: str, says: str | None
) -> None:
    assert basis(replace(GO, **changes)).get(label) == says  # type: ignore[arg-type]


def test_a_stand_down_tells_none_of_it() -> None:
    assert basis(replace(facts_of("july", AlertKind.STAND_DOWN), sky=SKY, spread_pct=(1, 2))) == {}


@pytest.mark.parametrize(
    ("figure", "said"),
    [
        ("8", "an"),
        ("85", "an"),
        ("11", "an"),
        ("18", "an"),
        ("18.5", "an"),
        ("20", "a"),
        ("105", "a"),
        ("110", "a"),
    ],
)
def test_a_figure_takes_its_article(figure: str, said: str) -> None:
    assert article(figure) == said
