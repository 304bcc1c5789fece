"""What wishes would have given at a site, kept for the next page that asks the same."""

from __future__ import annotations

from datetime import datetime

from alerts.site import Site
from alerts.wishes import Wishes
from service.web.skies import Skies
from service.wishadvice import Advice, advise


def count_wishes(skies: Skies, site: Site, wishes: Wishes, now: datetime) -> Advice:
    """How many nights had the sky for it, what can never hold, and what works against the rest."""
    today = now.date()
    return skies.work_out(
        ("wish advice", site, wishes, today), lambda: advise(site, wishes, today, skies.ephemeris)
    )
