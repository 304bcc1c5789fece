"""The field plan: what it says of a trip, a camera and a night."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from alerts.briefing.collect import air_of, build_field_notes
from alerts.briefing.facts import Air, AlertFacts, FieldNotes
from alerts.briefing.render import render_mail
from alerts.briefing.text.alert_lines import CAUTIONS, WATER, cautions_for
from alerts.briefing.text.alert_view import view_alert
from alerts.briefing.text.field import BEFORE_DARK, FieldView
from alerts.common.phrases import Reader, kept, phrase, say
from alerts.common.span import Span
from alerts.common.units import Units, in_units
from alerts.field.compass import compass_at
from alerts.field.foreground import ForegroundPlan
from alerts.field.frame_plan import aim_at
from alerts.field.kit import DEFAULT_KIT
from alerts.notifying.model import AlertKind
from alerts.sky.night import Shape
from alerts.weather.outlook import Hazard, HazardLevel
from tests.unit.alerts.briefing.briefing_samples import GO, briefing
from tests.unit.alerts.briefing.sample_nights import case, facts_of, invented_outlook


def view_of(facts: AlertFacts, units: Units = Units.METRIC) -> FieldView:
    view = view_alert(facts, units).field
    assert view is not None
    return view


def july(**changes: Any) -> AlertFacts:
    facts = facts_of("july", AlertKind.GO)
    assert facts.field is not None
    return replace(facts, field=replace(facts.field, **changes))


def test_the_evening_runs_in_order_from_leaving_to_home() -> None:
    steps = view_of(facts_of("july", AlertKind.GO)).steps
    assert [(step.time, step.text.split(".")[0].split(":")[0]) for step in steps] == [
        ("21:02", "Leave"),
        ("21:34", "Sunset"),
        ("22:07", "The signal is lost about now"),
        ("22:32", "Arrive and scout by lamp"),
        ("22:41", "Moon sets (4 % lit)"),
        ("22:47", "Nautical twilight ends"),
        ("23:33", "Window opens"),
        ("Thu 00:45", "The Milky Way's foot stands over the peak (196° true, 195° magnetic)"),
        ("Thu 01:21", "Middle"),
        ("Thu 01:27", "Start the series of 8 frames (8 s each)"),
        ("Thu 01:27", "The core stands over the peak (196° true, 195° magnetic)"),
        ("Thu 03:10", "Window ends"),
        ("Thu 04:56", "Home, about"),
    ]


@pytest.mark.parametrize(
    ("before_sunset", "words"),
    [
        (timedelta(hours=1), "in daylight."),
        (timedelta(minutes=5), "in the last light. To scout in daylight leave 40 min earlier."),
        (-timedelta(minutes=50), "by lamp. To scout in daylight leave 1 h 35 min earlier."),
        (-timedelta(hours=4), "by lamp: know the place from daylight."),
    ],
    ids=["daylight", "last light", "dark", "long after"],
)
def test_arriving_says_by_what_light(before_sunset: timedelta, words: str) -> None:
    sunset = facts_of("july", AlertKind.GO).sunset
    assert sunset is not None
    steps = view_of(july(arrive=sunset - before_sunset)).steps
    assert [step.text for step in steps if step.text.startswith("Arrive")] == [f"Arrive and scout {words}"]


def test_the_camera_says_two_recipes_and_the_land() -> None:
    said = view_of(facts_of("july", AlertKind.GO)).camera
    assert said[0].startswith("No camera is named")
    assert said[2] == (
        "20 mm f/2.8 on full frame sees 84° × 62° held level. Point it at 196° true, 195° magnetic "
        "(south-south-west), tilted up 26°: ground and the core fit in one frame."
    )
    assert said[3] == (
        "Sharp stars, to be stacked: eight frames of 8 s at f/2.8, ISO 12800, and two dark frames. Stars "
        "stay within 1.7 px at the core."
    )
    assert said[4] == "One frame: 25 s at f/2.8, ISO 6400. Stars trail 5.5 px at the core."
    land = re.fullmatch(
        r"The land for itself: no Moon lights it while you are there\. Take it with (\d) min( 30 s)? by "
        r"a remote release at f/2\.8, ISO 3200, or leave it dark; an estimate, so look at the first frame\.",
        said[6],
    )
    assert land is not None
    assert 2 <= int(land[1]) <= 4  # common practice


def test_why_is_one_paragraph_with_the_rules_by_their_names_and_the_exact_trails() -> None:
    said = view_of(facts_of("july", AlertKind.GO)).camera_why
    assert "\n" not in said
    for words in (
        "f/2.8 is wide open. ISO 6400 for the one frame: the usual start at f/2.8 and 20–25 s is ISO 6400.",
        "25 s is what the rule of 500 gives, a rule of thumb: on this sensor stars then trail 5.5 px",
        "13 s by the simple NPF rule (2.7 px) and 6 s by the full NPF rule (1.4 px)",
        "8 s to stay within 2 px at the core",
        "Marked times are rounded: 25 s truly lasts 25.4 s, and trails and times are reckoned by that.",
    ):
        assert words in said


def test_the_land_by_the_moon_says_when_and_by_how_much() -> None:
    lit = Span(datetime(2026, 7, 15, 20, 50, 10, tzinfo=UTC), datetime(2026, 7, 15, 22, 40, 50, tzinfo=UTC))
    moonlit = ForegroundPlan((lit,), lit.start, 5.2, 13.0, 2.8, 1600)
    said = view_of(july(foreground=moonlit)).camera[6]
    assert said == (
        "The land for itself: the Moon lights it from 22:51 to 00:40, most at 22:51, 5 stops brighter than "
        "the night sky does. Take it then with 13 s at f/2.8, ISO 1600; an estimate, so look at the first "
        "frame."
    )


def test_moonlight_that_makes_it_twice_as_bright_is_one_stop() -> None:
    at = datetime(2026, 7, 15, 21, 0, tzinfo=UTC)
    faint = ForegroundPlan((Span(at, at + timedelta(hours=1)),), at, 0.8, 210.0, 2.8, 3200)
    said = view_of(july(foreground=faint)).camera[6]
    assert "most at 23:00, one stop brighter than the night sky does" in said
    assert "with 3 min 30 s by a remote release at f/2.8, ISO 3200" in said


def test_row_245_a_compass_is_told_with_its_model_or_why_there_is_none() -> None:
    said = view_of(facts_of("july", AlertKind.GO)).camera
    assert any(
        line.startswith("By compass: magnetic north stands 1.2° east of true north here, give or take 0.3° "
                        "(World Magnetic Model 2025, valid to the end of 2029)")
        for line in said
    )  # fmt: skip
    polar = july(compass=compass_at(86, -46, 83_000, datetime(2026, 1, 1, tzinfo=UTC)))
    said, steps = view_of(polar).camera, view_of(polar).steps
    assert any("No magnetic bearings: this near a magnetic pole (3000 nT" in line for line in said)
    assert "Point it at 196° true (south-south-west)" in said[2]
    assert any("(196° true)" in step.text for step in steps)


def test_notes_that_an_older_version_kept_are_told_without_what_they_lack() -> None:
    """Neither land nor compass, and a rule's trails as they were."""
    from service.store.json_values import from_json, to_json

    row = to_json(july())
    assert isinstance(row, dict)
    for name in ("foreground", "compass"):
        del row["field"][name]
    said = view_of(from_json(AlertFacts, row)).camera
    assert "Point it at 196° true (south-south-west)" in said[2]
    assert not any("land for itself" in line or "compass" in line for line in said)
    assert any(line.startswith("Sharp stars, to be stacked: eight frames of 8 s") for line in said)


