"""Wishes as a form in plain words, and back; and the page on which they are filled in."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from fastapi.responses import HTMLResponse

from alerts.common.clock_times import parse_clock
from alerts.common.errors import BadInput
from alerts.common.phrases import say
from alerts.field.kit import KIT_EXAMPLE, parse_kit
from alerts.field.trip_plan import with_home
from alerts.sites.model import Site
from alerts.sky.night import DarknessWish, Shape, SkyWishes, Target, parse_target
from alerts.wishes.fields import drive_phrase
from alerts.wishes.model import (
    USUAL_DRIVE,
    Distance,
    HomeBy,
    LimitChoice,
    Temperature,
    Trip,
    UnitWishes,
    Wishes,
)
from alerts.wishes.parse import (
    find_choice,
    length_text,
    quiet_text,
    read_degrees,
    read_length,
    read_number,
    read_quiet,
    read_shape,
    read_speed_ms,
    read_temperature_c,
    read_trip,
    read_whole,
    target_text,
    trip_text,
)
from service.reports.wish_advice import Advice, advise
from service.store.repositories.climates import climate_at
from service.store.schema.core_tables import AddressRow, PersonRow, SubscriptionRow
from service.web.shared.assets import asset_url
from service.web.shared.context import Web
from service.web.shared.forms import STAMP, TRAP, Form, make_stamp
from service.web.shared.ring_notes import of_wishes
from service.web.shared.sky_cache import Busy
from service.web.shared.viewer import SeenSite, Viewer
from service.web.sites.form import Faults, FaultTexts

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
TARGETS = ("core", "band", "winter", "none")
MOONS = ("down", "thin", "any")
FIGURES: Mapping[str, tuple[str, Callable[[str], object], Callable[[Any], str]]] = {
    "shortest": ("shortest_window", read_length, length_text),
    "chance_back": ("chance_back_pct", read_whole, str),
    "chance_go": ("chance_go_pct", lambda text: find_choice(text) or read_whole(text), str),
    "wind": ("wind_limit_ms", read_speed_ms, "{:g}".format),
    "gust": ("gust_limit_ms", read_speed_ms, "{:g}".format),
    "coldest": ("coldest_c", read_temperature_c, "{:g}".format),
    "drive": ("drive", read_length, length_text),
    "scouting": ("scouting", read_length, length_text),
    "notice": ("notice", read_length, length_text),
    "days_ahead": ("days_ahead", read_whole, str),
    "signal_lost": ("signal_lost_before", read_length, length_text),
    "most_a_week": ("most_a_week", read_whole, str),
}
"""By field: the name among the wishes, how it is read, how it is shown."""
MAY_BE_NONE = frozenset({"coldest", "drive", "signal_lost", "most_a_week"})
"""Figures that an empty field does without; of the others it means what was known."""


def read_wishes(form: Form, known: Wishes) -> tuple[Wishes | None, FaultTexts]:
    """The wishes that a form describes, and no faults; or None, and a fault for each field to change.

    known: gives what the form doesn't ask for.
    """
    faults, text = Faults(), form.text
    values: dict[str, object] = {
        "sky": faults.read("target", lambda: read_sky(form), known.sky),
        "more_targets": faults.read("more_targets", lambda: read_targets(text("more_targets")), ()),
        "shapes": faults.read("shapes", lambda: tuple(map(read_shape, form.all("shapes"))), ()),
    }
    for name, (wish, read, _) in FIGURES.items():
        instead = None if name in MAY_BE_NONE else getattr(known, wish)
        values[wish] = faults.read(name, partial(read, text(name)), instead) if text(name) else instead
    if isinstance(choice := values["chance_go_pct"], LimitChoice):
        # A named choice sets both limits, but for one to take back that was changed by hand.
        values["chance_go_pct"] = choice.go_pct
        if values["chance_back_pct"] == known.chance_back_pct:
            values["chance_back_pct"] = choice.back_pct
    values |= {
        "scout_by_daylight": form.is_ticked("scout_by_daylight"),
        "weekdays": tuple(sorted({int(day) for day in form.all("weekdays") if day in "0123456"})),
        "home_by": faults.read("home_by", lambda: read_home_by(form), ()),
        "trips": faults.read("trips", lambda: read_trips(text("trips")), ()),
        "trips_only": form.is_ticked("trips_only"),
        "quiet": faults.read("quiet", lambda: read_quiet(text("quiet")), known.quiet),
        "clock_zone": text("clock_zone") or known.clock_zone,
        "units": faults.read("units", lambda: read_units(form), known.units),
    }
    if faults.texts:
        return None, faults.texts
    wishes = faults.read("", lambda: Wishes(**values), None)  # type: ignore[arg-type]  # checked by name
    return wishes, faults.texts


def read_sky(form: Form) -> SkyWishes:
    target = parse_target(form.text("target_named") or form.text("target") or "core")
    lowest = form.text("lowest")
    moon = form.text("moon") or "down"
    loss = form.text("loss") or "0.3"
    return SkyWishes(
        target=target,
        darkness=DarknessWish.NEAR if form.text("darkness") == "near" else DarknessWish.ASTRONOMICAL,
        moonless=moon == "down",
        lowest_altitude_deg=read_degrees(lowest) if lowest else None,
        most_loss_mag=read_number(loss) if moon == "thin" else None,
    )


def read_targets(text: str) -> tuple[Target, ...]:
    """Further targets, one a line or separated by semicolons, in their order."""
    return tuple(parse_target(part) for part in re.split(r"[;\n]", text) if part.strip())


def read_home_by(form: Form) -> tuple[HomeBy, ...]:
    filled = [(day, form.text(f"home_by_{day}")) for day in range(7)]
    return tuple(HomeBy(day, parse_clock(text)) for day, text in filled if text)


def read_trips(text: str) -> tuple[Trip, ...]:
    return tuple(read_trip(line) for line in text.splitlines() if line.strip())


def read_units(form: Form) -> UnitWishes:
    return UnitWishes(
        Temperature.FAHRENHEIT if form.text("temperature") == "fahrenheit" else Temperature.CELSIUS,
        Distance.MILES if form.text("distance") == "miles" else Distance.KILOMETRES,
        12 if form.text("clock") == "12" else 24,
    )


def wish_fields(wishes: Wishes, kit: str = "") -> dict[str, object]:
    """Wishes and kit as the form shows them."""
    sky = wishes.sky
    name = target_text(sky.target)
    is_listed = name in TARGETS
    figures = {field: (getattr(wishes, wish), show) for field, (wish, _, show) in FIGURES.items()}
    return {
        **{field: "" if value is None else show(value) for field, (value, show) in figures.items()},
        **({"chance_go": wishes.choice.name} if wishes.choice else {}),
        "kit": kit,
        "target": name if is_listed else "named",
        "target_named": "" if is_listed else name,
        "more_targets": "; ".join(map(target_text, wishes.more_targets)),
        "shapes": {shape.value for shape in wishes.shapes},
        "lowest": "" if sky.lowest_altitude_deg is None else f"{sky.lowest_altitude_deg:g}",
        "darkness": sky.darkness.value,
        "moon": "down" if sky.moonless else "any" if sky.most_loss_mag is None else "thin",
        "loss": f"{sky.most_loss_mag:g}" if sky.most_loss_mag is not None else "0.3",
        "scout_by_daylight": wishes.scout_by_daylight,
        "weekdays": set(wishes.weekdays),
        **{f"home_by_{day}": "" for day in range(7)},
        **{f"home_by_{each.weekday}": f"{each.by:%H:%M}" for each in wishes.home_by},
        "trips": "\n".join(map(trip_text, wishes.trips)),
        "trips_only": wishes.trips_only,
        "quiet": quiet_text(wishes.quiet) if wishes.quiet else "",
        "clock_zone": wishes.clock_zone,
        "temperature": wishes.units.temperature.value,
        "distance": wishes.units.distance.value,
        "clock": str(wishes.units.clock_hours),
    }


def filled_wish_fields(form: Form, known: Wishes) -> dict[str, object]:
    """The fields as they were filled in, to show them again."""
    fields: dict[str, object] = {name: form.text(name) for name in wish_fields(known)}
    fields["shapes"] = set(form.all("shapes"))
    fields["weekdays"] = {int(day) for day in form.all("weekdays") if day in "0123456"}
    for tick in ("scout_by_daylight", "trips_only"):
        fields[tick] = form.is_ticked(tick)
    return fields


def count_wishes(web: Web, site: Site, wishes: Wishes) -> Advice:
    """How many nights had the sky for it, what each limit costs, what can never hold, and what works against
    the rest."""
    now = web.now()
    today = now.date()
    with web.reading() as session:
        shares = climate_at(session, site, now).by_month
    skies = web.skies
    return skies.work_out(
        ("wish advice", site, wishes, today, shares),
        lambda: advise(site, wishes, today, skies.ephemeris, shares),
    )


NEW_MAIL = "new"


@dataclass(frozen=True, slots=True, kw_only=True)
class WishPage:
    """What the form shows. fields: as filled in or as kept, `kit` among them. wishes: None while a field
    can't be used. subscription: the one that is changed; None for a new one. told: the viewer's running
    subscriptions here, as (id, address in words). is_human: a form that no program seems to have sent."""

    viewer: Viewer | None
    seen: SeenSite
    fields: dict[str, object]
    wishes: Wishes | None
    faults: FaultTexts = field(default_factory=FaultTexts)
    subscription: SubscriptionRow | None = None
    choices: Sequence[AddressRow] = ()
    chosen: str = ""
    email: str = ""
    is_human: bool = False
    told: tuple[tuple[int, str], ...] = ()


def show_wishes(web: Web, page: WishPage) -> HTMLResponse:
    """The form with what its wishes would have given at the site."""
    site = page.seen.stored.site
    try:
        advice = count_wishes(web, site, page.wishes) if page.wishes else None
    except Busy:
        advice = None  # the form is worth more than the count
    ring = of_wishes(web, page.viewer, page.seen, page.wishes, advice.year) if page.wishes and advice else []
    first = str(page.choices[0].id) if page.choices else NEW_MAIL
    return web.page(
        "subscriptions/wish_form.html",
        400 if page.faults else 200,
        viewer=page.viewer,
        seen=page.seen,
        fields=page.fields,
        faults=page.faults,
        advice=advice,
        ring=ring,
        subscription=page.subscription,
        choices=page.choices,
        chosen=page.chosen or first,
        email=page.email,
        told=page.told,
        targets=[(name, say(f"web-subscriptions.target-{name}")) for name in TARGETS],
        shapes=[(shape, say("web-subscriptions.shape", shape=shape)) for shape in Shape],
        moons=[(name, say(f"web-subscriptions.moon-{name}")) for name in MOONS],
        weekdays=[(day, say(f"web-subscriptions.weekday-{name}")) for day, name in enumerate(WEEKDAYS)],
        kit_example=KIT_EXAMPLE,
        drive_hint=_drive_hint(web, page),
        stamp=make_stamp(web.duskbell.keys, web.duskbell.clock()),
        trap=TRAP,
        stamp_name=STAMP,
        script_url=asset_url("wishes.js"),
    )


def _drive_hint(web: Web, page: WishPage) -> str:
    """What an empty field means."""
    if page.viewer is None:
        return say("web-subscriptions.drive-usual", drive=USUAL_DRIVE)
    with web.reading() as session:
        home = session.get_one(PersonRow, page.viewer.person_id).home
    wishes = with_home(Wishes(), home, page.seen.stored.site)
    if not wishes.usual_drive.is_estimate:
        return say("web-subscriptions.drive-usual-no-home", drive=USUAL_DRIVE)
    return say("web-subscriptions.drive-empty", drive=drive_phrase(wishes))


def read_wishes_and_kit(form: Form, known: Wishes) -> tuple[Wishes | None, FaultTexts]:
    """As `read_wishes`; a kit that can't be read is a fault of its own field."""
    wishes, faults = read_wishes(form, known)
    if text := form.text("kit"):
        try:
            parse_kit(text)
        except BadInput as refusal:
            return None, FaultTexts({**faults, "kit": str(refusal)})
    return wishes, faults
