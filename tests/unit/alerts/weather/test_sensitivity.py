"""What a night hangs on: the one thing and hour that would flip it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from alerts.common.span import Span
from alerts.judging.rules import Result, limit_reasons
from alerts.weather.forecast import Forecast, LayerScheme
from alerts.weather.outlook import Outlook
from alerts.weather.sensitivity import Pivot, find_pivot
from alerts.wishes.model import Wishes
from tests.unit.alerts.weather.values import HOUR, WINDOW, forecast, hour, look, source, with_sight

GO_PCT = 60
TWO_HOURS = 2 * HOUR


def at(index: int) -> Span:
    return Span(WINDOW.start + index * HOUR, WINDOW.start + (index + 1) * HOUR)


def found(
    *forecasts: Forecast, go_pct: int = GO_PCT, shortest: timedelta = TWO_HOURS, **limits: float
) -> Pivot | None:
    def see(changed: Sequence[Forecast]) -> Outlook:
        return look(*changed, shortest=shortest)

    outlook = see(forecasts)
    failing = tuple(
        reason.rule
        for reason in limit_reasons(outlook, Wishes(**limits))  # type: ignore[arg-type]
        if reason.result is Result.FAIL
    )
    return find_pivot(outlook, forecasts, see, go_pct=go_pct, failing=failing)


def night(*clouds: dict[str, float]) -> Forecast:
    """One hour after the other with these layers."""
    return forecast([hour(WINDOW.start + k * HOUR, **cloud) for k, cloud in enumerate(clouds)])


def test_the_layer_that_breaks_the_only_stretch_is_named() -> None:
    """Clear, mid cloud, clear, overcast: without the second hour's mid cloud the first three are one."""
    hinge = found(night({}, {"cloud_mid_pct": 70.0}, {}, {"cloud_low_pct": 100.0}))
    assert hinge is not None
    assert (hinge.thing, hinge.hour, hinge.is_good, hinge.flips) == ("mid cloud", at(1), False, True)
    assert hinge.chance_pct is not None
    assert hinge.otherwise_pct is not None
    assert hinge.chance_pct < GO_PCT <= hinge.otherwise_pct


def test_the_smallest_change_that_flips_is_told() -> None:
    hinge = found(night({}, {"cloud_low_pct": 60.0}, {}, {"cloud_low_pct": 45.0}), shortest=TWO_HOURS)
    assert hinge is not None
    assert hinge.hour == at(3)


def test_a_good_night_that_one_hour_would_undo() -> None:
    hinge = found(night({"cloud_low_pct": 100.0}, {}, {}, {"cloud_low_pct": 100.0}))
    assert hinge is not None
    assert (hinge.thing, hinge.is_good, hinge.flips) == ("cloud", True, True)
    assert hinge.hour in (at(1), at(2))


def test_a_good_night_that_no_hour_undoes() -> None:
    hinge = found(night({}, {}, {}, {}), shortest=HOUR)
    assert hinge is None


def test_a_night_that_no_hour_mends_says_what_weighs_most() -> None:
    overcast = {"cloud_low_pct": 100.0}
    hinge = found(night(overcast, {"cloud_low_pct": 40.0}, overcast, overcast), shortest=HOUR, go_pct=99)
    assert hinge is not None
    assert (hinge.thing, hinge.flips, hinge.chance_pct, hinge.otherwise_pct) == ("low cloud", False, 32, 93)


def test_what_cannot_be_mended_at_all_hangs_on_nothing() -> None:
    overcast = {"cloud_low_pct": 100.0}
    assert found(night(*[overcast] * 4), shortest=4 * HOUR) is None


def test_an_unknown_night_hangs_on_nothing() -> None:
    unknown = forecast([hour(WINDOW.start + k * HOUR, cloud_total_pct=None) for k in range(4)])
    assert found(unknown) is None


def test_a_hazard_that_fails_alone_is_the_hinge() -> None:
    windy = [hour(WINDOW.start + k * HOUR, wind_ms=18.0 if k == 2 else 2.0) for k in range(4)]
    hinge = found(forecast(windy))
    assert hinge is not None
    assert hinge.hazard is not None
    assert (hinge.thing, hinge.hour, hinge.flips) == ("wind", at(2), True)


def test_a_wish_can_make_a_hazard_the_hinge() -> None:
    breezy = [hour(WINDOW.start + k * HOUR, wind_ms=6.0) for k in range(4)]
    assert found(forecast(breezy), go_pct=10) != found(forecast(breezy), go_pct=10, wind_limit_ms=5.0)
    hinge = found(forecast(breezy), wind_limit_ms=5.0)
    assert hinge is not None
    assert hinge.thing == "wind"


def test_two_hazards_or_cloud_besides_leave_none_that_flips() -> None:
    bad = [hour(WINDOW.start + k * HOUR, wind_ms=18.0, thunder_probability_pct=50.0) for k in range(4)]
    hinge = found(forecast(bad))
    assert hinge is not None
    assert not hinge.flips
    cloudy = [hour(WINDOW.start + k * HOUR, wind_ms=18.0, cloud_low_pct=100.0) for k in range(4)]
    hinge = found(forecast(cloudy))
    assert hinge is not None
    assert not hinge.flips


def test_members_clear_with_all_cloud_and_not_with_a_layer() -> None:
    rows = tuple((0.0, 90.0, 0.0, 90.0) for _ in range(10))
    ensemble = forecast(members=rows, layer_scheme=LayerScheme.NONE, source=source("gfs"))
    hinge = found(ensemble)
    assert hinge is not None
    assert (hinge.thing, hinge.hour, hinge.flips) == ("cloud", at(1), True)


def test_what_stands_in_the_view_is_cleared_with_it() -> None:
    blocked = with_sight(
        night({}, {}, {}, {}),
        [hour(WINDOW.start + k * HOUR, cloud_high_pct=100.0 if k == 1 else 0.0) for k in range(4)],
    )
    hinge = found(blocked, shortest=3 * HOUR)
    assert hinge is not None
    assert (hinge.thing, hinge.hour, hinge.flips) == ("high cloud", at(1), True)