def test_the_camera_says_when_to_start_and_what_stands_where_then() -> None:
    said = view_of(facts_of("july", AlertKind.GO)).camera
    assert (
        "Take eight identical frames from 01:27 on (1 min 36 s), so that the core stands over the peak in "
        "their middle, then two dark frames with the cap on, at the same settings and temperature (24 s)."
    ) in said


def test_an_arch_is_told_as_a_row_against_the_sky() -> None:
    said = " ".join(view_of(facts_of("spring-arch", AlertKind.GO)).camera)
    assert "5 upright frames in one row, left to right, turned 39° each time (35 % overlap)" in said
    assert "A row takes 2 min 32 s; the sky turns 0.6° meanwhile and 0.1° from a frame to the next" in said
    assert "whole arch" not in " ".join(view_of(facts_of("july", AlertKind.GO)).camera)


@pytest.mark.parametrize(
    ("air", "units", "words"),
    [
        (Air(felt_c=-12.0), Units.METRIC, "insulated boots, hand warmers: it will feel like −12 °C"),
        (Air(felt_c=-12.0), Units.IMPERIAL, "it will feel like 10 °F"),
        (Air(felt_c=3.0), Units.METRIC, "winter jacket, hat, gloves, warm shoes: it will feel like 3 °C"),
        (Air(felt_c=11.0), Units.METRIC, "warm jacket and hat"),
        (Air(felt_c=19.0), Units.METRIC, "a jacket for standing still"),
        (Air(), Units.METRIC, "nobody says how cold it gets"),
        (Air(on_lens="frost"), Units.METRIC, "frost on the lens is likely"),
        (Air(wind_ms=7.0), Units.METRIC, "a weight for the tripod: wind up to 7 m/s"),
        (Air(wind_ms=7.0), Units.IMPERIAL, "wind up to 16 mph"),
        (Air(wet_pct=20.0), Units.METRIC, "rain cover for the camera: 20 % chance"),
    ],
)
def test_packing_fits_the_night(air: Air, units: Units, words: str) -> None:
    assert any(words in line for line in view_of(july(air=air), units).pack)


