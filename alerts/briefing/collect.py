"""A judged night -> all that a message says about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from alerts.briefing.facts.alert import NOTHING_AHEAD, Ahead, AlertFacts, Attribution
from alerts.briefing.facts.field_notes import DrawnDome, FieldNotes, Said, SkyNote
from alerts.common.phrases import Phrase, phrase, say
from alerts.common.text import count_word
from alerts.field.trip_plan import FieldPlan
from alerts.judging.comparison import SiteChoice, choice_of, fork_told
from alerts.judging.rules import Result
from alerts.judging.verdict import Verdict, VerdictWord, hangs_on
from alerts.judging.window_brightness import TOWN_CREDIT_URL, WindowSky, window_sky
from alerts.notifying.model import AlertKind, NotificationDecision, PastAlert, Why
from alerts.notifying.validity import find_doubt
from alerts.sites.model import Site
from alerts.sky.brightness.light_domes import Dome, domes
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import DarkWindow, Night, TargetKind
from alerts.weather.cloud_by_hour import CloudHour
from alerts.weather.outlook import HazardLevel, Outlook
from alerts.wishes.model import Wishes

SKY_SUBJECTS = {
    TargetKind.CORE: phrase("briefing.subject-core"),
    TargetKind.BAND: phrase("briefing.subject-band"),
    TargetKind.NONE: phrase("briefing.subject-zenith"),
}
USUAL_EXCESS = 0.1
"""Excess (see `alerts.sky.brightness.light_domes`) of a dome that is drawn in the usual size."""
SMALLEST, LARGEST = 0.4, 1.6
_TAKES_BACK = (AlertKind.CHANGED, AlertKind.STAND_DOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class NightFindings:
    """What is known of one night at one site for one person: all that a message about it is made from.

    plan: the trip, None where nobody goes. now: when it was judged. notes: for the field. sky, record, cloud,
    invented: as in `AlertFacts`.
    """

    site: Site
    night: Night
    verdict: Verdict
    wishes: Wishes
    now: datetime
    plan: FieldPlan | None = None
    notes: FieldNotes | None = None
    sky: SkyNote | None = None
    record: str = ""
    cloud: Sequence[CloudHour] = ()
    invented: bool = False


def alert_facts(
    telling: NotificationDecision,
    found: NightFindings,
    *,
    told: PastAlert | None,
    others: Sequence[SiteChoice] = (),
) -> AlertFacts:
    """What to say of this night. telling: must have a kind. told: the alert this one answers, if any.

    others: the person's other sites worth naming, best first.
    """
    kind = telling.kind
    assert kind is not None, "silence has no message"
    facts, verdict, wishes = _facts(kind, found), found.verdict, found.wishes

    # why it is said: what turned, or what it still hangs on
    cause: Said = telling.text if kind is AlertKind.CHANGED or telling.why is Why.LAST_WORD else ""
    if kind is AlertKind.STAND_DOWN:
        cause = phrase("briefing.clear-unlikely") if telling.why is Why.TURNED_BAD else telling.text
    elif kind is AlertKind.HEADS_UP and verdict.outlook is not None:
        is_sure = (verdict.chance_pct or 0) >= wishes.chance_go_pct
        cause = "" if is_sure else hangs_on(verdict.outlook) or ""

    lead = choice_of(found.site, verdict, found.plan)
    clock = wishes.clock_zone or found.site.zone
    fork = fork_told(lead, others, found.now, clock) if facts.is_go else None
    return replace(
        facts,
        window=facts.window or (told.window if told else None),
        told_chance_pct=told.chance_pct if told else None,
        told_at=told.at if told else None,
        told_window=told.window if told and kind is AlertKind.CHANGED else None,
        told_leave_by=told.leave_by if told and kind in _TAKES_BACK else None,
        cause=cause,
        is_last_word=telling.is_last_word,
        doubt=(find_doubt(verdict.chance_pct, wishes) or "")
        if told and kind is not AlertKind.STAND_DOWN
        else "",
        is_unsettled=telling.why is Why.UNSETTLED,
        others=tuple(other.as_other() for other in others),
        fork=fork or "",
    )


def preview_facts(found: NightFindings, ahead: Ahead = NOTHING_AHEAD) -> AlertFacts:
    """The same for someone who asks, whatever the verdict; nothing is told by it.

    ahead: what is said where no forecast reaches the night yet, or where it has no window.
    """
    verdict = found.verdict
    is_go = verdict.word is VerdictWord.GO
    facts = _facts(AlertKind.GO if is_go else AlertKind.HEADS_UP, found)
    cause: Said = "" if is_go else verdict.deciding.text
    is_early = ahead.first_look is not None and verdict.word is VerdictWord.UNKNOWN
    if is_early:  # what nobody forecasts yet isn't in doubt, it is still to come
        cause, facts = "", replace(facts, hazards=())
    reasons = [
        each
        for each in verdict.reasons
        if (each.result is Result.FAIL if is_early else each.result is not Result.PASS)
        and (is_go or is_early or each != verdict.deciding)
    ]
    return replace(
        facts,
        cause=cause,
        first_look=ahead.first_look if is_early else None,
        reasons=tuple(each.text for each in reasons),
        next_window=ahead.next_window,
        instead=ahead.instead,
        preview=True,
    )


def _facts(kind: AlertKind, found: NightFindings) -> AlertFacts:
    """What the night and its verdict give, whoever is told."""
    site, night, verdict, plan, sky = found.site, found.night, found.verdict, found.plan, found.sky
    outlook, window, target = verdict.outlook, verdict.window, night.wishes.target
    # of the core in another season, below the horizon, no track is told
    is_up = window is not None and all(point.altitude_deg > 0 for point in window.track)
    credits = attributions(outlook) if outlook else ()
    if sky is not None and (sky.towns or sky.inside):
        credits = (*credits, Attribution(say("judging.town-credit"), TOWN_CREDIT_URL))
    told_hazards = [
        hazard
        for hazard in (outlook.hazards if outlook else ())
        if hazard.level in (HazardLevel.WARN, HazardLevel.FAIL)
    ]
    return AlertFacts(
        kind=kind,
        site_name=site.name,
        night=night.name,
        zone=site.zone,
        decided_at=found.now,
        verdict=verdict.word,
        person_zone=found.wishes.clock_zone,
        window=verdict.usable or (window.span if window else None),
        best=outlook.best if outlook else None,
        shortest_window=found.wishes.shortest_window,
        leave_by=plan.leave_by if plan else None,
        home_about=plan.home_about if plan else None,
        drive=plan.drive if plan else None,
        drive_is_estimate=plan.drive_is_estimate if plan else False,
        chance_pct=outlook.chance_pct if outlook else None,
        whole_pct=outlook.whole_pct if outlook else None,
        agreement=(find_agreement(outlook) or "") if outlook else "",
        spread_pct=outlook.spread_pct if outlook else None,
        change_pct=outlook.change_pct if outlook else None,
        overhead_pct=outlook.overhead_pct if outlook else None,
        sight=outlook.sight_text or "" if outlook else "",
        record=found.record,
        sky=sky,
        cloud=tuple(found.cloud),
        core=window.track if window is not None and is_up else (),
        target_name=(target.name or "target") if target.kind is TargetKind.RADEC else "core",
        shapes=window.shapes if window else (),
        moon=phrase("briefing.no-moon") if window and night.wishes.moonless else "",
        reasons=tuple(each.text for each in verdict.reasons if each.result is not Result.PASS),
        hazards=tuple(hazard.text for hazard in told_hazards),
        attributions=credits,
        forecast_issued_at=outlook.newest_issue if outlook else None,
        decide_at=plan.leave_by - found.wishes.notice if plan and kind is AlertKind.HEADS_UP else None,
        sunset=night.sun.sets[0] if night.sun.sets else None,
        dark_from=night.dark[0].start if night.dark else None,
        dark_until=night.dark[-1].end if night.dark else None,
        sunrise=night.sun.rises[-1] if night.sun.rises else None,
        invented=found.invented,
        field=found.notes,
        access_note=" ".join(filter(None, (site.access_note, site.notes))),
        signal_lost_at=plan.signal_lost_at if plan else None,
        worth=verdict.worth,
    )


def find_agreement(outlook: Outlook) -> Phrase | None:
    """`Three of four models agree.`: how many sources say clear; None when fewer than two answered."""
    clear, answered = outlook.agreement
    if answered < 2:
        return None
    if clear in (0, answered):
        return phrase("briefing.all-agree", count=answered, models=count_word(answered))
    return phrase(
        "briefing.some-clear", count=clear, clear=count_word(clear).capitalize(), models=count_word(answered)
    )


def attributions(outlook: Outlook) -> tuple[Attribution, ...]:
    """Credits of the sources really used, each once."""
    credits = (Attribution(source.attribution, source.attribution_url) for source in outlook.sources)
    return tuple(dict.fromkeys(credits))


def sky_note(site: Site, window: DarkWindow, ephemeris: Ephemeris, *, aod: float | None = None) -> SkyNote:
    """The sky of one window. aod: aerosol optical depth at 550 nm, None when unknown."""
    return note_of(window, window_sky(site, window, ephemeris, aod))


def note_of(window: DarkWindow, sky: WindowSky) -> SkyNote:
    """What a message says of a window's sky."""
    return SkyNote(
        subject=window.target.name or SKY_SUBJECTS.get(window.target.kind, phrase("briefing.subject-target")),
        mag_arcsec2=sky.middle.mag_arcsec2,
        loss_mag=sky.worst.loss_mag,
        dimmed_mag=sky.middle.dimmed_mag,
        smoke_mag=sky.middle.smoke_mag,
        towns=tuple(_town(dome, under=dome in sky.stood_over) for dome in sky.domes if not dome.inside),
        inside=next((dome.name for dome in sky.domes if dome.inside), ""),
    )


def town_glows(site: Site) -> tuple[DrawnDome, ...]:
    """The towns whose light stands over a site's horizon, brightest first."""
    found = domes(site.lat_deg, site.lon_deg)
    return tuple(_town(dome, under=False) for dome in found if not dome.inside)


def _town(dome: Dome, *, under: bool) -> DrawnDome:
    """Drawn the higher and wider the brighter the dome: a sketch of it, as of the band."""
    size = min(max((dome.excess / USUAL_EXCESS) ** 0.4, SMALLEST), LARGEST)
    usual = DrawnDome(dome.bearing_deg, dome.distance_km, name=dome.name, under_target=under)
    return replace(usual, height_deg=usual.height_deg * size, half_width_deg=usual.half_width_deg * size)
