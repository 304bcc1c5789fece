"""What wishes would have given at a site, kept for the next page that asks the same."""

from __future__ import annotations

from alerts.sites.model import Site
from alerts.wishes.model import Wishes
from service.reports.wish_advice import Advice, advise
from service.store.repositories.climates import climate_at
from service.web.shared.context import Web


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
