"""Targets other than the core: the winter's band, a named place in the sky, darkness alone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cache

import pytest

from alerts.briefing.collect import build_field_notes, declination_deg
from alerts.briefing.facts import FieldNotes
from alerts.briefing.pictures.drawing import Picture
from alerts.briefing.pictures.night_picture import NightToDraw
from alerts.briefing.render import draw_pictures
from alerts.common.span import require_utc
from alerts.sky.night import WINTER_ARC_L_DEG, SkyWishes, Target, TargetKind, TrackPoint
from alerts.sky.nights.night_builder import night_named
from tests.unit.alerts.briefing.sample_nights import FLAT, WISHES, ephemeris, going
from tests.unit.alerts.briefing.test_pictures import texts_of
from tests.unit.alerts.field.trips import plan

BELT = Target(TargetKind.RADEC, "Orion's belt", 84.05, -1.2)
POLE = Target(TargetKind.RADEC, "the pole", 0.0, 90.0)
TARGETS = {
    "winter arc": Target(TargetKind.BAND, arc_l_deg=WINTER_ARC_L_DEG),
    "darkness alone": Target(TargetKind.NONE),
    "belt": BELT,
    "pole": POLE,
}


@dataclass(frozen=True)
class Found:
    notes: FieldNotes
    pictures: dict[str, Picture]


@cache
def december(name: str) -> Found:
    night = night_named(FLAT, date(2026, 12, 8), SkyWishes(target=TARGETS[name]), ephemeris())
    window = max(night.windows, key=lambda each: each.span.duration)
    trip = plan(window.span, WISHES)
    notes = build_field_notes(going(FLAT, night, window, trip, WISHES), window, ephemeris())
    drawn = draw_pictures(NightToDraw(FLAT, night, window, notes), ephemeris())
    return Found(notes, {picture.name: picture for picture in drawn})


@pytest.mark.parametrize(
    ("name", "subject"),
    [
        ("winter arc", "the Milky Way's foot"),
        ("darkness alone", "the Milky Way's foot"),
        ("belt", "Orion's belt"),
        ("pole", "the pole"),
    ],
)
def test_the_camera_points_at_what_is_up_with_ground_below_it(name: str, subject: str) -> None:
    notes = december(name).notes
    assert str(notes.subject) == subject
    assert notes.aim.has_ground
    assert notes.exposure.shutter_s == 25.0


def test_the_celestial_pole_leaves_no_trail() -> None:
    assert december("pole").notes.exposure.core_px < 0.1


def test_a_named_target_is_ringed_and_named() -> None:
    found = december("belt").pictures["view"]
    assert any(text.startswith("Orion's belt, 4") for text in texts_of(found))
    assert "Orion's belt stands 4" in found.alt
    assert "Orion's belt over the ridge" in texts_of(december("belt").pictures["night"])


def test_the_band_is_followed_at_its_top() -> None:
    assert "top of the band over the ridge" in texts_of(december("winter arc").pictures["night"])


def test_a_core_that_is_down_is_not_drawn() -> None:
    shown = texts_of(december("darkness alone").pictures["night"])
    assert not any("core" in text or "−" in text for text in shown)


@pytest.mark.parametrize(
    ("altitude_deg", "azimuth_deg", "lat_deg", "dec_deg"),
    [(40.0, 0.0, 40.0, 90.0), (21.0, 180.0, 40.0, -29.0), (0.0, 90.0, 51.0, 0.0), (60.0, 0.0, -30.0, 0.0)],
    ids=["pole", "south", "east", "zenith side"],
)
def test_declination_of_a_direction(
    altitude_deg: float, azimuth_deg: float, lat_deg: float, dec_deg: float
) -> None:
    """On the meridian δ = φ − 90° + h to the south; due east on the horizon it is the equator's."""
    at = require_utc(december("pole").notes.arrive)
    assert declination_deg(TrackPoint(at, altitude_deg, azimuth_deg), lat_deg) == pytest.approx(
        dec_deg, abs=1e-6
    )
