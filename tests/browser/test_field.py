"""The field page in a browser: kept when it was opened, black whatever one prefers, whole without scripts."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser, Error

from tests.browser.conftest import SCREENS, open_context
from tests.browser.furnishing import furnish
from tests.browser.house import House, open_house
from tests.browser.looking import Visit, visiting
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START

FIELD = "/sites/1/nights/2027-07-03/field"


def test_once_opened_it_opens_again_when_nobody_answers(
    chromium: Browser, tmp_path: Path, empty_store: Path
) -> None:
    context = open_context(chromium, SCREENS["phone, dark"])
    with open_house(tmp_path, empty_store) as house:
        furnish(house)
        for now in (START, ON_THE_DAY, GO_TIME):
            house.cycle(now)
        visit = Visit(context.new_page(), house)
        visit.sign_in()
        visit.go(FIELD)
        visit.page.get_by_text("Kept on this phone").wait_for()
        said = visit.page.inner_text("main")
    visit.page.reload()
    assert visit.page.inner_text("main") == said
    assert visit.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(0, 0, 0)"
    with pytest.raises(Error, match="ERR_CONNECTION_REFUSED"):
        visit.go("/")
    context.close()


@pytest.mark.parametrize("screen", ["phone, light", "desk, dark"])
def test_without_scripts_it_is_whole_and_black(screen: str, chromium: Browser, lived_in: House) -> None:
    with visiting(open_context(chromium, SCREENS[screen], scripts=False), lived_in) as visit:
        visit.sign_in()
        visit.go(FIELD)
        assert visit.says("Leave this page open")
        for heading in ("The evening", "Camera", "To pack", "Before it gets dark"):
            assert visit.page.get_by_role("heading", name=heading).is_visible()
        shot = visit.page.screenshot(full_page=True)
        assert brightest(shot) < 190


def brightest(png: bytes) -> int:
    """The largest value of any channel in the picture, 0 to 255."""
    from io import BytesIO

    from PIL import Image

    bands = Image.open(BytesIO(png)).convert("RGB").getextrema()
    return max(int(high) for _, high in bands)  # type: ignore[misc]  # pairs, as RGB has them
