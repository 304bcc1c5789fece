"""When the Moon lights the ground, and what its light then costs the sky where the target stands."""

from __future__ import annotations

import numpy as np

from alerts.common.plain_values import value
from alerts.common.span import Span, intersect
from alerts.sites.model import Site
from alerts.sky.brightness.laws import brighter_mag
from alerts.sky.brightness.total import site_sky, sky_at
from alerts.sky.ephemeris import Ephemeris, posix_s
from alerts.sky.night import Night

STEP_S = 300.0


@value(frozen=True, slots=True)
class MoonlitGround:
    """A span in which the Moon's light is seen on the ground, see `Night.moonlit`.

    least_loss_mag, most_loss_mag: by how much moonlight alone brightens the sky at the target meanwhile, as
    far as it is dark then and the target is up; None where it never is, or nobody worked it out.
    """

    span: Span
    least_loss_mag: float | None = None
    most_loss_mag: float | None = None


def moonlit_ground(site: Site, night: Night, ephemeris: Ephemeris) -> tuple[MoonlitGround, ...]:
    """Those of a night, ascending, with what they cost: looked at every five minutes, to 0.01 mag.

    The target is the night's, see `alerts.sky.brightness.total.aim_deg`; the usual haze is assumed.
    """
    if not night.moonlit:
        return ()
    sky, found = site_sky(site), []
    for lit in night.moonlit:
        marks = [
            np.append(np.arange(posix_s(dark.start), posix_s(dark.end), STEP_S), posix_s(dark.end))
            for dark in intersect((lit,), night.dark)
        ]
        if not marks:
            found.append(MoonlitGround(lit))
            continue
        at_s = np.concatenate(marks)
        table = ephemeris.table(float(at_s[0]), float(at_s[-1]))
        parts = sky_at(sky, night.wishes.target, at_s, table)
        loss = brighter_mag(parts.total_nl, parts.total_nl - parts.moon_nl)[parts.altitude_deg > 0]
        costs = (round(float(loss.min()), 2), round(float(loss.max()), 2)) if len(loss) else (None, None)
        found.append(MoonlitGround(lit, *costs))
    return tuple(found)
