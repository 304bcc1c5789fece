"""Briefings in a real browser: mail at three widths, light and dark, and one printed sheet."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest
from playwright.sync_api import Browser, Page

from alerts.briefing.facts import AlertFacts, Briefing
from alerts.briefing.pictures.drawing import LIGHT, PRINT, Palette
from alerts.briefing.pictures.night_picture import NightToDraw
from alerts.briefing.render import draw_pictures, page_with_pictures
from alerts.field.kit import parse_kit
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import AlertKind
from tests.unit.alerts.briefing.sample_nights import (
    SAMPLES,
    case,
    ephemeris,
    facts_of,
    invented_cloud,
    preview_of,
)

NIGHTS = [name for name in SAMPLES if case(name).window is not None]
WIDTHS_PX = (360, 600, 1000)
LEAST_CONTRAST = 4.5
FAINT_WORDS = """() => {
  const channels = text => text.match(/[\\d.]+/g).map(Number);
  const share = value => value <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4;
  const light = ([r, g, b]) => 0.2126 * share(r / 255) + 0.7152 * share(g / 255) + 0.0722 * share(b / 255);
  const behind = element => {
    for (let each = element; each; each = each.parentElement) {
      const found = channels(getComputedStyle(each).backgroundColor);
      if (found.length === 3 || found[3] > 0) return found;
    }
    return [255, 255, 255];
  };
  const faint = [];
  for (const element of document.querySelectorAll('p, h1, h2, li, th, td, a')) {
    const colours = [channels(getComputedStyle(element).color), behind(element)];
    const pair = colours.map(light).sort((a, b) => b - a);
    const ratio = (pair[0] + 0.05) / (pair[1] + 0.05);
    if (element.textContent.trim() && ratio < LEAST) faint.push([element.textContent.trim(), ratio]);
  }
  return faint;
}""".replace("LEAST", str(LEAST_CONTRAST))


def page_of(facts: AlertFacts, palette: Palette = LIGHT, name: str = "") -> str:
    """The message as one page with its pictures."""
    found, drawn = case(name) if name else None, ()
    if found is not None and found.sky is not None:
        site, glows = found.sample.site, found.sky.towns
        night = NightToDraw(site, found.night, found.window, facts.field, facts.cloud, glows)
        drawn = draw_pictures(night, ephemeris(), palette)
    briefing = Briefing(
        message_id="msg_0123456789abcdefghjkmnpqrs",
        alerts=(facts,),
        manage_url="https://duskbell.example.org/manage/abc",
        unsubscribe_url="https://duskbell.example.org/unsubscribe/abc",
    )
    return page_with_pictures(briefing, {0: drawn})


def crowded() -> AlertFacts:
    """A night with about everything that can be said of one."""
    facts, notes = facts_of("spring-arch", AlertKind.GO), case("spring-arch").notes
    assert notes is not None
    shower = notes.showers[0]
    return replace(
        facts,
        hazards=(
            "gusts up to 14 m/s between 01:00 and 03:00",
            "frost on the lens likely (2 °C above the dew point)",
            "rain or snow 20 % after 05:00",
            "fog possible in the valley before dawn",
        ),
        reasons=("only two of four models have answered", "smoke or dust, fine particles up to 40 μg/m³"),
        access_note="The track floods after rain: park at the ford and walk the last 2 km along the river. "
        "Ask at the farm before entering the lower meadow, and close every gate behind you.",
        sight="overhead clears, the south-east doesn't",
        overhead_pct=92,
        change_pct=-12,
        record="Of 48 forecasts like this over all sites, 73 % (60–84 %) came clear.",
        field=replace(
            notes,
            kit=parse_kit("16-35mm f/2.8 at 20mm"),
            signal_lost_at=notes.arrive - timedelta(minutes=20),
            moon_rises=(notes.arrive + timedelta(minutes=30),),
            showers=(shower, replace(shower, name="eta-Aquariids"), replace(shower, name="pi-Puppids")),
        ),
    )


MAILS = {
    "go": (facts_of("july", AlertKind.GO), "july"),
    "heads-up": (facts_of("september-column", AlertKind.HEADS_UP), "september-column"),
    "changed": (facts_of("southern-winter", AlertKind.CHANGED), "southern-winter"),
    "stand-down": (facts_of("spring-arch", AlertKind.STAND_DOWN), ""),
    "stay": (preview_of("polar-summer", VerdictWord.STAY, "no darkness that night"), ""),
    "crowded": (crowded(), "spring-arch"),
}


ARCHES = {"spring-arch", "southern-winter"}
"""Nights whose arch is drawn as a panorama too."""


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width_px", WIDTHS_PX)
@pytest.mark.parametrize(("facts", "night"), MAILS.values(), ids=MAILS)
def test_a_mail_fits_the_screen_and_can_be_read(
    facts: AlertFacts, night: str, width_px: int, scheme: str, chromium: Browser
) -> None:
    page = opened(chromium, page_of(facts, name=night), width_px, scheme)
    assert page.evaluate("document.documentElement.scrollWidth") <= width_px
    assert page.evaluate(FAINT_WORDS) == []
    drawn = page.evaluate("[...document.images].map(each => each.complete && each.naturalWidth > 0)")
    assert len(drawn) == (0 if not night else 1 + bool(facts.field) * (2 if night in ARCHES else 1))
    assert all(drawn)
    page.close()


def opened(chromium: Browser, html: str, width_px: int, scheme: str) -> Page:
    page = chromium.new_page(viewport={"width": width_px, "height": 900}, color_scheme=scheme)  # type: ignore[arg-type]
    page.set_content(html)
    return page


@pytest.mark.parametrize("sheet", ["A4", "Letter"])
@pytest.mark.parametrize("name", [*NIGHTS, "crowded"])
def test_a_briefing_prints_on_one_sheet(name: str, sheet: str, chromium: Browser) -> None:
    facts = crowded() if name == "crowded" else facts_of(name, AlertKind.GO)
    night = "spring-arch" if name == "crowded" else name
    facts = replace(facts, cloud=invented_cloud(case(night).night))
    page = chromium.new_page()
    page.set_content(page_of(facts, PRINT, night))
    printed = page.pdf(format=sheet)
    page.close()
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1
