"""What a night was like: the witnesses' words put together by one rule, disagreement kept.

1. People first. Those who say something agree, or two thirds of them do: that is what it was like. One
   voice alone that says clear, against stations that prove cloud, needs an analysis on its side.
2. Then stations, two thirds of their weight saying the same. Cloud needs a weight of 1: one near station,
   or two further off, or one further off with the analysis; against an analysis half as much again.
   Clear needs the same, and an analysis without high cloud in the same stretch: stations can't see it.
3. A model's analysis settles nothing alone.
4. All else is unsure: kept, shown, not scored.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from alerts.common.phrases import Phrase, Worded, phrase
from alerts.common.span import intersect
from alerts.sites.model import Site
from alerts.track.observations.evidence import (
    Account,
    Event,
    Judge,
    OutcomeState,
    PersonReport,
    SkyReport,
    Station,
    longest,
)
from alerts.track.observations.stations import account_of_station, find_same_place
from alerts.track.observations.witnesses import ANALYSIS_WEIGHT, accounts_of_analyses, accounts_of_people
from alerts.weather.forecast import Forecast

ENOUGH_WEIGHT = 1.0
MAJORITY = 2 / 3
"""Of the weight that says anything, so much must say the same."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that is known of one site's night. set_aside: stations that don't count, with the reason."""

    stations: Sequence[Station] = ()
    reports: Sequence[SkyReport] = ()
    people: Sequence[PersonReport] = ()
    analyses: Sequence[Forecast] = ()
    set_aside: Mapping[str, Phrase] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Outcome(Worded):
    """Whether one event happened. judge: whose word settled it, None when nobody's did.

    disagreement: witnesses that count and say something else, one sentence each.
    """

    event: Event
    state: OutcomeState
    judge: Judge | None
    why: Phrase
    accounts: tuple[Account, ...]
    disagreement: tuple[Phrase, ...] = ()


def judge_night(event: Event, site: Site, evidence: Evidence) -> Outcome:
    """What all the evidence makes of one event at one site."""
    heard = [
        (station, account_of_station(event, site, station, evidence.reports)) for station in evidence.stations
    ]
    heard.sort(key=lambda pair: (-pair[1].weight * pair[1].covered_share, pair[1].distance_km, pair[0].name))
    trusted = [station for station, _ in heard if station.name not in evidence.set_aside]
    aside = {**find_same_place(trusted), **evidence.set_aside}
    stations = [
        replace(said, weight=0.0, why=aside[station.name]) if station.name in aside else said
        for station, said in heard
    ]
    people = accounts_of_people(event, evidence.people)
    return combine(event, (*people, *stations, *accounts_of_analyses(event, evidence.analyses)))


def combine(event: Event, accounts: Sequence[Account]) -> Outcome:
    """The rule above, on what each witness says of the same event."""
    counted = [said for said in accounts if said.counts]
    by_judge = {judge: [said for said in counted if said.judge is judge] for judge in Judge}
    settled = _by_people(by_judge) or _by_stations(event, by_judge)
    if settled is None:
        settled = OutcomeState.UNSURE, None, phrase("observations.contradictory")
        if not counted:
            settled = OutcomeState.UNSURE, None, phrase("observations.nobody-knows")
        elif not by_judge[Judge.PEOPLE] and not by_judge[Judge.STATIONS]:
            settled = OutcomeState.UNSURE, None, phrase("observations.only-an-analysis")
    state, judge, why = settled
    others = [said for said in counted if state is not OutcomeState.UNSURE and said.says is not state]
    if state is OutcomeState.UNSURE and len({said.says for said in counted}) > 1:
        others = counted
    disagreement = tuple(
        phrase(
            "observations.disagrees",
            says=said.says,
            witness=phrase("observations.a-person") if said.judge is Judge.PEOPLE else said.witness,
            judge=phrase("track.judge", judge=said.judge),
            why=said.why,
        )
        for said in others
    )
    return Outcome(event, state, judge, why, tuple(accounts), disagreement)


_Settled = tuple[OutcomeState, Judge | None, Phrase]
_ByJudge = Mapping[Judge, Sequence[Account]]


def _by_people(by_judge: _ByJudge) -> _Settled | None:
    voices, stations = by_judge[Judge.PEOPLE], by_judge[Judge.STATIONS]
    state = _majority(voices)
    if state is None:
        return None
    is_backed = len(voices) > 1 or _all_say(by_judge[Judge.ANALYSIS], state)
    proves_cloud = (
        _majority(stations) is OutcomeState.NOT_CLEAR
        and _weight(stations, OutcomeState.NOT_CLEAR) >= ENOUGH_WEIGHT
    )
    if state is OutcomeState.CLEAR and proves_cloud and not is_backed:
        return OutcomeState.UNSURE, None, phrase("observations.one-person-against-stations")
    said = sum(voice.says is state for voice in voices)
    return state, Judge.PEOPLE, phrase("observations.who-were-there", said=said, voices=len(voices))


def _by_stations(event: Event, by_judge: _ByJudge) -> _Settled | None:
    stations, analyses = by_judge[Judge.STATIONS], by_judge[Judge.ANALYSIS]
    state = _majority(stations)
    if state is None:
        return None
    agreed = _all_say(analyses, state)
    contradicted = any(said.says is not state for said in analyses)
    weight = _weight(stations, state) + ANALYSIS_WEIGHT * (agreed - contradicted)
    if contradicted and (state is OutcomeState.CLEAR or weight < ENOUGH_WEIGHT):
        return OutcomeState.UNSURE, None, phrase("observations.station-against-analysis")
    if weight < ENOUGH_WEIGHT:
        return OutcomeState.UNSURE, None, phrase("observations.only-stations-far-off")
    if state is OutcomeState.NOT_CLEAR:
        return state, Judge.STATIONS, phrase("observations.stations-cloudy")
    if not agreed:
        return OutcomeState.UNSURE, None, phrase("observations.high-cloud-unknown")
    shares_a_stretch = any(
        all(longest(intersect(said.clear_parts, model.clear_parts)) >= event.shortest for model in analyses)
        for said in stations
    )
    if not shares_a_stretch:
        return OutcomeState.UNSURE, None, phrase("observations.clear-at-different-times")
    return state, Judge.STATIONS, phrase("observations.stations-clear")


def _all_say(accounts: Sequence[Account], state: OutcomeState) -> bool:
    return bool(accounts) and all(said.says is state for said in accounts)


def _majority(accounts: Sequence[Account]) -> OutcomeState | None:
    whole = sum(said.weight for said in accounts)
    for state in (OutcomeState.CLEAR, OutcomeState.NOT_CLEAR):
        if whole and _weight(accounts, state) >= MAJORITY * whole - 1e-9:
            return state
    return None


def _weight(accounts: Iterable[Account], state: OutcomeState) -> float:
    return sum(said.weight for said in accounts if said.says is state)
