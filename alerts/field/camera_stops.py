"""The shutter times, apertures and ISO values a camera can be set to, in thirds of a stop.

A step k stands for an aperture of 2^(k/6), a time of 2^(k/3) s, an ISO of 100 · 2^(k/3); the
engraved (nominal) values differ from these by up to 0.15 stop. Series of APEX (ASA PH2.5, PH2.12),
ISO 517, ISO 2720 and ISO 2721.
"""

from __future__ import annotations

import math

LONGEST_SHUTTER_S = 30.0

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


def nominal_iso(thirds: int) -> int:
    return ISOS[thirds]


def say_shutter(shutter_s: float) -> str:
    """`25 s`, `3.2 s`, `1/4 s`: as cameras show it."""
    if shutter_s >= 0.3:
        return f"{shutter_s:g} s"
    return f"1/{round(1 / shutter_s)} s"
