"""The files of tests/data/track, and short ways to make witnesses and pairs."""

from __future__ import annotations

import csv
import gzip
import json
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.track.calibration.model import LEADS, Lead
from alerts.track.calibration.pairs import Pairs
from alerts.track.observations.coded_reports import read_metar
from alerts.track.observations.evidence import Event, SkyReport, Station

DATA = Path(__file__).parents[3] / "data"

SITE = Site("Windpump Flat", 41.96, -71.20, 400.0, "America/New_York")
KM_NORTH_DEG = 1 / 111.195
"""Degrees of latitude a kilometre, on a sphere of 6,371 km."""
HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)
NIGHT = date(2026, 7, 15)


def utc(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 7, day, hour, minute, tzinfo=UTC)


WINDOW = Span(utc(16, 2), utc(16, 6))
EVENT = Event(WINDOW, timedelta(minutes=60), toward_deg=180.0)


def read_json(name: str) -> Any:
    return json.loads((DATA / "track" / name).read_text(encoding="utf-8"))


def read_rows(name: str, folder: str = "track") -> list[dict[str, str]]:
    """The rows of a CSV file (gzipped or not) whose head is made of # lines."""
    raw = (DATA / folder / name).read_bytes()
    text = (gzip.decompress(raw) if name.endswith(".gz") else raw).decode("utf-8")
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


def station(name: str = "KXAA", km: float = 10.0, height_m: float | None = 0.0) -> Station:
    """A station north of the site; height_m: above the site."""
    elevation_m = None if height_m is None else SITE.elevation_m + height_m
    return Station(name, "METAR", SITE.lat_deg + km * KM_NORTH_DEG, SITE.lon_deg, elevation_m)


def report(name: str, at: datetime, sky: str, received_at: datetime | None = None) -> SkyReport:
    """A METAR with that sky group; `AUTO CLR` and the like make it an automatic one."""
    auto, _, group = sky.rpartition("AUTO ")
    words = ["AUTO" if auto or sky.startswith("AUTO ") else "", "00000KT 10SM", group, "08/04 A3012"]
    raw = f"METAR {name} {at:%d%H%M}Z " + " ".join(word for word in words if word)
    return SkyReport(name, at, read_metar(raw), raw, received_at or at)


def hourly(name: str, skies: Sequence[str], first: datetime | None = None) -> list[SkyReport]:
    """One report an hour, the first at the window's start; an empty sky group says nothing."""
    start = first or WINDOW.start
    return [report(name, start + i * HOUR, sky) for i, sky in enumerate(skies)]


def pairs(
    stated: Sequence[float],
    clear: Sequence[bool | int],
    *,
    lead: Lead = Lead.EVENING,
    site: int | Sequence[int] = 1,
    nights: Sequence[int] | None = None,
    told_go: Sequence[bool] | None = None,
    is_barred: Sequence[bool] | None = None,
    lineages: dict[str, Sequence[float]] | None = None,
    judge: int = 1,
) -> Pairs:
    """Pairs of one lead, by default ten nights apart, told go from 70 % on."""
    said = np.asarray(stated, dtype=np.float64)
    n = len(said)
    apart = np.arange(n) * 10 if nights is None else np.asarray(nights)
    return Pairs(
        site=np.broadcast_to(np.asarray(site, dtype=np.int64), n).copy(),
        night=date(2025, 1, 1).toordinal() + apart.astype(np.int64),
        lead=np.full(n, LEADS.index(lead)),
        judge=np.full(n, judge),
        stated=said,
        raw=said,
        clear=np.asarray(clear, dtype=np.bool_),
        told_go=said >= 0.7 if told_go is None else np.asarray(told_go, dtype=np.bool_),
        is_barred=np.zeros(n, dtype=np.bool_) if is_barred is None else np.asarray(is_barred, dtype=np.bool_),
        member_share=np.zeros(n),
        lineages={name: np.asarray(own, dtype=np.float64) for name, own in (lineages or {}).items()},
    )


FOURTEEN_GOES = [0.9] * 14 + [0.2] * 22
FOURTEEN_CAME = [1] * 11 + [0] * 3 + [1] * 3 + [0] * 19
"""Told go 14 times, clear 11; silent on 22 nights, 3 of them clear."""
