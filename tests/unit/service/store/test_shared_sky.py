"""The skies that subscriptions share: rounded, and always ones that nights can be worked out for."""

from __future__ import annotations

import pytest

from alerts.sky.night import SkyWishes, require_loss_wish
from alerts.wishes.shared_sky import shared_sky
from service.store.repositories.nights import sky_key

LOSSES = {
    "hardly any": (0.01, 0.05),
    "as offered": (0.3, 0.3),
    "rounded": (0.33, 0.35),
    "the most": (3.0, 3.0),
}


@pytest.mark.parametrize(("asked", "shared"), LOSSES.values(), ids=LOSSES.keys())
def test_a_loss_is_shared_in_steps_that_stay_wishes(asked: float, shared: float) -> None:
    sky = shared_sky(SkyWishes(moonless=False, most_loss_mag=asked))
    assert sky.most_loss_mag == require_loss_wish(shared)


def test_who_wants_no_moon_has_no_loss() -> None:
    assert shared_sky(SkyWishes(most_loss_mag=0.3)).most_loss_mag is None
    assert sky_key(SkyWishes(most_loss_mag=0.3)) == sky_key(SkyWishes())
