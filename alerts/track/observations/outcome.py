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

from alerts.common.span import intersect
from alerts.sites.model import Site
from alerts.track.observations.analyses import ANALYSIS_WEIGHT, accounts_of_analyses
from alerts.track.observations.evidence import (
    JUDGE_WORDS,
    Account,
    Event,
    Judge,
    OutcomeState,
    PersonReport,
    SkyReport,
    Station,
    longest,
)
from alerts.track.observations.independence import find_same_place
from alerts.track.observations.people_reports import accounts_of_people
from alerts.track.observations.stations import account_of_station
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
    set_aside: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Outcome:
    """Whether one event happened. judge: whose word settled it, None when nobody's did.

    disagreement: witnesses that count and say something else, one sentence each.
    """

    event: Event
    state: OutcomeState
    judge: Judge | None
    why: str
    accounts: tuple[Account, ...]
    disagreement: tuple[str, ...] = ()


def judge_night(event: Event, site: Site, evidence: Evidence) -> Outcome:
    """What all the evidence makes of one event at one site."""
    people = accounts_of_people(event, evidence.people)
    stations = _accounts_of_stations(event, site, evidence)
    return combine(event, (*people, *stations, *accounts_of_analyses(event, evidence.analyses)))


def _accounts_of_stations(event: Event, site: Site, evidence: Evidence) -> tuple[Account, ...]:
    heard = [
        (station, account_of_station(event, site, station, evidence.reports)) for station in evidence.stations
    ]
    heard.sort(key=lambda pair: (-pair[1].weight * pair[1].covered_share, pair[1].distance_km, pair[0].name))
    trusted = [station for station, _ in heard if station.name not in evidence.set_aside]
    aside = {**find_same_place(trusted), **evidence.set_aside}
    return tuple(_set_aside(said, aside.get(station.name, "")) for station, said in heard)


def _set_aside(said: Account, reason: str) -> Account:
    return replace(said, weight=0.0, why=f"not counted: it {reason}") if reason else said


def combine(event: Event, accounts: Sequence[Account]) -> Outcome:
    """The rule above, on what each witness says of the same event."""
    counted = [said for said in accounts if said.counts]
    by_judge = {judge: [said for said in counted if said.judge is judge] for judge in Judge}
    state, judge, why = _by_people(by_judge) or _by_stations(event, by_judge) or _unsettled(counted, by_judge)
    others = [said for said in counted if state is not OutcomeState.UNSURE and said.says is not state]
    if state is OutcomeState.UNSURE and len({said.says for said in counted}) > 1:
        others = counted
    return Outcome(event, state, judge, why, tuple(accounts), tuple(_say(said) for said in others))


_Settled = tuple[OutcomeState, Judge | None, str]
_ByJudge = Mapping[Judge, Sequence[Account]]


def _by_people(by_judge: _ByJudge) -> _Settled | None:
    voices = by_judge[Judge.PEOPLE]
    state = _majority(voices)
    if state is None:
        return None
    backed = len(voices) > 1 or _all_say(by_judge[Judge.ANALYSIS], state)
    against = _proven_by_stations(by_judge) is OutcomeState.NOT_CLEAR
    if state is OutcomeState.CLEAR and against and not backed:
        why = "one person saw it clear, stations in reach report cloud throughout"
        return OutcomeState.UNSURE, None, why
    said = sum(voice.says is state for voice in voices)
    return state, Judge.PEOPLE, f"{said} of {len(voices)} who were there say so"


def _proven_by_stations(by_judge: _ByJudge) -> OutcomeState | None:
    """What stations alone say with enough weight."""
    stations = by_judge[Judge.STATIONS]
    state = _majority(stations)
    return state if state and _weight(stations, state) >= ENOUGH_WEIGHT else None


def _by_stations(event: Event, by_judge: _ByJudge) -> _Settled | None:
    stations, analyses = by_judge[Judge.STATIONS], by_judge[Judge.ANALYSIS]
    state = _majority(stations)
    if state is None:
        return None
    agreed = _all_say(analyses, state)
    contradicted = any(said.says is not state for said in analyses)
    weight = _weight(stations, state) + ANALYSIS_WEIGHT * (agreed - contradicted)
    if contradicted and (state is OutcomeState.CLEAR or weight < ENOUGH_WEIGHT):
        return OutcomeState.UNSURE, None, "a station and an analysis contradict each other"
    if weight < ENOUGH_WEIGHT:
        return OutcomeState.UNSURE, None, "only stations far off speak"
    if state is OutcomeState.NOT_CLEAR:
        return state, Judge.STATIONS, "stations in reach report cloud through the window"
    if not agreed:
        why = "stations see no cloud, and nothing that sees high cloud confirms it"
        return OutcomeState.UNSURE, None, why
    if not _same_stretch(event, stations, analyses):
        return OutcomeState.UNSURE, None, "stations and the analysis have it clear at different times"
    return state, Judge.STATIONS, "stations see no cloud, and an analysis has none higher up"


def _all_say(accounts: Sequence[Account], state: OutcomeState) -> bool:
    return bool(accounts) and all(said.says is state for said in accounts)


def _same_stretch(event: Event, stations: Sequence[Account], analyses: Sequence[Account]) -> bool:
    """Whether the stations that see it clear and every analysis share a stretch that can hold the event."""
    return any(
        all(longest(intersect(said.clear_parts, model.clear_parts)) >= event.shortest for model in analyses)
        for said in stations
    )


def _unsettled(counted: Sequence[Account], by_judge: _ByJudge) -> _Settled:
    if not counted:
        return OutcomeState.UNSURE, None, "nobody who could know says anything"
    if not by_judge[Judge.PEOPLE] and not by_judge[Judge.STATIONS]:
        return OutcomeState.UNSURE, None, "only a model's analysis speaks"
    return OutcomeState.UNSURE, None, "the witnesses contradict each other"


def _majority(accounts: Sequence[Account]) -> OutcomeState | None:
    whole = sum(said.weight for said in accounts)
    for state in (OutcomeState.CLEAR, OutcomeState.NOT_CLEAR):
        if whole and _weight(accounts, state) >= MAJORITY * whole - 1e-9:
            return state
    return None


def _weight(accounts: Iterable[Account], state: OutcomeState) -> float:
    return sum(said.weight for said in accounts if said.says is state)


def _say(said: Account) -> str:
    what = "clear" if said.says is OutcomeState.CLEAR else "not clear"
    who = "a person" if said.judge is Judge.PEOPLE else said.witness
    return f"{who} ({JUDGE_WORDS[said.judge]}) says {what}: {said.why}"
