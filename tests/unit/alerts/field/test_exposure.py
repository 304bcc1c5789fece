"""Shutter, aperture and ISO against published figures and the engraved series."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.field.exposure import (
    APERTURES,
    CORE_DEC_DEG,
    ISOS,
    SHUTTERS,
    TrailRates,
    aperture_for,
    aperture_thirds,
    exact_shutter_s,
    exposure_for,
    iso_for,
    middle_trail_px,
    nominal_aperture,
    nominal_shutter_s,
    npf_full_s,
    npf_simple_s,
    pixel_arcsec,
    rule500_s,
    say_shutter,
    shutter_thirds,
    true_shutter_s,
)
from alerts.field.kit import DEFAULT_KIT, FORMATS, FULL_FRAME, Kit, Lens
from tests.unit.alerts.field.tables import rows_of

TRAILS = rows_of("star-trails.csv")
SERIES = rows_of("exposure-series.csv")
SLOW = TrailRates(core_px_s=0.2145, worst_px_s=0.45)


def seconds(text: str) -> float:
    """`1/30` and `0.5` as seconds."""
    over, _, under = text.partition("/")
    return float(over) / float(under or 1)


@pytest.mark.parametrize(
    "row", TRAILS, ids=lambda row: f"{row['focal_mm']}mm f{row['f_number']} {row['dec_deg']}"
)
def test_rules_and_trails_agree_with_the_table(row: dict[str, str]) -> None:
    focal_mm, f_number, pitch_um, dec_deg = (
        float(row[name]) for name in ("focal_mm", "f_number", "pitch_um", "dec_deg")
    )
    rule_s, full_s = rule500_s(focal_mm), npf_full_s(f_number, pitch_um, focal_mm, dec_deg)
    assert rule_s == pytest.approx(float(row["rule500_s"]), abs=0.006)
    assert npf_simple_s(f_number, pitch_um, focal_mm) == pytest.approx(float(row["npf_simple_s"]), abs=0.006)
    assert full_s == pytest.approx(float(row["npf_full_k1_s"]), abs=0.006)
    assert pixel_arcsec(focal_mm, pitch_um) == pytest.approx(float(row["pixel_arcsec"]), abs=0.001)
    for exposure_s, column in ((rule_s, "rule500"), (full_s, "npf_full"), (20.0, "20s")):
        name = f"trail_px_{column}" if column == "20s" else f"trail_px_at_{column}"
        trail_px = middle_trail_px(exposure_s, focal_mm, pitch_um, dec_deg)
        assert trail_px == pytest.approx(float(row[name]), abs=0.006)
    two_px_s = 2 / middle_trail_px(1, focal_mm, pitch_um, dec_deg)
    assert two_px_s == pytest.approx(float(row["max_s_2px"]), abs=0.006)


@pytest.mark.parametrize(
    ("equivalent_mm", "limit_s", "set_s"),
    [
        (20, 25.0, 25.0),
        (17, 29.4, 25.0),
        (14, 35.7, 30.0),
        (24, 20.8, 20.0),
        (35, 14.3, 13.0),
        (50, 10.0, 10.0),
        (200, 2.5, 2.5),
        (1000, 0.5, 0.5),
    ],
    ids=lambda value: f"{value:g}",
)
def test_rule_of_500_comes_down_to_a_time_that_cameras_have(
    equivalent_mm: float, limit_s: float, set_s: float
) -> None:
    """Common practice: 500 over the full-frame focal length; 20 mm gives 25 s, 17 mm 29 s, set to 25 s."""
    assert rule500_s(equivalent_mm) == pytest.approx(limit_s, abs=0.05)
    assert nominal_shutter_s(rule500_s(equivalent_mm)) == set_s


def test_npf_example() -> None:
    """20 mm, f/2.8, 4.35 µm: 11.4 s by the simple form, 6.22 s by the full one at declination −29."""
    assert npf_simple_s(2.8, 4.35, 20) == pytest.approx(11.4, abs=0.05)
    assert npf_full_s(2.8, 4.35, 20, -29) == pytest.approx(6.22, abs=0.005)
    assert npf_full_s(2.8, 4.35, 20, -29, relaxed=2) == pytest.approx(12.44, abs=0.01)


def test_npf_has_no_limit_where_stars_stand_still() -> None:
    with pytest.raises(ValueError, match="pole"):
        npf_full_s(2.8, 4.35, 20, 90)


def test_series_are_the_engraved_ones() -> None:
    """ISO 517, ISO 2720, ISO 2721, APEX: see tests/data/kit."""
    shutters = {(seconds(r["nominal"]), int(r["k_thirds"])) for r in SERIES if r["kind"] == "shutter"}
    assert set(SHUTTERS) == shutters
    assert [float(r["nominal"]) for r in SERIES if r["kind"] == "aperture"] == list(APERTURES)
    assert [int(r["nominal"]) for r in SERIES if r["kind"] == "iso"] == list(ISOS)


@pytest.mark.parametrize("row", SERIES, ids=lambda row: f"{row['kind']} {row['nominal']}")
def test_exact_values_find_their_step(row: dict[str, str]) -> None:
    exact, thirds = seconds(row["exact"]), int(row["k_thirds"])
    if row["kind"] == "shutter":
        assert shutter_thirds(exact) == thirds
    elif row["kind"] == "aperture":
        assert aperture_thirds(exact) == thirds
        assert nominal_aperture(exact) == float(row["nominal"])
    else:
        assert ISOS[thirds] == pytest.approx(exact, rel=0.11)  # 0.15 stop


@pytest.mark.parametrize("row", [r for r in SERIES if r["kind"] == "shutter"], ids=lambda row: row["nominal"])
def test_a_marked_time_lasts_what_the_series_says(row: dict[str, str]) -> None:
    """t = 2^(k/3): 30 s are 32, 15 s are 16, 25 s are 25.4."""
    assert true_shutter_s(seconds(row["nominal"])) == pytest.approx(float(row["exact"]), rel=1e-5)


@pytest.mark.parametrize(
    ("limit_s", "set_s"),
    [(32, 30), (31.9, 25), (25.3, 20), (16, 15), (15.9, 13), (12.7, 13), (6.3, 5), (6.35, 6)],
)
def test_what_is_reckoned_exactly_comes_down_to_a_true_time(limit_s: float, set_s: float) -> None:
    assert exact_shutter_s(limit_s) == set_s


@given(st.floats(min_value=1 / 60, max_value=1e5))
def test_a_shutter_is_never_longer_than_its_limit(limit_s: float) -> None:
    found = nominal_shutter_s(limit_s)
    assert found <= limit_s * (1 + 1e-9)
    longer = [nominal for nominal, _ in SHUTTERS if found < nominal]
    assert all(nominal > limit_s for nominal in longer)


@pytest.mark.parametrize(
    ("shutter_s", "said"), [(25, "25 s"), (3.2, "3.2 s"), (0.5, "0.5 s"), (0.25, "1/4 s"), (1 / 60, "1/60 s")]
)
def test_shutters_are_written_as_cameras_show_them(shutter_s: float, said: str) -> None:
    assert say_shutter(shutter_s) == said


@pytest.mark.parametrize(
    ("widest_f", "set_f", "words"),
    [
        (1.2, 2.0, "stopped down"),
        (1.4, 2.0, "stopped down"),
        (1.8, 2.5, "stopped down"),
        (2.0, 2.8, "stopped down"),
        (2.4, 2.8, "stopped down"),
        (2.8, 2.8, "wide open"),
        (3.5, 3.5, "wide open"),
        (4.0, 4.0, "wide open"),
        (5.6, 5.6, "slow lens"),
    ],
)
def test_aperture_is_wide_open_or_stopped_down_to_f2_to_f2_8(
    widest_f: float, set_f: float, words: str
) -> None:
    """Common practice: f/2.8 to f/4 wide open; faster lenses toward f/2–f/2.8 for the corners."""
    found = aperture_for(Kit(FULL_FRAME, Lens(20, widest_f)))
    assert found.f_number == set_f
    assert words in str(found.why)


@pytest.mark.parametrize(
    ("f_number", "shutter_s", "iso", "words"),
    [
        (2.8, 25, 6400, "usual start"),
        (2.8, 20, 6400, "usual start"),
        (2.8, 30, 5000, "make it 5000"),
        (2.8, 15, 8000, "make it 8000"),
        (2.8, 10, 12800, "make it 12800"),
        (2.0, 20, 3200, "make it 3200"),
        (2.0, 10, 6400, "usual start"),
        (4.0, 25, 12800, "make it 12800"),
        (4.0, 10, 12800, "up to 1 stop dark"),
        (5.6, 25, 12800, "up to 1 stop dark"),
        (2.8, 5, 12800, "up to 1 stop dark"),
        (4.0, 5, 12800, "up to 2 stops dark"),
        (1.0, 30, 800, "ask for less, but 800 is the least"),
    ],
)
def test_iso_starts_from_6400_at_f2_8_and_20_to_25_s(
    f_number: float, shutter_s: float, iso: int, words: str
) -> None:
    """Common practice, scaled by thirds of a stop and held within 800–12800."""
    found = iso_for(f_number, shutter_s)
    assert found.value == iso
    assert words in str(found.why)


@given(st.sampled_from(APERTURES), st.sampled_from([nominal for nominal, _ in SHUTTERS]))
def test_iso_keeps_the_exposure_unless_it_is_held(f_number: float, shutter_s: float) -> None:
    """EV100 = log2(N²/t) − log2(S/100) stays within a third of a stop over 20–25 s at f/2.8 and ISO 6400."""
    found = iso_for(f_number, shutter_s).value
    if not 800 < found < 12800:
        return
    ev = math.log2(f_number**2 / shutter_s) - math.log2(found / 100)
    assert math.log2(2.8**2 / 25 / 64) - 0.35 <= ev <= math.log2(2.8**2 / 20 / 64) + 0.35


def test_exposure_of_the_usual_kit() -> None:
    found = exposure_for(DEFAULT_KIT, SLOW, CORE_DEC_DEG)
    assert (found.shutter_s, found.aperture.f_number, found.iso.value) == (25.0, 2.8, 6400)
    assert found.core_px == pytest.approx(0.2145 * 2 ** (14 / 3))  # 25 s last 25.4 s
    assert [(str(rule.name), rule.set_s) for rule in found.rules] == [
        ("rule of 500", 25.0),
        ("the simple NPF rule", 13.0),
        ("the full NPF rule", 6.0),
        ("2 px at the core", 8.0),
        ("2 px in all of the frame", 4.0),
    ]
    assert [rule.is_thumb for rule in found.rules] == [True, True, True, False, False]
    assert found.hints == ()


def test_there_are_two_ways_to_take_the_stars() -> None:
    """Common practice: eight identical frames and two darks to be stacked, or one by the rule of 500."""
    stacked, single = exposure_for(DEFAULT_KIT, SLOW, CORE_DEC_DEG).recipes
    assert (stacked.frames, stacked.darks, stacked.shutter_s, stacked.iso.value) == (8, 2, 8.0, 12800)
    assert stacked.rule.core_px <= 2
    assert (single.frames, single.darks, single.shutter_s, single.iso.value) == (1, 0, 25.0, 6400)
    # a faster lens takes a lower ISO
    fast, slow = (exposure_for(Kit(FULL_FRAME, Lens(20, f)), SLOW).recipes[1] for f in (1.4, 2.8))
    assert (fast.f_number, fast.iso.value) == (2.0, 3200)
    assert fast.iso.value < slow.iso.value


def test_at_the_pole_frames_to_be_stacked_are_no_longer_than_the_single_one() -> None:
    stacked, single = exposure_for(DEFAULT_KIT, TrailRates(1e-6, 0.45), 89).recipes
    assert stacked.shutter_s == single.shutter_s == 25.0


def test_shutter_goes_by_the_equivalent_focal_length() -> None:
    """12 mm on four thirds sees as 24 mm on full frame: 20.8 s, so 20 s."""
    found = exposure_for(Kit(FORMATS["four thirds"], Lens(12, 2.0)), SLOW)
    assert found.shutter_s == 20.0


@pytest.mark.parametrize(
    ("lens", "words"),
    [
        (Lens(16, 2.8, longest_mm=35), "zoom at 16 mm"),
        (Lens(12, 2.8, fisheye=True), "fisheye bends the horizon"),
        (Lens(85, 1.8), "At 85 mm (full-frame equivalent) a fixed tripod allows only 5 s"),
        (Lens(12, 2.8), "cameras stop at 30 s"),
    ],
    ids=["zoom", "fisheye", "long", "very wide"],
)
def test_lenses_that_need_a_hint_get_one(lens: Lens, words: str) -> None:
    assert any(words in str(hint) for hint in exposure_for(Kit(FULL_FRAME, lens), SLOW).hints)
