"""What a message says, as plain values: what a person needs in the field (times, camera, place over the
ground, air, showers), all that is known of one alert, and the message round it.

Everything a template, a payload or a chat line shows comes from here, and is kept with the alert, so that
every repeat of a message says the same. Times are aware UTC; they are turned into the site's clock only when
they are written out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any

from alerts.common.phrases import Phrase, Worded, phrase
from alerts.common.span import Span
from alerts.common.time_text import minute_down, minute_up, nearest_minute, whole_minutes
from alerts.common.units import Units
from alerts.field.compass import Compass
from alerts.field.exposure import Exposure
from alerts.field.foreground import ForegroundPlan
from alerts.field.frame_plan import HIGHEST_OVER_DEG, Aim, FramePlan, Panorama
from alerts.field.kit import Kit
from alerts.judging.comparison import OtherSite
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import AlertKind
from alerts.sites.model import Gate
from alerts.sky.brightness.moonlit_ground import MoonlitGround
from alerts.sky.night import ShapeSpan, TrackPoint
from alerts.sky.own_horizon import OwnHorizon
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
    """A meteor shower of the night; see `alerts.sky.meteor_showers.ActiveShower`. An older row has no
    hourly_at: its rate was that of the peak, under a dark sky."""

    name: str
    zhr: int | None
    days_to_peak: float
    highest: TrackPoint
    hourly: int | None
    hourly_at: datetime | None = None
    limit_mag: float | None = None


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
    lies in, "" for none. above_darkest_mag: by how much it is brighter than the darkest possible at that
    altitude, None in what was kept before that was told; is_low: that altitude is below 45 degrees.
    is_estimate: nobody measured how dark the site is.
    """

    subject: Said
    mag_arcsec2: float
    loss_mag: float
    dimmed_mag: float
    smoke_mag: float
    towns: tuple[DrawnDome, ...] = ()
    inside: str = ""
    above_darkest_mag: float | None = None
    is_low: bool = False
    is_estimate: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundNote(Worded):
    """The ground of a night: when the Moon lights it, and what horizon is reckoned with.

    moonlit: with what that costs the sky at the target, where that was worked out. subject: what stands
    there, as words in a sentence. is_assumed: nobody gave the site's horizon line and the night has a window
    that rests on a level one. own: Sun and Moon over the line that was given; None without one, or where
    nobody worked it out.
    """

    subject: Said
    moonlit: tuple[MoonlitGround, ...] = ()
    is_assumed: bool = False
    own: OwnHorizon | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldNotes(Worded):
    """One trip to one window.

    civil_dusk, nautical_dusk, full_dark: ends of the evening's twilights; dawn: the morning's
    astronomical one begins. Missing ones are None.
    give_up_at: from then on less than the shortest wished time is left. look_deg: azimuth in which the
    target stands then. signal_lost_at: where the phone goes silent on the way, if that is known.
    start: the place one leaves from, "" for home. gate: the site's; gate_closes: when it closes behind who
    comes as planned; gate_opens: when it opens after that.
    panorama: for an arch. foreground, compass: the land for itself, and magnetic bearings; None in what an
    older version kept. standings: in the window, ascending. subject: what the camera is pointed at, as
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
    foreground: ForegroundPlan | None = None
    compass: Compass | None = None
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

    def magnetic_deg(self, true_deg: float) -> float | None:
        """The bearing by a compass, where one is known."""
        return None if self.compass is None else self.compass.magnetic_deg(true_deg)


@dataclass(frozen=True, slots=True)
class Attribution:
    """Credit that a feed's terms ask for: the sentence and the address it points to (or "")."""

    text: str
    url: str = ""


@dataclass(frozen=True, slots=True)
class Instead(Worded):
    """What another target would give on a night that has no window for those asked for.

    target: as one types it. words: as in a sentence. span: its longest window.
    """

    target: str
    words: Said
    span: Span


@dataclass(frozen=True, slots=True)
class Ahead:
    """first_look: when a forecast first reaches a night, None where one does. Of a night without a window:
    next_window, the next one with one, and instead, what other targets would give that night."""

    first_look: date | None = None
    next_window: date | None = None
    instead: tuple[Instead, ...] = ()


