"""What a person needs in the field, as plain values: times, camera, place over the ground, air, showers.

Kept with the alert, so that every repeat of a message says the same. Nothing here is words yet; see
`fieldwords`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from alerts.common.phrases import Phrase, Worded, phrase
from alerts.field.exposure import Exposure
from alerts.field.frame_plan import HIGHEST_OVER_DEG, Aim, FramePlan, Panorama
from alerts.field.kit import Kit
from alerts.sites.model import Gate
from alerts.sky.night import TrackPoint
from alerts.weather.chance import CloudHour

Said = str | Phrase
"""What is said: a code with its values; in rows of an older version the text alone, said as it stands. ""
says nothing."""


@dataclass(frozen=True, slots=True)
class ForegroundStanding:
    """When core or foot of the band stands over a foreground. what: "core" or "foot"."""

    foreground: str
    bearing_deg: float
    what: str
    at: TrackPoint

    @property
    def reads_as_over(self) -> bool:
        """Whether one would say so: the core not where it stands too high for the ground below it."""
        return self.what == "foot" or self.at.altitude_deg <= HIGHEST_OVER_DEG


@dataclass(frozen=True, slots=True)
class ShowerNote:
    """A meteor shower of the night; see `alerts.sky.meteor_showers.ActiveShower`."""

    name: str
    zhr: int | None
    days_to_peak: float
    highest: TrackPoint
    hourly: int | None


@dataclass(frozen=True, slots=True)
class Air:
    """The worst that is forecast over the window; None where nobody says.

    felt_c: felt cold. on_lens: "dew", "frost" or "" (neither expected, or unknown).
    """

    felt_c: float | None = None
    wind_ms: float | None = None
    wet_pct: float | None = None
    on_lens: str = ""


@dataclass(frozen=True, slots=True)
class DrawnDome:
    """The light of a town: a dome on the horizon, its bearing and half width, and how far away.

    name: "" where nobody knows it. under_target: the target stands over it during the window.
    """

    bearing_deg: float
    distance_km: float
    half_width_deg: float = 22.0
    height_deg: float = 12.0
    name: str = ""
    under_target: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyNote(Worded):
    """How bright the sky is where the camera looks, at the window's middle.

    subject: what stands there, as words in a sentence. mag_arcsec2: all light together. loss_mag: by how much
    Moon and twilight brighten it at worst. dimmed_mag: what all air takes; smoke_mag: the part of it
    beyond the usual haze. towns: the brightest domes, brightest first. inside: the town that the site
    lies in, "" for none.
    """

    subject: Said
    mag_arcsec2: float
    loss_mag: float
    dimmed_mag: float
    smoke_mag: float
    towns: tuple[DrawnDome, ...] = ()
    inside: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldNotes(Worded):
    """One trip to one window.

    civil_dusk, nautical_dusk, full_dark: ends of the evening's twilights; dawn: the morning's
    astronomical one begins. Missing ones are None.
    give_up_at: from then on less than the shortest wished time is left. look_deg: azimuth in which the
    target stands then. signal_lost_at: where the phone goes silent on the way, if that is known.
    start: the place one leaves from, "" for home. gate: the site's; gate_closes: when it closes behind who
    comes as planned; gate_opens: when it opens after that.
    panorama: for an arch. standings: in the window, ascending. subject: what the camera is pointed at, as
    words in a sentence: the target, or a part of the Milky Way where the core is down.
    """

    arrive: datetime
    latest_departure: datetime
    give_up_at: datetime
    look_deg: float
    kit: Kit
    exposure: Exposure
    aim: Aim
    frames: FramePlan
    panorama: Panorama | None = None
    civil_dusk: datetime | None = None
    nautical_dusk: datetime | None = None
    full_dark: datetime | None = None
    dawn: datetime | None = None
    moon_lit: float = 0.0
    moon_rises: tuple[datetime, ...] = ()
    moon_sets: tuple[datetime, ...] = ()
    standings: tuple[ForegroundStanding, ...] = ()
    showers: tuple[ShowerNote, ...] = ()
    air: Air = Air()
    cloud: tuple[CloudHour, ...] = ()
    signal_lost_at: datetime | None = None
    subject: Said = phrase("briefing.subject-core")
    start: str = ""
    gate: Gate | None = None
    gate_closes: datetime | None = None
    gate_opens: datetime | None = None
