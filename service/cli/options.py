"""Options that several commands share."""

from __future__ import annotations

from datetime import UTC, date, datetime

import click

from alerts.common.errors import BadInput
from alerts.sites.coordinates import parse_lat_lon


class LatLon(click.ParamType[tuple[float, float]]):
    """Coordinates in any form that `parse_lat_lon` reads."""

    name = "LAT,LON"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        try:
            return parse_lat_lon(str(value))
        except BadInput as error:
            self.fail(str(error), param, ctx)


class Day(click.ParamType[date]):
    """A date, `YYYY-MM-DD`: the civil date of the evening."""

    name = "DATE"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> date:
        try:
            return date.fromisoformat(str(value))
        except ValueError:
            self.fail(f"{value!r} is no date; write YYYY-MM-DD, such as 2026-07-15.", param, ctx)


class Moment(click.ParamType[datetime]):
    """A time with its offset, such as `2026-07-15T18:00Z`; refused without one."""

    name = "TIME"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        try:
            moment = datetime.fromisoformat(str(value))
        except ValueError:
            self.fail(f"{value!r} is no time; write it as 2026-07-15T18:00Z.", param, ctx)
        if moment.tzinfo is None:
            self.fail(f"{value!r} has no zone; write {value}Z for UTC or {value}+02:00.", param, ctx)
        return moment.astimezone(UTC)


LAT_LON = LatLon()
DAY = Day()
MOMENT = Moment()
