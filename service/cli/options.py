"""What several commands ask for alike: place, darkness, night, sky, wishes; a bar while work lasts.

Options that belong together reach a command as one value, whose fields are named as they are. Wishes may come
from a file, TOML or JSON: by the plain names of `alerts.wishes.fields`, or in the stored form of the API.
"""

from __future__ import annotations

import json
import sys
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime, time
from functools import wraps
from pathlib import Path
from time import monotonic
from typing import Any, TypeVar, cast

import click
import pydantic

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.field.place_doubts import PlaceDoubts
from alerts.sites.coordinates import parse_lat_lon
from alerts.sites.horizon import KNOWN_LEVEL, LEVEL_WORD, horizon_from_csv
from alerts.sites.model import HorizonLine, Site, clean_name
from alerts.sky.brightness.readings import BortleConvention, Reading, darkness_of_class, darkness_of_readings
from alerts.sky.night import SkyWishes
from alerts.wishes.fields import WISH_WORDS, WORDS_BY_NAME, read_words
from alerts.wishes.model import Wishes
from service import app
from service.common.kept_sky import open_ephemeris
from service.common.timezones import doubts, zone_at
from service.store import json_values
from service.store.repositories import people, sites

LARGEST_BYTES = 100_000
"""Of a file of wishes."""
BAR_AFTER_S = 1.0
BAR_WIDTH = 40

F = TypeVar("F", bound=Callable[..., Any])


def hands_over(**kinds: type[Any]) -> Callable[[F], F]:
    """Hands a command all options that a dataclass names as one value of it, by the name given here."""

    def decorate(command: F) -> F:
        @wraps(command)
        def called(**given: Any) -> None:
            for name, kind in kinds.items():
                named = [each.name for each in fields(kind) if each.name in given]
                given[name] = kind(**{each: given.pop(each) for each in named})
            command(**given)

        return cast("F", called)

    return decorate


def _in_order(*options: Callable[[F], F]) -> Callable[[F], F]:
    def decorate(command: F) -> F:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


class LatLonOption(click.ParamType[tuple[float, float]]):
    """Coordinates in any form that `parse_lat_lon` reads."""

    name = "LAT,LON"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        try:
            return parse_lat_lon(str(value))
        except BadInput as error:
            self.fail(str(error), param, ctx)


class DayOption(click.ParamType[date]):
    """A date, `YYYY-MM-DD`: the civil date of the evening."""

    name = "DATE"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> date:
        try:
            return date.fromisoformat(str(value))
        except ValueError:
            self.fail(say("cli.no-date", value=value), param, ctx)


class MomentOption(click.ParamType[datetime]):
    """A time with its offset, such as `2026-07-15T18:00Z`; refused without one."""

    name = "TIME"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        try:
            moment = datetime.fromisoformat(str(value))
        except ValueError:
            self.fail(say("cli.no-time", value=value), param, ctx)
        if moment.tzinfo is None:
            self.fail(say("cli.time-no-zone", value=value), param, ctx)
        return moment.astimezone(UTC)


LAT_LON = LatLonOption()
DAY = DayOption()
MOMENT = MomentOption()
NEW_FILE = click.Path(path_type=Path, dir_okay=False)
OLD_FILE = click.Path(path_type=Path, dir_okay=False, exists=True)

# a place

at_option = click.option("--at", "at", type=LAT_LON, help=say("cli.help-at"))
zone_option = click.option("--zone", help=say("cli.help-zone-found"))
elevation_option = click.option("--elevation", "elevation_m", type=float, help=say("cli.help-elevation"))
horizon_option = click.option("--horizon", type=click.Path(path_type=Path), help=say("cli.help-horizon"))
sure_option = click.option("--yes", "is_sure", is_flag=True, help=say("cli.help-yes"))


@dataclass(frozen=True, slots=True)
class SpotAsked:
    """Coordinates, and what is said of the place there. is_sure: don't ask whether it is the one meant."""

    at: tuple[float, float] | None
    elevation_m: float | None
    zone: str | None
    horizon: Path | None
    is_sure: bool = False

    def read_horizon(self) -> HorizonLine:
        """The horizon line in that file, or a level one by that word; without one a level one is assumed.
        BadInput names the file and the line."""
        if self.horizon is None:
            return HorizonLine()
        if str(self.horizon) == LEVEL_WORD and not self.horizon.exists():
            return KNOWN_LEVEL
        try:
            text = self.horizon.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise BadInput(phrase("cli.file-unreadable", path=self.horizon, error=error)) from None
        try:
            return horizon_from_csv(text)
        except BadInput as error:
            raise BadInput(f"{self.horizon}: {error}") from None

    def named(self, name: str) -> Site:
        assert self.at is not None, "asked for where a site is made"
        return Site(
            name=name,
            lat_deg=self.at[0],
            lon_deg=self.at[1],
            elevation_m=self.elevation_m or 0.0,
            zone=self.zone or zone_at(*self.at),
            horizon=self.read_horizon(),
        )

    def settled(self, duskbell: app.Duskbell) -> SpotAsked:
        """The same there, or at the place meant instead, as answered on a terminal.

        Elsewhere a doubt ends the command (exit code 2); so does a no.
        """
        if self.at is None or self.is_sure:
            return self
        with duskbell.sessions() as session:
            operator = people.find_operator(session)
            home = operator.home if operator is not None else None
        doubt = doubts(*self.at, home)
        if doubt is None:
            return self
        if not sys.stdin.isatty():
            raise click.UsageError(say("cli.place-doubt", doubt=doubt.text))
        meant = ask_about(doubt)
        if meant is None:
            raise click.UsageError(say("cli.place-not-kept"))
        return replace(self, at=meant)