NOTHING_AHEAD = Ahead()


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertFacts(Worded):
    """All that a message says about one alert. Empty text and None mean: nothing to say.

    night: civil date of the evening in the site's zone (`zone`, an IANA name).
    person_zone: where the person lives, for departure and return; "" means the site's zone.
    window: the dark window the alert is about; None when there is none (any more).
    best: the clearest stretch inside the window.
    drive: one way, None where nobody goes; drive_is_estimate: by the distance from home.
    shortest_window: the length that the chance is about ("two clear hours").
    chance_pct: the chance now, 0..100; None means that nothing can be said. whole_pct: once the window has
        begun, the chance of all of it, what has passed included.
    told_chance_pct, told_at, told_window, told_leave_by: what the person was told before, and when.
    agreement: a sentence such as "Three of four models agree."
    spread_pct: lowest and highest of the sources' own chances. change_pct: by how many points the chance
        moved with their last runs. overhead_pct, sight: the chance if the sky all round were as it is
        overhead, and in a few words how the line of sight differs.
    record: what came of forecasts like this one, a sentence; "" where nothing is to be said.
    sky: how bright the sky is where the camera looks, and the towns round the site.
    cloud: hour by hour, for a picture without notes for the field.
    core: the target at the window's start, middle and end; airless altitude, azimuth from north.
    target_name: what `core` follows, as a word in a sentence ("core").
    moon: a few words for line one ("no Moon").
    cause: what it hangs on or what went wrong, a clause without a full stop ("it hangs on the cloud
        bank after 23:00", "cloud now likely from the south-west after 23:00").
    reasons: sentences, the deciding one first; hazards: sentences.
    forecast_issued_at: issue time of the newest forecast used; decided_at: when this was judged.
    decide_at: when a heads-up will be decided.
    invented: the whole alert is made up (a demonstration) and is marked so everywhere.
    field: the notes for the field, for what sends someone out. access_note: the site's own note.
    next_window: the next night with a window here, where this one has none; instead: what other targets
        would give then. first_look: the day on which a forecast first reaches the night, where none does yet.
    preview: shown to someone who asked, not sent: its words follow the verdict instead of the kind.
    is_last_word: no later word can arrive, as the phone goes silent at signal_lost_at.
    doubt: why a chance under the limit to take back doesn't, a clause; "" where it is above.
    is_unsettled: said instead of one change too many: no more is told of this night.
    others: the person's other sites that night, best first. fork: where two are close, what to decide and
        when, a clause ("leave by 18:10 either way; decide at 20:30: East 74 %, West 41 %").
    worth: what the window is worth, for the order of several sites (alerts/judging/ranking.py).
    outcome_url: where the reader can say afterwards how the night was; "" where nobody asks.
    night_url: the night's page.
    ground: moonlight on it, and its horizon; None in rows of an older version.
    """

    kind: AlertKind
    site_name: str
    night: date
    zone: str
    decided_at: datetime
    verdict: VerdictWord = VerdictWord.GO
    person_zone: str = ""
    window: Span | None = None
    best: Span | None = None
    shortest_window: timedelta = timedelta(minutes=30)
    leave_by: datetime | None = None
    home_about: datetime | None = None
    drive: timedelta | None = None
    drive_is_estimate: bool = False
    chance_pct: int | None = None
    whole_pct: int | None = None
    told_chance_pct: int | None = None
    told_at: datetime | None = None
    told_window: Span | None = None
    told_leave_by: datetime | None = None
    agreement: Said = ""
    spread_pct: tuple[int, int] | None = None
    change_pct: int | None = None
    overhead_pct: int | None = None
    sight: Said = ""
    record: Said = ""
    sky: SkyNote | None = None
    cloud: tuple[CloudHour, ...] = ()
    core: tuple[TrackPoint, ...] = ()
    target_name: str = "core"
    shapes: tuple[ShapeSpan, ...] = ()
    moon: Said = ""
    cause: Said = ""
    reasons: tuple[Said, ...] = ()
    hazards: tuple[Said, ...] = ()
    attributions: tuple[Attribution, ...] = ()
    forecast_issued_at: datetime | None = None
    decide_at: datetime | None = None
    sunset: datetime | None = None
    dark_from: datetime | None = None
    dark_until: datetime | None = None
    sunrise: datetime | None = None
    invented: bool = False
    field: FieldNotes | None = None
    access_note: str = ""
    next_window: date | None = None
    instead: tuple[Instead, ...] = ()
    first_look: date | None = None
    preview: bool = False
    is_last_word: bool = False
    signal_lost_at: datetime | None = None
    is_unsettled: bool = False
    others: tuple[OtherSite, ...] = ()
    fork: Said = ""
    worth: float = 0.0
    outcome_url: str = ""
    night_url: str = ""
    doubt: Said = ""
    ground: GroundNote | None = None

    @property
    def estimate(self) -> timedelta | None:
        """The drive, where it is nobody's word but an estimate."""
        return self.drive if self.drive_is_estimate else None

    @property
    def form(self) -> str:
        """What it reads as: the kind of alert, or for a preview the verdict (wait, stay, unknown, go)."""
        return self.verdict.value if self.preview else self.kind.value

    @property
    def is_go(self) -> bool:
        """Whether it sends someone out: a go, or a change that leaves it a go."""
        changed_go = (
            self.kind is AlertKind.CHANGED and self.verdict is VerdictWord.GO and not self.is_unsettled
        )
        preview_go = self.preview and self.verdict is VerdictWord.GO
        return preview_go or (not self.preview and (changed_go or self.kind is AlertKind.GO))


@dataclass(frozen=True, slots=True, kw_only=True)
class Briefing:
    """The content of one message to one address.

    message_id: `msg_` and 26 characters, the same over all retries.
    alerts: at least one, best site first.
    manage_url, unsubscribe_url: links for this person only; None when there are none.
    """

    message_id: str
    alerts: tuple[AlertFacts, ...]
    units: Units = Units.METRIC
    manage_url: str | None = None
    unsubscribe_url: str | None = None

    def __post_init__(self) -> None:
        if not self.alerts:
            raise ValueError("a briefing needs at least one alert")

    @property
    def is_invented(self) -> bool:
        return any(facts.invented for facts in self.alerts)