def test_a_calm_warm_dry_night_asks_for_nothing_special() -> None:
    pack = view_of(july(air=Air(felt_c=19.0, wind_ms=2.0, wet_pct=3.0))).pack
    for word in ("weight", "rain", "lens", "boots"):
        assert not any(word in line for line in pack)


def test_settings_before_dark_are_all_there() -> None:
    said = " ".join(map(say, BEFORE_DARK)).lower()
    for words in (
        "noise reduction off", "manual focus on a bright star", "near infinity", "two-second delay",
        "screen dimmed", "manual mode", "full batteries",
    ):  # fmt: skip
        assert words in said


def test_what_to_look_for_names_a_direction_and_a_time() -> None:
    spot = view_of(facts_of("july", AlertKind.GO)).on_the_spot
    assert spot[0] == "At 23:03 look toward the south: stars down to the land there mean that it holds."
    assert spot[1] == (
        "If cloud stands in the south-south-west by 02:10, go home: less than 1 h of the window would be "
        "left."
    )


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (0.2, "the peak is tonight"),
        (-0.4, "the peak is tonight"),
        (1.1, "a day before the peak"),
        (-0.9, "a day after the peak"),
        (3.2, "3 days before the peak"),
        (-4.0, "4 days after the peak"),
    ],
)
def test_showers_say_how_far_from_their_peak(days: float, words: str) -> None:
    shower = facts_of("spring-arch", AlertKind.GO).field.showers[0]  # type: ignore[union-attr]
    said = view_of(july(showers=(replace(shower, days_to_peak=days, hourly=12),))).showers[0]
    assert said.startswith(f"April Lyrids: {words}; up to 12 an hour under this sky, around ")


def test_row_252_a_rate_that_an_older_version_stored_is_said_as_it_was() -> None:
    shower = facts_of("spring-arch", AlertKind.GO).field.showers[0]  # type: ignore[union-attr]
    said = view_of(july(showers=(replace(shower, hourly=12, hourly_at=None, limit_mag=None),))).showers[0]
    assert "; at best about 12 an hour for one pair of eyes; radiant " in said


@pytest.mark.parametrize(("hourly", "words"), [(19, "up to 19"), (22, "up to 20"), (88, "up to 90")])
def test_many_meteors_are_told_in_fives(hourly: int, words: str) -> None:
    shower = facts_of("spring-arch", AlertKind.GO).field.showers[0]  # type: ignore[union-attr]
    assert f"; {words} an hour " in view_of(july(showers=(replace(shower, hourly=hourly),))).showers[0]


def test_only_what_sends_someone_out_has_a_field_plan() -> None:
    for kind in (AlertKind.HEADS_UP, AlertKind.STAND_DOWN):
        assert view_alert(facts_of("july", kind)).field is None
    assert view_alert(facts_of("july", AlertKind.CHANGED)).field is not None
    assert view_alert(GO).field is None


def test_water_is_cautioned_where_the_sites_note_names_it() -> None:
    assert cautions_for([facts_of("september-column", AlertKind.GO)]) == (*CAUTIONS, WATER)
    assert cautions_for([facts_of("july", AlertKind.GO)]) == CAUTIONS
    assert cautions_for([facts_of("september-column", AlertKind.STAND_DOWN)]) == ()


def test_every_go_carries_every_caution() -> None:
    text = render_mail(briefing(facts_of("july", AlertKind.GO))).text
    for caution in map(str, CAUTIONS):
        assert caution in text
    said = " ".join(map(str, CAUTIONS)).lower()
    for word in (
        "official weather warnings",
        "tiring",
        "colder",
        "weather can turn",
        "dark",
        "tell someone",
        "land",
    ):
        assert word in said


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("wind up to 7 m/s, your limit is 9 m/s", "wind up to 16 mph, your limit is 20 mph"),
        ("felt cold down to −12 °C", "felt cold down to 10 °F"),
        (
            "dew on the lens likely (2 °C above the dew point)",
            "dew on the lens likely (4 °F above the dew point)",
        ),
        ("rain or snow 20 %, up to 1.3 mm/h", "rain or snow 20 %, up to 0.05 in/h"),
        ("41 km away", "25 miles away"),
        ("elevation 1180 m", "elevation 3871 ft"),
        ("20 mm lens, 30 min, 5 models", "20 mm lens, 30 min, 5 models"),
    ],
)
def test_our_own_sentences_turn_imperial(text: str, said: str) -> None:
    """1 mile is 1609.344 m, 1 inch 25.4 mm, 1 foot 0.3048 m (international yard and pound, 1959)."""
    assert in_units(text, Units.IMPERIAL) == said
    assert in_units(text, Units.METRIC) == text