def ask_about(doubt: PlaceDoubts, indent: str = "") -> tuple[float, float] | None:
    """The place that is meant, as somebody answers on a terminal; None for neither of the two."""
    click.echo(f"{indent}{doubt.text}")
    if doubt.swapped is not None and click.confirm(say("cli.ask-swapped", indent=indent), default=True):
        return doubt.swapped
    if click.confirm(say("cli.ask-as-written", indent=indent), default=False):
        return doubt.lat_deg, doubt.lon_deg
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceAsked(SpotAsked):
    """A stored site by its name, or a place by its coordinates."""

    site: str | None
    name: str

    def find(self) -> Site:
        """The one of the two that is given; exactly one is needed."""
        if (self.site is None) == (self.at is None):
            raise BadInput(phrase("cli.site-or-place"))
        if self.site is None:
            return self.named(clean_name(self.name))
        if self.zone is not None or self.elevation_m is not None or self.horizon is not None:
            raise BadInput(phrase("cli.place-options-alone"))
        with app.build().sessions() as session:
            return sites.newest_revision(session, sites.get_site(session, self.site).id).site


place_options = _in_order(
    click.argument("site", required=False),
    at_option,
    click.option("--name", default=say("cli.this-place"), help=say("cli.help-name")),
    zone_option,
    elevation_option,
    horizon_option,
)
"""SITE, `--at`, `--name`, `--zone`, `--elevation`, `--horizon`: `PlaceAsked`."""


# how dark it is there


@dataclass(frozen=True, slots=True)
class DarknessAsked:
    """readings: `MAG` (said to be moonless and clear) or `MAG@TIME` (the Moon is then worked out). A reading
    wins over a class."""

    readings: tuple[str, ...]
    bortle_class: int | None
    bortle_table: str

    def __bool__(self) -> bool:
        return bool(self.readings) or self.bortle_class is not None

    def of(self, site: Site) -> Site:
        """The site with that darkness, or as it is without any. BadInput when no reading counts."""
        if self.readings:
            darkness = darkness_of_readings(site, tuple(map(read_reading, self.readings)), open_ephemeris())
            if darkness is None:
                raise BadInput(phrase("cli.readings-none-count"))
            return replace(site, darkness=darkness)
        if self.bortle_class is not None:
            convention = BortleConvention(self.bortle_table)
            return replace(site, darkness=darkness_of_class(self.bortle_class, convention))
        return site


darkness_options = _in_order(
    click.option("--sqm", "readings", multiple=True, metavar="MAG[@TIME]", help=say("cli.help-sqm")),
    click.option("--bortle", "bortle_class", type=int, help=say("cli.help-bortle")),
    click.option(
        "--bortle-table",
        type=click.Choice(["atlas_chart", "encyclopedia"]),
        default="atlas_chart",
        help=say("cli.help-bortle-table"),
    ),
)
"""`--sqm`, `--bortle`, `--bortle-table`: `DarknessAsked`."""


def read_reading(text: str) -> Reading:
    """A reading from `21.4` or `21.4@2026-07-15T23:00Z`; BadInput shows the forms."""
    value, _, at = text.partition("@")
    try:
        mag = float(value)
        measured_at = datetime.fromisoformat(at) if at else None
    except ValueError:
        raise BadInput(phrase("cli.no-reading", text=text)) from None
    if measured_at is not None and measured_at.tzinfo is None:
        raise BadInput(phrase("cli.reading-no-zone", text=text))
    return Reading(mag, clear=True, moonless=measured_at is None, measured_at=measured_at)


# a night

day_option = click.option("--date", "day", type=DAY, help=say("cli.help-date-tonight"))
as_of_option = click.option("--as-of", "as_of", type=MOMENT, help=say("cli.help-as-of"))
weather_option = click.option(
    "--weather", "weather", multiple=True, metavar="[FEED/MODEL=]FILE", help=say("cli.help-weather")
)
offline_option = click.option("--offline", is_flag=True, help=say("cli.help-offline"))
json_option = click.option("--json", "as_json", is_flag=True, help=say("cli.help-json"))
json_page_option = click.option("--json", "as_json", is_flag=True, help=say("cli.help-json-page"))
span_options = _in_order(
    click.option("--from", "first", type=DAY, required=True, help=say("cli.help-first")),
    click.option("--to", "last", type=DAY, required=True, help=say("cli.help-last")),
)

