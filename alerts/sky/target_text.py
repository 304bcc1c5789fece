"""Sky wishes as people write them: `core`, `band`, `winter`, `none`, or a named right ascension."""

from __future__ import annotations

import re

from alerts.common.errors import BadInput
from alerts.sky.milky_way_band import WINTER_ARC_L_DEG
from alerts.sky.night import Shape, Target, TargetKind

_PLAIN = {
    "core": Target(TargetKind.CORE),
    "band": Target(TargetKind.BAND),
    "winter": Target(TargetKind.BAND, arc_l_deg=WINTER_ARC_L_DEG),
    "none": Target(TargetKind.NONE),
}
_RADEC = re.compile(r"^\s*(?P<name>[^:=]+?)\s*[:=]\s*(?P<ra>[+-]?[\d.]+)\s*,\s*(?P<dec>[+-]?[\d.]+)\s*$")


def parse_target(text: str) -> Target:
    """The target of `core`, `band`, `winter` (the band from l 120° to 240°), `none` or
    `NAME=RA,DEC` (J2000 degrees). BadInput says these when it is none of them."""
    plain = _PLAIN.get(text.strip().lower())
    if plain is not None:
        return plain
    match = _RADEC.match(text)
    if match is None:
        raise BadInput(
            f"{text!r} is no target; write core, band, winter, none, or NAME=RA,DEC in J2000 degrees, "
            "such as Andromeda=10.68,41.27."
        )
    ra_deg, dec_deg = _number(match["ra"]), _number(match["dec"])
    if not 0 <= ra_deg < 360:
        raise BadInput(f"right ascension {ra_deg:g} is outside 0..360 degrees; hours times 15 are degrees.")
    if not -90 <= dec_deg <= 90:
        raise BadInput(f"declination {dec_deg:g} is outside -90..90 degrees.")
    return Target(TargetKind.RADEC, match["name"].strip(), ra_deg, dec_deg)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise BadInput(f"{text!r} is no number of degrees.") from None


SHAPE_WORDS = {
    Shape.ARCH: "low arch",
    Shape.LEANING: "leaning band",
    Shape.COLUMN: "upright column",
    Shape.OVERHEAD: "overhead",
}


SHAPE_NAMES = {
    Shape.ARCH: "a low arch",
    Shape.LEANING: "a leaning band",
    Shape.COLUMN: "an upright column",
    Shape.OVERHEAD: "a band overhead",
}


def target_name(target: Target) -> str:
    """What the target is called inside a sentence."""
    names = {TargetKind.CORE: "the core", TargetKind.BAND: "the Milky Way", TargetKind.NONE: "the sky"}
    return target.name or names.get(target.kind, "the target")
