"""A site as a form: what was filled in made into a Site, fault by fault, and a Site made into fields."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

from alerts.common.clock_times import parse_clock_span, zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.sites.coordinates import parse_lat_lon
from alerts.sites.horizon import horizon_from_csv
from alerts.sites.model import Darkness, Foreground, Gate, HorizonLine, Site, clean_name, clean_note
from alerts.sky.brightness.readings import BortleConvention, darkness_of_class
from service.common.timezones import zone_at
from service.web.shared.forms import Form

T = TypeVar("T")
U = TypeVar("U")
MOST_FOREGROUNDS = 12
ALL_MONTHS = tuple(range(1, 13))
TEXTS = (
    *("name", "at", "zone", "elevation_m", "horizon", "foregrounds", "sqm", "bortle"),
    *("access_note", "notes", "gate_hours", "sure"),
)
"""Fields that hold text."""


@dataclass(frozen=True, slots=True)
class Draft:
    """A site that was filled in. elevation_known: whether the person typed it."""

    site: Site
    elevation_known: bool
    is_shared: bool


class FaultTexts(dict[str, str]):
    """Faults by field for a template: a field without one reads as empty."""

    def __missing__(self, _: str) -> str:
        return ""


@dataclass(slots=True)
class Faults:
    """What can't be used, by field; "" for the form as a whole."""

    texts: FaultTexts = field(default_factory=FaultTexts)

    def read(self, name: str, make: Callable[[], T], instead: U) -> T | U:
        """What `make` gives; where it refuses, the refusal is kept under that field's name."""
        try:
            return make()
        except BadInput as refusal:
            self.texts[name] = str(refusal)
            return instead


def read_draft(form: Form) -> tuple[Draft | None, FaultTexts]:
    """The site that a form describes, and no faults; or None, and a fault for each field to change."""
    faults = Faults()
    at = faults.read("at", lambda: parse_lat_lon(form.text("at")), None)
    name = faults.read("name", lambda: clean_name(form.text("name")), "")
    zone = faults.read("zone", lambda: read_zone(form.text("zone"), at), "UTC")
    elevation_m = faults.read("elevation_m", lambda: _number(form.text("elevation_m"), "elevation"), None)
    parts: dict[str, object] = {
        "horizon": faults.read("horizon", lambda: read_horizon(form), HorizonLine()),
        "foregrounds": faults.read("foregrounds", lambda: read_foregrounds(form.text("foregrounds")), ()),
        "darkness": faults.read("darkness", lambda: read_darkness(form), None),
        "access_months": faults.read("months", lambda: read_months(form), ALL_MONTHS),
        "access_note": faults.read("access_note", lambda: clean_note(form.text("access_note")), ""),
        "notes": faults.read("notes", lambda: clean_note(form.text("notes")), ""),
        "gate": faults.read("gate", lambda: read_gate(form), None),
    }
    if at is None or faults.texts:
        return None, faults.texts
    site = faults.read(
        "",
        lambda: Site(name, at[0], at[1], elevation_m or 0.0, zone, **parts),  # type: ignore[arg-type]  # by name
        None,
    )
    if site is None:
        return None, faults.texts
    return Draft(site, elevation_m is not None, form.is_ticked("is_shared")), FaultTexts()


def read_zone(typed: str, at: tuple[float, float] | None) -> str:
    if typed:
        zone_info(typed)
        return typed
    return zone_at(*at) if at else "UTC"


def _number(typed: str, what: str) -> float | None:
    if not typed:
        return None
    try:
        number = float(typed.replace(",", ".").replace("−", "-"))
    except ValueError:
        raise BadInput(phrase("web-sites.not-a-number", typed=typed, what=what)) from None
    if not -1e6 < number < 1e6:
        raise BadInput(phrase("web-sites.number-absurd", typed=typed, what=what))
    return number


def read_horizon(form: Form) -> HorizonLine:
    """The line from the file if one was brought, else from what stands in the field."""
    text = form.text("horizon")
    if brought := form.files.get("horizon_file"):
        try:
            text = brought.decode("utf-8-sig")
        except UnicodeDecodeError:
            raise BadInput(phrase("web-sites.horizon-not-text")) from None
    return horizon_from_csv(text) if text.strip() else HorizonLine()


def read_foregrounds(typed: str) -> tuple[Foreground, ...]:
    lines = [line.strip() for line in typed.splitlines() if line.strip()]
    if len(lines) > MOST_FOREGROUNDS:
        raise BadInput(phrase("web-sites.foregrounds-too-many", most=MOST_FOREGROUNDS))
    found = []
    for line in lines:
        name, _, bearing = line.replace("°", "").rpartition("=")
        try:
            bearing_deg = float(bearing)
        except ValueError:
            bearing_deg = -1.0
        if not name.strip() or not 0 <= bearing_deg < 360:
            raise BadInput(phrase("web-sites.not-a-foreground", line=line[:60]))
        found.append(Foreground(clean_name(name, "foreground"), bearing_deg))
    return tuple(found)


def read_darkness(form: Form) -> Darkness | None:
    reading = _number(form.text("sqm"), "reading")
    if reading is not None:
        return Darkness(reading)
    if bortle := form.text("bortle"):
        if not bortle.isascii() or not bortle.isdigit():
            raise BadInput(phrase("web-sites.bortle-not-whole"))
        return darkness_of_class(int(bortle), BortleConvention.ATLAS_CHART)
    return None


def read_months(form: Form) -> tuple[int, ...]:
    ticked = [month for month in form.all("months") if month.isascii() and month.isdigit()]
    months = tuple(sorted({int(month) for month in ticked if 1 <= int(month) <= 12}))
    if not months:
        raise BadInput(phrase("web-sites.months-none"))
    return months


def read_gate(form: Form) -> Gate | None:
    hours = form.text("gate_hours")
    return Gate(parse_clock_span(hours), form.is_ticked("gate_may_stay")) if hours else None


def fields_of(draft: Draft) -> dict[str, object]:
    """A site's fields as the form shows them."""
    site = draft.site
    known = site.darkness
    return {
        "name": site.name,
        "at": f"{site.lat_deg:.6g}, {site.lon_deg:.7g}",
        "zone": site.zone,
        "elevation_m": f"{site.elevation_m:g}" if draft.elevation_known else "",
        "horizon": "\n".join(
            f"{az:g},{alt:g}"
            for az, alt in zip(site.horizon.azimuths_deg, site.horizon.altitudes_deg, strict=True)
        ),
        "foregrounds": "\n".join(f"{each.name} = {each.bearing_deg:g}" for each in site.foregrounds),
        "sqm": f"{known.sqm_mag_arcsec2:g}" if known and known.bortle_class is None else "",
        "bortle": str(known.bortle_class) if known and known.bortle_class is not None else "",
        "months": set(site.access_months),
        "access_note": site.access_note,
        "notes": site.notes,
        "gate_hours": str(site.gate.hours).replace("–", "-") if site.gate else "",
        "gate_may_stay": bool(site.gate and site.gate.may_stay),
        "is_shared": draft.is_shared,
    }


def filled_fields(form: Form) -> dict[str, object]:
    """The fields as they were filled in, to show them again."""
    fields: dict[str, object] = {name: form.text(name) for name in TEXTS}
    if brought := form.files.get("horizon_file"):
        fields["horizon"] = brought.decode("utf-8-sig", errors="replace")[:20_000]
    months = {int(month) for month in form.all("months") if month.isascii() and month.isdigit()}
    ticks = {name: form.is_ticked(name) for name in ("gate_may_stay", "is_shared")}
    return {**fields, "months": months, **ticks}