# wishes

wish_file_option = click.option("--wishes", "wish_file", type=OLD_FILE, help=say("cli.help-wish-file"))
kit_option = click.option("--kit", help=say("cli.help-kit"))


@dataclass(frozen=True, slots=True)
class WishesAsked:
    """file: in place of the wishes known before. words: what the options say, by their names."""

    file: Path | None
    words: Mapping[str, tuple[str, ...]]

    def __bool__(self) -> bool:
        return self.file is not None or any(self.words.values())

    def over(self, known: Wishes, usual: Wishes) -> Wishes:
        """The known ones, or those of the file, with what the options change. BadInput names the option."""
        if self.file is not None:
            known = read_wish_file(self.file, usual)
        return read_words(self.words, known, called=lambda word: word.flag)


NO_WISHES = WishesAsked(None, {})


def wish_options(command: F) -> F:
    """An option for each wish, of `alerts.wishes.fields`, and `--wishes FILE`: `WishesAsked`."""

    @wraps(command)
    def called(**given: Any) -> None:
        words = {}
        for word in WISH_WORDS:
            said = given.pop(word.name)
            if isinstance(said, bool):
                said = "yes" if said else "no"
            words[word.name] = said if isinstance(said, tuple) else () if said is None else (str(said),)
        command(wishes=WishesAsked(given.pop("wish_file"), words), **given)

    decorated = cast("F", called)
    for word in reversed(WISH_WORDS):
        if word.off_flag:
            option = click.option(f"{word.flag}/{word.off_flag}", word.name, default=None, help=word.help)
        else:
            # with what holds when nobody says otherwise, where that is a figure
            usual = word.write(replace(Wishes(), sky=SkyWishes(lowest_altitude_deg=None)))
            shown = f"{usual:g}" if isinstance(usual, float) else str(usual)
            text = say("cli.help-usually", help=word.help, usual=shown) if shown[:1].isdigit() else word.help
            option = click.option(word.flag, word.name, multiple=word.several, metavar=word.form, help=text)
        decorated = option(decorated)
    return wish_file_option(decorated)


def progress_bar(what: str = "nights") -> Callable[[int, int], None]:
    """A bar on standard error that appears only when the work takes longer than a second."""
    started, shown = monotonic(), False

    def show(done: int, total: int) -> None:
        nonlocal shown
        if not shown and (monotonic() - started < BAR_AFTER_S or done >= total):
            return
        shown = True
        filled = BAR_WIDTH * done // max(total, 1)
        end = "\n" if done >= total else ""
        bar = f"\r[{'#' * filled}{'.' * (BAR_WIDTH - filled)}] {done}/{total} {what}{end}"
        click.echo(bar, err=True, nl=False)

    return show


def read_wish_file(file: Path, usual: Wishes) -> Wishes:
    """The wishes in that file; what it leaves out is as `usual`. BadInput with the reason in one sentence."""
    form = "TOML" if file.suffix.lower() == ".toml" else "JSON"
    try:
        raw = file.read_bytes()[: LARGEST_BYTES + 1]
        given = tomllib.loads(raw.decode("utf-8")) if form == "TOML" else json.loads(raw)
    except (OSError, ValueError, RecursionError) as error:
        raise BadInput(phrase("reports.wishes-unreadable", file=file, form=form, error=error)) from None
    if not isinstance(given, dict):
        raise BadInput(phrase("reports.wishes-no-object", file=file))

    # written as subscriptions keep their wishes, if by a name that the plain ones don't have
    stored = json_values.to_json(Wishes())
    is_stored = bool(given.keys() & (stored.keys() - WORDS_BY_NAME.keys()))
    known = list(stored if is_stored else WORDS_BY_NAME)
    try:
        if unknown := sorted(given.keys() - set(known)):
            named = {"unknown": ", ".join(unknown), "known": ", ".join(known)}
            raise BadInput(phrase("reports.wishes-unknown", **named))
        if is_stored:
            return json_values.from_json(Wishes, {**stored, **given})
        texts = {name: _texts(name, value) for name, value in given.items()}
        return read_words(texts, usual, called=lambda word: word.name)
    except pydantic.ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise BadInput(f"{file}: {where}: {first['msg']}") from None
    except BadInput as refusal:
        raise BadInput(f"{file}: {refusal}") from None


def _texts(name: str, value: object) -> tuple[str, ...]:
    """A value of a file as texts; a table stands for `KEY=VALUE`, an empty list for `none`."""
    if isinstance(value, Mapping):
        return tuple(f"{key}={_text(name, each)}" for key, each in value.items()) or ("none",)
    if isinstance(value, list):
        return tuple(_text(name, each) for each in value) or ("none",)
    return (_text(name, value),)


def _text(name: str, value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, time):
        return f"{value:%H:%M}"
    if isinstance(value, str | int | float | date):
        return str(value)
    raise BadInput(phrase("reports.wishes-no-text", name=name))
