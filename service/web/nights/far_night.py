"""What a page says of a night that no feed reaches yet, or that has no window."""

from __future__ import annotations

from datetime import datetime, timedelta

from alerts.briefing.facts.alert import Ahead
from alerts.briefing.text.far_nights import look_ahead
from service.feeds.feed_reach import feeds_reach
from service.web.nights.judged_night import JudgedNight
from service.web.shared.context import Web


def ahead_of(web: Web, judged: JudgedNight, now: datetime) -> Ahead:
    """Of a night without a window it is kept, as it takes looking through a season."""
    site, night, wishes = judged.site, judged.night, judged.wishes
    reach = timedelta(0) if web.duskbell.invented else feeds_reach(web.duskbell.settings, site)

    def look() -> Ahead:
        return look_ahead(site, night, wishes, web.skies.ephemeris, now=now, reach=reach)

    return look() if night.windows else web.skies.keep(("ahead", site, night.name, wishes.skies), look)
