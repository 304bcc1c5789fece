"""Loss minute by minute, and the windows it leaves to those who accept a thin Moon."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.errors import BadInput
from alerts.common.span import Span
from alerts.sites.model import HorizonLine, Site
from alerts.sky.brightness.total import loss_spans, site_sky, sky_at, sky_brightness
from alerts.sky.ephemeris import Ephemeris, posix_s
from alerts.sky.night import SkyWishes, Target, require_loss_wish
from alerts.sky.nights.night_builder import nights_for_sites
from alerts.sky.span_arrays import RowSpans
from tests.unit.alerts.sky.brightness.reference import NO_TOWNS, UNHURRIED, moon_at, sky_of, towns_of

SITE = Site("Here", 30.0, 10.0, 500.0)
SKY = site_sky(SITE, NO_TOWNS)
FIRST, NIGHTS = date(2026, 5, 1), 60
LOSS_WISHES_MAG = (0.1, 0.3, 0.6)
ANY_MOON = SkyWishes(moonless=False)


def phase_of(lit: float) -> float:
    return float(np.degrees(np.arccos(2 * lit - 1)))


@pytest.mark.parametrize(
    ("lit", "moon_up"),
    [(0.30, 5.0), (0.25, 10.0), (0.20, 20.0)],
    ids=["30 % at 5", "25 % at 10", "20 % at 20"],
)
def test_three_tenths_of_a_magnitude_is_a_thin_moon(lit: float, moon_up: float) -> None:
    """A crescent stands tens of degrees from a core that is up in the dark: here 60 to 120."""
    losses = [
        float(sky_brightness(sky_of(), (25.0, 0.0), -20.0, moon_at(moon_up, turn, phase_of(lit))).loss_mag)
        for turn in (60.0, 90.0, 120.0)
    ]
    assert all(0.15 <= loss <= 0.45 for loss in losses)


def test_a_half_moon_costs_more_than_any_wish() -> None:
    parts = sky_brightness(sky_of(), (30.0, 0.0), -20.0, moon_at(30.0, 90.0, 90.0))
    assert parts.loss_mag > max(LOSS_WISHES_MAG)


def test_town_light_drowns_the_moons() -> None:
    moon = moon_at(20.0, 90.0, phase_of(0.2))
    dark, lit = (
        sky_brightness(sky, (25.0, 0.0), -20.0, moon).loss_mag
        for sky in (sky_of(), sky_of(towns_of((0.2, 0, 1e6))))
    )
    assert lit < dark


@pytest.fixture(scope="module")
def moonlit_windows(ephemeris: Ephemeris) -> RowSpans:
    return nights_for_sites([SITE], FIRST, NIGHTS, ANY_MOON, ephemeris).windows


def spans_at(most_loss_mag: float, windows: RowSpans, ephemeris: Ephemeris, site: Site = SITE) -> RowSpans:
    table = ephemeris.table(float(windows.start_s[0]), float(windows.end_s[-1]))
    found, source = loss_spans([replace(SKY, site=site)], table, Target(), most_loss_mag, windows)
    assert (np.diff(source) >= 0).all()
    assert (windows.start_s[source] <= found.start_s).all()
    assert (found.end_s <= windows.end_s[source]).all()
    return found


def total_s(spans: RowSpans) -> float:
    return float((spans.end_s - spans.start_s).sum())


@pytest.mark.parametrize("most_loss_mag", LOSS_WISHES_MAG)
def test_windows_by_loss_are_what_counting_every_ten_seconds_finds(
    most_loss_mag: float, moonlit_windows: RowSpans, ephemeris: Ephemeris
) -> None:
    windows = moonlit_windows.pick(np.arange(12))
    found = spans_at(most_loss_mag, windows, ephemeris)
    table = ephemeris.table(float(windows.start_s[0]), float(windows.end_s[-1]))
    counted_s = 0.0
    for start_s, end_s in zip(windows.start_s, windows.end_s, strict=True):
        at_s = np.arange(start_s, end_s, 10.0)
        holds = sky_at(SKY, Target(), at_s, table).loss_mag <= most_loss_mag
        inside = [(found.start_s <= t) & (t < found.end_s) for t in at_s]
        differ = holds != np.array([one.any() for one in inside])
        assert differ.sum() <= 2
        counted_s += 10.0 * holds.sum()
    assert total_s(found) == pytest.approx(counted_s, abs=20 * len(windows))


def test_the_moonless_windows_are_all_in(moonlit_windows: RowSpans, ephemeris: Ephemeris) -> None:
    found = spans_at(0.1, moonlit_windows, ephemeris)
    moonless = nights_for_sites([SITE], FIRST, NIGHTS, SkyWishes(), ephemeris).windows
    middles = (moonless.start_s + moonless.end_s) / 2
    for start_s, middle_s, end_s in zip(moonless.start_s, middles, moonless.end_s, strict=True):
        holder = (found.start_s <= middle_s) & (middle_s < found.end_s)
        assert holder.sum() == 1
        assert found.start_s[holder][0] <= start_s + 60
        assert found.end_s[holder][0] >= end_s - 60


def test_who_accepts_more_gets_more(moonlit_windows: RowSpans, ephemeris: Ephemeris) -> None:
    totals = [total_s(spans_at(wish, moonlit_windows, ephemeris)) for wish in LOSS_WISHES_MAG]
    moonless = nights_for_sites([SITE], FIRST, NIGHTS, SkyWishes(), ephemeris).windows
    assert total_s(moonless) < totals[0] < totals[1] < totals[2] < total_s(moonlit_windows)


def test_spans_are_ascending_disjoint_and_inside(moonlit_windows: RowSpans, ephemeris: Ephemeris) -> None:
    found = spans_at(0.3, moonlit_windows, ephemeris)
    assert (found.start_s < found.end_s).all()
    assert (found.end_s[:-1] <= found.start_s[1:]).all()
    index = np.searchsorted(moonlit_windows.start_s, found.start_s, side="right") - 1
    assert (moonlit_windows.start_s[index] <= found.start_s).all()
    assert (found.end_s <= moonlit_windows.end_s[index]).all()


def test_many_sites_get_what_each_gets_alone(ephemeris: Ephemeris) -> None:
    sites = [SITE, Site("South", -35.0, 20.0), Site("Equator", 0.0, -70.0)]
    skies = [site_sky(site, NO_TOWNS) for site in sites]
    nights = nights_for_sites(sites, FIRST, 20, ANY_MOON, ephemeris)
    together, _ = loss_spans(skies, nights.table, Target(), 0.3, nights.windows)
    for row, sky in enumerate(skies):
        own = nights.windows.pick(nights.windows.row == row)
        own = RowSpans(np.zeros_like(own.row), own.start_s, own.end_s)
        alone, _ = loss_spans([sky], nights.table, Target(), 0.3, own)
        mine = together.pick(together.row == row)
        assert mine.start_s == pytest.approx(alone.start_s, abs=1e-3)
        assert mine.end_s == pytest.approx(alone.end_s, abs=1e-3)


def test_a_ridge_before_the_moon_changes_no_window(moonlit_windows: RowSpans, ephemeris: Ephemeris) -> None:
    walled = Site("Here", 30.0, 10.0, 500.0, horizon=HorizonLine((0.0, 180.0), (40.0, 40.0)))
    open_to = spans_at(0.3, moonlit_windows, ephemeris)
    behind = spans_at(0.3, moonlit_windows, ephemeris, walled)
    assert open_to.start_s.tolist() == behind.start_s.tolist()


def test_no_windows_in_means_none_out(ephemeris: Ephemeris) -> None:
    none = RowSpans(np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0))
    found, source = loss_spans([SKY], ephemeris.table(1.78e9, 1.79e9), Target(), 0.3, none)
    assert len(found) == len(source) == 0


def spans_of(span: Span, most_loss_mag: float, ephemeris: Ephemeris) -> list[tuple[float, float]]:
    """What is left of one span, in seconds after its start."""
    start_s, end_s = span.start.timestamp(), span.end.timestamp()
    whole = RowSpans(np.zeros(1, dtype=np.intp), np.array([start_s]), np.array([end_s]))
    found, _ = loss_spans([SKY], ephemeris.table(start_s, end_s), Target(), most_loss_mag, whole)
    return list(zip((found.start_s - start_s).tolist(), (found.end_s - start_s).tolist(), strict=True))


def test_a_night_without_a_moon_is_whole_and_one_with_a_full_moon_is_gone(ephemeris: Ephemeris) -> None:
    """New Moon on 15 June 2026, 02:54 (USNO): all of the night is within any wish."""
    span = Span(datetime(2026, 6, 14, 21, tzinfo=UTC), datetime(2026, 6, 15, 2, tzinfo=UTC))
    assert spans_of(span, 0.1, ephemeris) == [(0, 5 * 3600)]
    full = Span(span.start + timedelta(days=15), span.end + timedelta(days=15))
    assert spans_of(full, 0.6, ephemeris) == []


def test_a_span_shorter_than_a_minute_is_looked_at_too(ephemeris: Ephemeris) -> None:
    start = datetime(2026, 6, 14, 22, tzinfo=UTC)
    span = Span(start, start + timedelta(seconds=7))
    assert spans_of(span, 0.3, ephemeris) == [(0, 7)]


def test_smoke_makes_the_moon_cost_more(ephemeris: Ephemeris) -> None:
    at_s = posix_s(datetime(2026, 6, 20, 20, tzinfo=UTC)) + np.arange(0, 5 * 3600, 60.0)
    table = ephemeris.table(at_s[0], at_s[-1])
    clear, smoky = ((sky_at(SKY, Target(), at_s, table, aod).loss_mag <= 0.6).sum() for aod in (0.0, 1.0))
    assert smoky < clear


@pytest.mark.parametrize("wish", [0.0, -0.3, 3.1, float("nan"), float("inf")])
def test_a_wish_out_of_range_is_refused(wish: float) -> None:
    with pytest.raises(BadInput, match="above 0 and up to 3 mag"):
        require_loss_wish(wish)


@pytest.mark.parametrize("wish", LOSS_WISHES_MAG)
def test_the_wishes_offered_are_good_ones(wish: float) -> None:
    assert require_loss_wish(wish) == wish


@UNHURRIED
@given(after_s=st.floats(0, 86_400 * 365))
def test_loss_is_never_below_zero_and_zero_in_moonless_darkness(ephemeris: Ephemeris, after_s: float) -> None:
    at_s = np.array([1.78e9 + after_s])
    table = ephemeris.table(at_s[0], at_s[0])
    parts = sky_at(SKY, Target(), at_s, table)
    assert parts.loss_mag >= 0
    if parts.moon_nl == 0 and parts.twilight_nl == 0:
        assert parts.loss_mag == 0


def test_the_loss_of_one_time_is_that_of_many(ephemeris: Ephemeris) -> None:
    start = datetime(2026, 6, 20, 20, tzinfo=UTC)
    at_s = posix_s(start) + np.arange(0, 3600, 60.0)
    table = ephemeris.table(at_s[0], at_s[-1])
    many = sky_at(SKY, Target(), at_s, table).loss_mag
    assert many[17] == pytest.approx(sky_at(SKY, Target(), at_s[17:18], table).loss_mag[0])