@dataclass(frozen=True, slots=True)
class PictureLink:
    """A picture in the HTML part of a mail or on a page.

    src: `cid:…` of an attached part, or a data or web address. alert: index in `Briefing.alerts`.
    width_px, height_px: its size in CSS pixels.
    """

    src: str
    alt: str
    width_px: int
    height_px: int
    alert: int = 0


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file that travels with a mail. content_id: without brackets, where the HTML shows it; "" where
    it is a file of its own (the calendar)."""

    name: str
    media_type: str
    content: bytes = field(repr=False)
    content_id: str = ""


@dataclass(frozen=True, slots=True)
class MailParts:
    """A rendered mail: one subject line, the plain text and the HTML of the same content.

    attachments: pictures that the HTML shows by their content id, and the calendar file.
    problems: sentences for the operator, such as a template of theirs that couldn't be used.
    """

    subject: str
    text: str
    html: str
    attachments: tuple[Attachment, ...] = ()
    problems: tuple[Phrase, ...] = ()


_Ways = Mapping[Callable[[Any], Any], Sequence[str]]
_MINUTES: _Ways = {
    whole_minutes: ("window", "best", "told_window"),
    minute_down: ("leave_by", "told_leave_by", "decide_at", "signal_lost_at", "dark_until"),
    minute_up: ("home_about", "dark_from"),
    nearest_minute: ("sunset", "sunrise"),
}
_OTHER_MINUTES: _Ways = {whole_minutes: ("window",), minute_down: ("leave_by", "latest_departure")}
_FIELD_MINUTES: _Ways = {
    minute_down: (
        "arrive", "latest_departure", "give_up_at", "signal_lost_at", "dawn", "gate_closes",
    ),
    minute_up: ("full_dark", "gate_opens"),
    nearest_minute: ("civil_dusk", "nautical_dusk"),
}  # fmt: skip


def to_the_minute(facts: AlertFacts) -> AlertFacts:
    """The same alert in whole minutes, but for its notes for the field; see `alerts.common.time_text` for
    which way each is rounded."""
    return replace(
        facts,
        **_turned(facts, _MINUTES),
        core=track_to_the_minute(facts.core),
        shapes=tuple(replace(each, span=whole_minutes(each.span)) for each in facts.shapes),
        others=tuple(replace(other, **_turned(other, _OTHER_MINUTES)) for other in facts.others),
        instead=tuple(replace(each, span=whole_minutes(each.span)) for each in facts.instead),
        ground=facts.ground and ground_to_the_minute(facts.ground),
    )


def ground_to_the_minute(ground: GroundNote) -> GroundNote:
    """The same in whole minutes."""
    own, moonlit = ground.own, ground.moonlit
    if own is not None:
        own = replace(
            own,
            **_turned(own, {nearest_minute: ("sun_gone", "sun_back")}),
            moon_rises=tuple(map(nearest_minute, own.moon_rises)),
            moon_sets=tuple(map(nearest_minute, own.moon_sets)),
        )
    return replace(
        ground, own=own, moonlit=tuple(replace(each, span=whole_minutes(each.span)) for each in moonlit)
    )


def notes_to_the_minute(notes: FieldNotes) -> FieldNotes:
    """The same notes in whole minutes."""
    return replace(
        notes,
        **_turned(notes, _FIELD_MINUTES),
        moon_rises=tuple(map(nearest_minute, notes.moon_rises)),
        moon_sets=tuple(map(nearest_minute, notes.moon_sets)),
        frames=replace(notes.frames, start_at=minute_up(notes.frames.start_at)),
        foreground=notes.foreground and _land_to_the_minute(notes.foreground),
    )


def _land_to_the_minute(land: ForegroundPlan) -> ForegroundPlan:
    """The best moment stays inside what is said of the Moon's light."""
    lit = tuple(map(whole_minutes, land.lit))
    if land.best_at is None or not lit:
        return replace(land, lit=lit)
    best_at = min(max(nearest_minute(land.best_at), lit[0].start), lit[-1].end)
    return replace(land, lit=lit, best_at=best_at)


def track_to_the_minute(points: Sequence[TrackPoint]) -> tuple[TrackPoint, ...]:
    """Its first point is at the window's start and its last at the end: they are said as the window is."""
    if len(points) < 2:
        return tuple(points)
    ways = (minute_up, *[minute_down] * (len(points) - 1))
    turned = [(way(each.at), each) for way, each in zip(ways, points, strict=True)]
    return tuple(TrackPoint(at, each.altitude_deg, each.azimuth_deg) for at, each in turned)


def _turned(of: object, ways: _Ways) -> dict[str, Any]:
    """Fields of a value, each turned its way; None stays None."""
    return {
        name: None if (given := getattr(of, name)) is None else way(given)
        for way, names in ways.items()
        for name in names
    }
