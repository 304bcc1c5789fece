"""What a subscriber wants of a night, with defaults that suit one wide-angle frame on a tripod."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from alerts.errors import BadInput
from alerts.night import SkyWishes


@dataclass(frozen=True, slots=True)
class Wishes:
    """A subscriber's limits. No person is in it, so it can be stored with each decision.

    shortest_window: clear and dark time in one piece that makes the drive worth it.
    chance_go_pct, chance_back_pct: the event's chance from which a go is said, and below which
    a go already said is taken back.
    wind_limit_ms, gust_limit_ms: mean wind and gust at 10 m, in m/s. coldest_c: felt temperature (wind
    chill where it is defined), None for no limit.
    drive: one way. scouting: time on the spot before the window starts. notice: how long before one
    must leave a go is wanted. days_ahead: how far ahead a heads-up is wanted.
    Raises BadInput for limits that contradict each other or can't be met on Earth.
    """

    sky: SkyWishes = SkyWishes()
    shortest_window: timedelta = timedelta(minutes=30)
    chance_go_pct: int = 70
    chance_back_pct: int = 50
    wind_limit_ms: float = 9.0
    gust_limit_ms: float = 15.0
    coldest_c: float | None = None
    drive: timedelta = timedelta(minutes=90)
    scouting: timedelta = timedelta(minutes=60)
    notice: timedelta = timedelta(hours=2)
    days_ahead: int = 5

    def __post_init__(self) -> None:
        if not 0 <= self.chance_back_pct <= self.chance_go_pct <= 100:
            raise BadInput(
                "the chance to take a go back must not be above the chance for a go, both 0 to 100 %: "
                f"got {self.chance_back_pct} % and {self.chance_go_pct} %."
            )
        for name in ("shortest_window", "drive", "scouting", "notice"):
            value: timedelta = getattr(self, name)
            if not timedelta(0) <= value <= timedelta(hours=24):
                raise BadInput(f"{name.replace('_', ' ')} must lie between 0 and 24 hours, got {value}.")
        for name, strongest in (("wind_limit_ms", 60.0), ("gust_limit_ms", 90.0)):
            limit: float = getattr(self, name)
            if not 0 < limit <= strongest:
                what = name.split("_")[0]
                raise BadInput(
                    f"the {what} limit must lie above 0 and up to {strongest:g} m/s, got {limit:g}."
                )
        if self.coldest_c is not None and not -90 <= self.coldest_c <= 40:
            raise BadInput(f"the coldest must lie between -90 and 40 °C, got {self.coldest_c:g}.")
        if not 0 <= self.days_ahead <= 15:
            raise BadInput(f"days ahead must lie between 0 and 15, got {self.days_ahead}.")