def test_a_towns_distance_is_in_the_units_wished() -> None:
    from tests.unit.alerts.briefing.drawn_samples import pictures_of

    assert "A town, 25 miles away, glows" in pictures_of("july", units=Units.IMPERIAL)["view"].alt


BOTH = (Units.METRIC, Units.IMPERIAL)


def test_figures_in_both_units() -> None:
    cold = [say("briefing.pack-clothes", Reader(units=units), cold="mild", felt_c=-0.2) for units in BOTH]
    assert [each.rpartition("like ")[2] for each in cold] == ["0 °C", "32 °F"]
    wind = [say("briefing.pack-weight", Reader(units=units), wind_ms=10.0) for units in BOTH]
    assert [each.rpartition("to ")[2] for each in wind] == ["10 m/s", "22 mph"]


def test_air_comes_from_the_outlooks_hazards() -> None:
    found = case("july")
    assert found.window is not None
    outlook = invented_outlook(found.sample, found.night, found.window.span, 81)
    assert air_of(outlook) == Air(felt_c=11.0, wind_ms=4.0, wet_pct=5.0, on_lens="dew")
    frost = replace(
        outlook,
        hazards=(
            Hazard(
                "lens", HazardLevel.WARN, phrase("weather.lens-likely", kind="frost", spread_c=1.0), 1.0, "°C"
            ),
        ),
    )
    assert air_of(frost) == Air(on_lens="frost")
    amount = replace(
        outlook, hazards=(Hazard("precipitation", HazardLevel.FINE, kept("0.1 mm/h"), 0.1, "mm/h"),)
    )
    assert air_of(amount) == Air()
    assert air_of(None) == Air()


def test_without_a_foreground_the_series_waits_for_a_low_core() -> None:
    """At 30° S the core stands overhead at midnight in June; 50° is the most for ground below it."""
    from tests.unit.alerts.briefing.sample_nights import WISHES, ephemeris, going

    found = case("southern-winter")
    assert found.window is not None
    assert found.plan is not None
    bare = replace(found.sample.site, foregrounds=())
    known = going(bare, found.night, found.window, found.plan, WISHES)
    notes = build_field_notes(known, found.window, ephemeris())
    assert notes.aim.has_ground
    assert notes.frames.over == ""
    assert abs(notes.frames.best_at - found.window.span.middle) > timedelta(hours=2)


@pytest.mark.parametrize(
    ("altitude_deg", "shape", "ridge_deg", "tilt_deg", "portrait", "has_ground"),
    [
        (19, Shape.LEANING, 0, 24.0, False, True),
        (19, Shape.LEANING, 10, 29.0, False, True),
        (14, Shape.COLUMN, 0, 35.0, True, True),
        (60, Shape.OVERHEAD, 0, 37.0, False, False),
        (87, Shape.OVERHEAD, 0, 64.0, False, False),
        (19, None, 0, 24.0, False, True),
    ],
    ids=["leaning", "over a ridge", "column", "high", "overhead", "no shape"],
)
def test_the_camera_keeps_core_and_land_where_it_can(
    altitude_deg: float,
    shape: Shape | None,
    ridge_deg: float,
    tilt_deg: float,
    portrait: bool,
    has_ground: bool,
) -> None:
    """20 mm on full frame: 62° high level, 84° upright; 7° of land below the horizon (common practice)."""
    aim = aim_at(DEFAULT_KIT, altitude_deg, 196, shape, ridge_deg)
    assert aim.tilt_deg == pytest.approx(tilt_deg, abs=0.1)
    assert (aim.portrait, aim.has_ground) == (portrait, has_ground)


def test_notes_travel_with_the_alert() -> None:
    """What is stored comes back the same."""
    import json

    from service.store.json_values import from_json, to_json

    facts = facts_of("spring-arch", AlertKind.GO)
    stored = json.loads(json.dumps(to_json(facts)))
    again = from_json(AlertFacts, stored)
    assert again == facts
    assert isinstance(again.field, FieldNotes)
