"""Sky wishes as people write them: `core`, `band`, `winter`, `none`, or a named right ascension."""

from __future__ import annotations

import re

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, phrase, say
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
        raise BadInput(phrase("sky.target-unreadable", text=text))
    ra_deg, dec_deg = _number(match["ra"]), _number(match["dec"])
    if not 0 <= ra_deg < 360:
        raise BadInput(phrase("sky.target-ra-range", ra_deg=ra_deg))
    if not -90 <= dec_deg <= 90:
        raise BadInput(phrase("sky.target-dec-range", dec_deg=dec_deg))
    return Target(TargetKind.RADEC, match["name"].strip(), ra_deg, dec_deg)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise BadInput(phrase("sky.degrees-unreadable", text=text)) from None


def shape_phrase(shape: Shape) -> Phrase:
    """The shape as inside a sentence: `a low arch`."""
    return phrase(f"sky.shape-{shape}")


def shape_label(shape: Shape) -> str:
    """The shape by itself: `low arch`, `overhead`."""
    return say(f"sky.label-{shape}")


def target_name(target: Target) -> str:
    """What the target is called inside a sentence."""
    return say(target_phrase(target))


def target_phrase(target: Target) -> Phrase:
    """What the target is called inside a sentence."""
    if target.name:
        return phrase("sky.target-named", name=target.name)
    return phrase("sky.target", kind=target.kind)
