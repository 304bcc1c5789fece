"""Shutter, aperture and ISO for stars on a fixed tripod: rules of thumb, and what they really cost.

A camera's times are powers of two, whatever is marked on it: its 30 s last 32 s, its 15 s 16 s, its 25 s
25.4 s (ISO 516's series). Times are told as marked; trails, sums and whatever is reckoned exactly go by the
true ones.

The rules bound how far a star trails. Rules of thumb are made for marked times and brought down to the next
of them: 25.0 s stays 25 s. What is reckoned from the sensor is brought down to the next true time. Beside
each stands the trail it gives on this sensor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from alerts.common.phrases import Phrase, Worded, phrase
from alerts.field.kit import Kit

SIDEREAL_ARCSEC_PER_S = 15.041067
"""Turn of the sky, arcseconds of hour angle a second; Explanatory Supplement: 360° in 86,164.0905 s."""
ARCSEC_PER_RADIAN = 206_264.806
STRICT_TRAIL_PX = 2.0
"""A trail of up to two pixels still looks like a point (common practice)."""
CORE_DEC_DEG = -28.936
"""Declination (J2000) of the direction l = b = 0."""

HIGHEST_DEC_DEG = 89.0
"""NPF has no limit at the pole itself; nearer to it than this its figure is held."""

NEAREST_F, FARTHEST_F = 2.0, 2.8
SLOW_LENS_F = 4.0
ISO_THIRDS_AT_START = 18  # ISO 6400
START_APERTURE_THIRDS = 9  # f/2.8
START_SHUTTER_THIRDS = (13, 14)  # 20 s and 25 s
ISO_LOWEST, ISO_HIGHEST = 9, 21  # ISO 800 and 12800
LONG_MM = 50.0
STACKED = 8
"""Identical frames to average (common practice: noise falls by the root of their number)."""
DARKS = 2
"""Frames with the cap on, at the same settings and temperature, to find warm pixels."""


@dataclass(frozen=True, slots=True)
class Aperture(Worded):
    """The f-number to set, and why."""

    f_number: float
    why: Phrase


@dataclass(frozen=True, slots=True)
class Iso(Worded):
    """The ISO to start with, and why."""

    value: int
    why: Phrase


@dataclass(frozen=True, slots=True)
class ShutterRule(Worded):
    """One way to bound the shutter time.

    is_thumb: a rule of thumb; else reckoned from this sensor. limit_s: what the rule gives; set_s: the
    next shutter time at or below it, as marked. core_px, worst_px: trail over set_s's true time where the
    core stands in the frame, and where in the frame's sky it is longest.
    """

    name: Phrase
    is_thumb: bool
    limit_s: float
    set_s: float
    core_px: float
    worst_px: float


@dataclass(frozen=True, slots=True)
class TrailRates:
    """How fast stars cross the sensor, in pixels a second: at the core, and worst in the frame."""

    core_px_s: float
    worst_px_s: float


@dataclass(frozen=True, slots=True)
class Exposure(Worded):
    """What to set, and what it costs.

    shutter_s: by the rule of 500, the usual start, as marked; rules: all of them, that one first.
    core_px, worst_px: the trail over its true time. hints: sentences for lenses that need one.
    """

    aperture: Aperture
    shutter_s: float
    iso: Iso
    rules: tuple[ShutterRule, ...]
    core_px: float
    worst_px: float
    hints: tuple[Phrase, ...] = ()

    @property
    def recipes(self) -> tuple[Recipe, Recipe]:
        """The two ways to take the stars: short frames to be stacked, and a single long one.

        Stacked: as long as stars stay within two pixels where the subject stands, never longer than the
        single one, and as many as one averages. Single: by the rule of 500.
        """
        start = self.rules[0]
        exact = next(rule for rule in self.rules if not rule.is_thumb)
        sharp = exact if exact.set_s < start.set_s else start
        f_number = self.aperture.f_number
        return (
            Recipe(RecipeKind.STACK, f_number, iso_for(f_number, sharp.set_s), sharp, STACKED, DARKS),
            Recipe(RecipeKind.SINGLE, f_number, self.iso, start, 1, 0),
        )


class RecipeKind(StrEnum):
    """How the stars are taken."""

    STACK = "stack"  # sharp stars, several frames to be stacked
    SINGLE = "single"  # one frame


@dataclass(frozen=True, slots=True)
class Recipe:
    """One way to take the stars: what to set, how many frames, and dark frames after them.

    rule: what bounds the shutter time; its set_s is the time to set, its core_px and worst_px the trails.
    """

    kind: RecipeKind
    f_number: float
    iso: Iso
    rule: ShutterRule
    frames: int
    darks: int

    @property
    def shutter_s(self) -> float:
        """As marked."""
        return self.rule.set_s


def rule500_s(equivalent_mm: float) -> float:
    """500 over the full-frame equivalent focal length in mm (common practice)."""
    return 500.0 / equivalent_mm


def npf_simple_s(f_number: float, pitch_um: float, focal_mm: float) -> float:
    """(35 N + 30 p) / f. Source: F. Michaud, Société astronomique du Havre, 2016."""
    return (35.0 * f_number + 30.0 * pitch_um) / focal_mm


def npf_full_s(
    f_number: float, pitch_um: float, focal_mm: float, dec_deg: float, relaxed: float = 1.0
) -> float:
    """k (16.856 N + 0.0997 f + 13.713 p) / (f cos δ), k = 1 strict. Source as `npf_simple_s`.

    Raises ValueError at the celestial poles, where nothing trails.
    """
    cos_dec = math.cos(math.radians(dec_deg))
    if cos_dec < 1e-9:
        raise ValueError(phrase("field.pole"))
    wide = 16.856 * f_number + 0.0997 * focal_mm + 13.713 * pitch_um
    return relaxed * wide / (focal_mm * cos_dec)


def pixel_arcsec(focal_mm: float, pitch_um: float) -> float:
    """Angle of one pixel in the middle of the frame, arcseconds."""
    return ARCSEC_PER_RADIAN * pitch_um / 1000 / focal_mm


def middle_trail_px(exposure_s: float, focal_mm: float, pitch_um: float, dec_deg: float) -> float:
    """Trail in pixels of a star in the middle of the frame, for a small field."""
    path_arcsec = SIDEREAL_ARCSEC_PER_S * math.cos(math.radians(dec_deg)) * exposure_s
    return path_arcsec / pixel_arcsec(focal_mm, pitch_um)


def aperture_for(kit: Kit) -> Aperture:
    """Wide open at f/2.8 and slower; one stop down from a faster lens, within f/2 to f/2.8.

    Common practice: fast lenses draw winged stars in the corners when they are wide open.
    """
    widest = kit.lens.widest_f
    if widest >= FARTHEST_F:
        return Aperture(widest, phrase("field.aperture-wide-open", is_slow=widest > SLOW_LENS_F))
    stopped = nominal_aperture(min(max(widest * math.sqrt(2), NEAREST_F), FARTHEST_F))
    return Aperture(stopped, phrase("field.aperture-stopped-down", widest_f=widest))


def iso_for(f_number: float, shutter_s: float) -> Iso:
    """ISO 6400 at f/2.8 and 20–25 s, scaled to this aperture and shutter, held within 800–12800.

    Common practice for an unlit place without a Moon.
    """
    slow, fast = START_SHUTTER_THIRDS
    thirds_of_time = shutter_thirds(shutter_s)
    beyond = min(thirds_of_time - slow, 0) + max(thirds_of_time - fast, 0)
    wanted = ISO_THIRDS_AT_START + aperture_thirds(f_number) - START_APERTURE_THIRDS - beyond
    held = min(max(wanted, ISO_LOWEST), ISO_HIGHEST)
    iso = ISOS[held]
    set_to: dict[str, Any] = {"f_number": f_number, "shutter": say_shutter(shutter_s), "iso": iso}
    if wanted > held:
        whole, rest = divmod(wanted - held, 3)
        stops = f"{whole}" * bool(whole) + ("", "⅓", "⅔")[rest]
        dark = phrase("field.stops", is_several=wanted - held > 3, stops=stops)
        return Iso(iso, phrase("field.iso-most", **set_to, dark=dark))
    if wanted < held:
        return Iso(iso, phrase("field.iso-least", **set_to))
    if held != ISO_THIRDS_AT_START:
        return Iso(iso, phrase("field.iso-scaled", **set_to))
    return Iso(iso, phrase("field.iso-usual"))


def exposure_for(kit: Kit, rates: TrailRates, dec_deg: float = CORE_DEC_DEG) -> Exposure:
    """What to set for stars with this kit. rates: from `projection.trail_rates`.

    dec_deg: declination of the target, for NPF.
    """
    aperture = aperture_for(kit)
    pitch, focal, equivalent = kit.camera.pitch_um, kit.focal_mm, kit.equivalent_mm
    held_dec_deg = min(max(dec_deg, -HIGHEST_DEC_DEG), HIGHEST_DEC_DEG)
    longest_s = rule500_s(equivalent)
    limits = (
        (phrase("field.rule-500"), True, longest_s),
        (phrase("field.rule-npf-simple"), True, npf_simple_s(aperture.f_number, pitch, focal)),
        (phrase("field.rule-npf-full"), True, npf_full_s(aperture.f_number, pitch, focal, held_dec_deg)),
        (phrase("field.rule-strict-core"), False, STRICT_TRAIL_PX / rates.core_px_s),
        (phrase("field.rule-strict-frame"), False, STRICT_TRAIL_PX / rates.worst_px_s),
    )
    rules = []
    for name, is_thumb, limit_s in limits:
        set_s = nominal_shutter_s(limit_s) if is_thumb else exact_shutter_s(limit_s)
        lasts_s = true_shutter_s(set_s)
        trails_px = lasts_s * rates.core_px_s, lasts_s * rates.worst_px_s
        rules.append(ShutterRule(name, is_thumb, limit_s, set_s, *trails_px))
    start = rules[0]
    hints = []
    if kit.lens.longest_mm is not None:
        hints.append(phrase("field.hint-zoom", focal_mm=focal))
    if kit.lens.fisheye:
        hints.append(phrase("field.hint-fisheye"))
    if equivalent > LONG_MM:
        shutter = say_shutter(start.set_s)
        hints.append(phrase("field.hint-tracking", equivalent_mm=equivalent, shutter=shutter))
    if longest_s > true_shutter_s(LONGEST_SHUTTER_S):
        hints.append(phrase("field.hint-remote", rule500_s=longest_s))
    return Exposure(
        aperture=aperture,
        shutter_s=start.set_s,
        iso=iso_for(aperture.f_number, start.set_s),
        rules=tuple(rules),
        core_px=start.core_px,
        worst_px=start.worst_px,
        hints=tuple(hints),
    )


LONGEST_SHUTTER_S = 30.0


# What a camera can be set to, in thirds of a stop: a step k stands for an aperture of 2^(k/6), a time of
# 2^(k/3) s, an ISO of 100 · 2^(k/3). The marked (nominal) values differ from these by up to 0.15 stop.
# Series of APEX (ASA PH2.5, PH2.12), ISO 516, ISO 517, ISO 2720 and ISO 2721.
SHUTTERS = (
    (30.0, 15), (25.0, 14), (20.0, 13), (15.0, 12), (13.0, 11), (10.0, 10), (8.0, 9), (6.0, 8), (5.0, 7),
    (4.0, 6), (3.2, 5), (2.5, 4), (2.0, 3), (1.6, 2), (1.3, 1), (1.0, 0), (0.8, -1), (0.6, -2), (0.5, -3),
    (0.4, -4), (0.3, -5), (1 / 4, -6), (1 / 5, -7), (1 / 6, -8), (1 / 8, -9), (1 / 10, -10), (1 / 13, -11),
    (1 / 15, -12), (1 / 20, -13), (1 / 25, -14), (1 / 30, -15), (1 / 40, -16), (1 / 50, -17), (1 / 60, -18),
)  # fmt: skip
"""Nominal seconds and step, longest first."""


APERTURES = (
    1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0,
    10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0,
)  # fmt: skip
"""Nominal f-numbers of steps 0 to 27."""


ISOS = (
    100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000,
    6400, 8000, 10000, 12800, 16000, 20000, 25600,
)  # fmt: skip
"""Nominal ISO values of steps 0 to 24."""


_SLACK = 1e-9


def nominal_shutter_s(limit_s: float) -> float:
    """The longest nominal time at or below the limit; 30 s beyond that, 1/60 s at the shortest."""
    return next((nominal for nominal, _ in SHUTTERS if nominal <= limit_s * (1 + _SLACK)), SHUTTERS[-1][0])


def exact_shutter_s(limit_s: float) -> float:
    """The longest marked time that truly lasts no longer than the limit; bounds as `nominal_shutter_s`."""
    fitting = (nominal for nominal, step in SHUTTERS if 2 ** (step / 3) <= limit_s * (1 + _SLACK))
    return next(fitting, SHUTTERS[-1][0])


def true_shutter_s(shutter_s: float) -> float:
    """How long a marked time lasts: 32 s where 30 s is marked."""
    return float(2 ** (shutter_thirds(shutter_s) / 3))


def shutter_thirds(shutter_s: float) -> int:
    """The step of a nominal time; the nearest one of any other."""
    return min(SHUTTERS, key=lambda entry: abs(math.log2(entry[0] / shutter_s)))[1]


def aperture_thirds(f_number: float) -> int:
    """The step of a nominal f-number; the nearest one of any other (f/1.7, f/0.95)."""
    if f_number in APERTURES:
        return APERTURES.index(f_number)
    return round(6 * math.log2(f_number))


def nominal_aperture(f_number: float) -> float:
    """The nominal f-number nearest to any other, f/1 to f/22."""
    return APERTURES[min(max(aperture_thirds(f_number), 0), len(APERTURES) - 1)]


def say_shutter(shutter_s: float) -> str:
    """`25 s`, `3.2 s`, `1/4 s`: as cameras show it."""
    if shutter_s >= 0.3:
        return f"{shutter_s:g} s"
    return f"1/{round(1 / shutter_s)} s"
