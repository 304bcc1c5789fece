"""Who delivers which model, of what family it is, on what terms, how far it looks: one table.

A row per (feed, model). Lineage is the weather model family, so that one model heard through two
feeds never counts as two. Facts: the providers' own documentation of their models and terms, as of
2026 (open-meteo.com/en/docs and /en/licence, api.met.no/doc, weather-gov.github.io/api). What people call
models and families stands in the catalogue, `models.toml`; codes stay in JSON and settings.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from functools import cache

from alerts.common.phrases import say
from alerts.sites.model import Site
from alerts.sky.night import Night
from alerts.weather.forecast import LayerScheme, Source

OPEN_METEO = "open-meteo"
MET_NORWAY = "metno"
NWS = "nws"

UNKNOWN_MODEL = "unknown"
BEST_MATCH_LINEAGE = "open-meteo-best-match"
UNLISTED_LINEAGE = "open-meteo-unlisted"
MIXED_LINEAGES = frozenset({BEST_MATCH_LINEAGE, UNLISTED_LINEAGE})
"""Lineages that may hide any of the others: Open-Meteo's own choice blends icon, gfs, ecmwf, metno
and more by region, and a model that isn't in this table could be any of them."""


@dataclass(frozen=True, slots=True)
class Terms:
    """What a provider asks of those who use its data.

    credit: by which the catalogue has its attribution. share_alike: what is made of the data must carry the
    same licence.
    """

    provider: str
    licence: str
    licence_url: str
    credit: str
    attribution_url: str
    share_alike: bool = False


OPEN_METEO_TERMS = Terms(
    provider="Open-Meteo",
    licence="CC BY 4.0",
    licence_url="https://creativecommons.org/licenses/by/4.0/",
    credit="open-meteo",
    attribution_url="https://open-meteo.com/",
)
_UK_TERMS = replace(
    OPEN_METEO_TERMS,
    licence="CC BY-SA 4.0",
    licence_url="https://creativecommons.org/licenses/by-sa/4.0/",
    credit="uk-met-office",
    share_alike=True,
)
_AIR_TERMS = replace(OPEN_METEO_TERMS, credit="cams")
MET_NORWAY_TERMS = Terms(
    provider="MET Norway",
    licence="CC BY 4.0",
    licence_url="https://creativecommons.org/licenses/by/4.0/",
    credit="met-norway",
    attribution_url="https://api.met.no/",
)
NWS_TERMS = Terms(
    provider="NOAA / National Weather Service",
    licence="public domain",
    licence_url="https://www.weather.gov/disclaimer",
    credit="nws",
    attribution_url="https://www.weather.gov/",
)


@dataclass(frozen=True, slots=True)
class ModelRow:
    """One model as one feed delivers it.

    horizon_h: how far ahead the model looks, in hours. cell_km: the side of its grid's cells.
    run: what Open-Meteo calls the model in its table of runs, where not by its name; "" when it has none.
    reach_km, and so cell_reach_km: the farthest that the centre of the cell answered for may lie from the
    place asked about; unless said about two cell sides, as a feed may step to a neighbour on land.
    members: 1, or the size of the ensemble with its control run.
    is_air: it tells of aerosols alone, and nothing of cloud.
    """

    model: str
    lineage: str
    horizon_h: int
    cell_km: float
    run: str | None = None
    feed: str = OPEN_METEO
    terms: Terms = OPEN_METEO_TERMS
    layer_scheme: LayerScheme = LayerScheme.OPEN_METEO
    reach_km: float | None = None
    members: int = 1
    is_air: bool = False
    run_name: str = field(init=False)
    cell_reach_km: float = field(init=False)

    def __post_init__(self) -> None:
        reach_km = max(15.0, 2 * self.cell_km) if self.reach_km is None else self.reach_km
        object.__setattr__(self, "run_name", self.model if self.run is None else self.run)
        object.__setattr__(self, "cell_reach_km", reach_km)

    @property
    def share_deg(self) -> float:
        """Places that fall into one square of this side share a request: no wider than a cell."""
        return next((step for step in SHARE_STEPS_DEG if step * KM_PER_DEG <= self.cell_km), 0.01)


SHARE_STEPS_DEG = (0.25, 0.1, 0.05, 0.02, 0.01)
KM_PER_DEG = 111.2
"""A degree of latitude on a sphere of the Earth's mean radius."""


HARMONIE_AROME = "harmonie"
"""One code of the ACCORD consortium, run by many: MEPS by MET Norway, AROME by Météo-France, HARMONIE by KNMI
and DMI (www.accord-nwp.org). Their errors are kin."""
UNIFIED_MODEL = "ukmo"
"""The Met Office's model, run by others too: ACCESS by the Bureau of Meteorology, GDPS by KMA
(www.metoffice.gov.uk/research/approach/modelling-systems/unified-model/unified-model-partnerships)."""
_ABOVE_GROUND, _TOTAL = LayerScheme.MET_NORWAY, LayerScheme.NONE


AIR_LINEAGE = "cams"
AIR_MODEL = "cams"
AIR_ROW = ModelRow(
    AIR_MODEL, AIR_LINEAGE, 120, 11.2, "", terms=_AIR_TERMS, layer_scheme=_TOTAL, reach_km=90.0, is_air=True
)
"""Aerosols: CAMS Europe (0.1 degrees, four days) where it covers the place, else CAMS global (0.4 degrees,
five days); Open-Meteo chooses and doesn't say which."""


MODELS: tuple[ModelRow, ...] = (
    ModelRow("nordic", HARMONIE_AROME, 228, 2.5, "", MET_NORWAY, MET_NORWAY_TERMS, _ABOVE_GROUND, 10.0),
    ModelRow("global", "ecmwf", 240, 9, "", MET_NORWAY, MET_NORWAY_TERMS, _ABOVE_GROUND, 20.0),
    ModelRow("gridpoint", "nws", 182, 2.5, "", NWS, NWS_TERMS, _TOTAL, 10.0),
    AIR_ROW,
    # global models
    ModelRow("ecmwf_ifs025", "ecmwf", 360, 28),
    ModelRow("ecmwf_ifs", "ecmwf", 360, 9),
    ModelRow("ecmwf_aifs025_single", "ecmwf-aifs", 360, 28),
    ModelRow("icon_seamless", "icon", 180, 13, "dwd_icon"),
    ModelRow("icon_global", "icon", 180, 13, "dwd_icon"),
    ModelRow("gfs_seamless", "gfs", 384, 28, "ncep_gfs013"),
    ModelRow("gfs_global", "gfs", 384, 28, "ncep_gfs013"),
    ModelRow("gem_seamless", "gem", 240, 15, "cmc_gem_gdps_15km"),
    ModelRow("gem_global", "gem", 240, 15, "cmc_gem_gdps_15km"),
    ModelRow("meteofrance_seamless", "arpege", 96, 28, "meteofrance_arpege_world025"),
    ModelRow("meteofrance_arpege_world", "arpege", 96, 28, "meteofrance_arpege_world025"),
    ModelRow("jma_seamless", "jma", 264, 55, "jma_gsm"),
    ModelRow("jma_gsm", "jma", 264, 55),
    ModelRow("cma_grapes_global", "cma", 240, 14),
    ModelRow("bom_access_global", UNIFIED_MODEL, 240, 15),
    ModelRow("kma_gdps", UNIFIED_MODEL, 288, 12),
    ModelRow("ukmo_seamless", UNIFIED_MODEL, 168, 10, "ukmo_global_deterministic_10km", terms=_UK_TERMS),
    ModelRow("ukmo_global_deterministic_10km", UNIFIED_MODEL, 168, 10, terms=_UK_TERMS),
    # regional models
    ModelRow("icon_eu", "icon", 120, 7, "dwd_icon_eu"),
    ModelRow("icon_d2", "icon", 48, 2, "dwd_icon_d2"),
    ModelRow("meteoswiss_icon_seamless", "icon", 120, 2, "meteoswiss_icon_ch2"),
    ModelRow("meteoswiss_icon_ch1", "icon", 33, 1),
    ModelRow("meteoswiss_icon_ch2", "icon", 120, 2),
    ModelRow("italia_meteo_arpae_icon_2i", "icon", 72, 2),
    ModelRow("gfs_hrrr", "gfs", 48, 3, "ncep_hrrr_conus"),
    # the National Blend of Models: what the forecasters' gridpoints begin from (vlab.noaa.gov/web/mdl/nbm)
    ModelRow("ncep_nbm_conus", "nws", 264, 3, layer_scheme=_TOTAL),
    ModelRow("gem_regional", "gem", 84, 10, "cmc_gem_rdps_10km"),
    ModelRow("gem_hrdps_continental", "gem", 48, 3, "cmc_gem_hrdps"),
    ModelRow("meteofrance_arpege_europe", "arpege", 96, 11),
    ModelRow("meteofrance_arome_france", HARMONIE_AROME, 48, 3, "meteofrance_arome_france0025"),
    ModelRow("jma_msm", "jma", 96, 5),
    ModelRow("metno_nordic", HARMONIE_AROME, 60, 1, "metno_nordic_pp", layer_scheme=_TOTAL),
    ModelRow("knmi_harmonie_arome_europe", HARMONIE_AROME, 60, 6),
    ModelRow("dmi_harmonie_arome_europe", HARMONIE_AROME, 60, 2),
    ModelRow("ukmo_uk_deterministic_2km", UNIFIED_MODEL, 54, 2, terms=_UK_TERMS),
    # ensembles
    ModelRow("ecmwf_ifs025_ensemble", "ecmwf", 360, 28, members=51),
    ModelRow("ecmwf_aifs025_ensemble", "ecmwf-aifs", 360, 28, members=51),
    ModelRow("icon_seamless_eps", "icon", 180, 26, "dwd_icon_eps", members=40, layer_scheme=_TOTAL),
    ModelRow("icon_global_eps", "icon", 180, 26, "dwd_icon_eps", members=40, layer_scheme=_TOTAL),
    ModelRow("icon_eu_eps", "icon", 120, 13, "dwd_icon_eu_eps", members=40, layer_scheme=_TOTAL),
    ModelRow("icon_d2_eps", "icon", 48, 2, "dwd_icon_d2_eps", members=20, layer_scheme=_TOTAL),
    ModelRow("ncep_gefs_seamless", "gfs", 840, 55, "ncep_gefs025", members=31, layer_scheme=_TOTAL),
    ModelRow("ncep_gefs025", "gfs", 240, 28, members=31, layer_scheme=_TOTAL),
    ModelRow("ncep_gefs05", "gfs", 840, 55, members=31, layer_scheme=_TOTAL),
    ModelRow("gem_global_ensemble", "gem", 384, 55, "cmc_gem_geps", members=21, layer_scheme=_TOTAL),
    ModelRow("bom_access_global_ensemble", UNIFIED_MODEL, 240, 40, members=18, layer_scheme=_TOTAL),
    ModelRow("ukmo_global_ensemble_20km", UNIFIED_MODEL, 192, 20, members=18, terms=_UK_TERMS),
    ModelRow("ukmo_uk_ensemble_2km", UNIFIED_MODEL, 120, 2, members=3, terms=_UK_TERMS),
)
"""Every model we know, by feed; `find_model` also answers for those that aren't listed."""

_BY_NAME = {(row.feed, row.model): row for row in MODELS}
_BEST_MATCH = ModelRow(UNKNOWN_MODEL, BEST_MATCH_LINEAGE, 384, 28, "", reach_km=60.0)


def find_model(feed: str, model: str) -> ModelRow | None:
    """The row of that model, or None when the table doesn't list it."""
    return _BY_NAME.get((feed, model))


def get_model(feed: str, model: str) -> ModelRow:
    """The row of a model that the table is known to list."""
    return _BY_NAME[feed, model]


def open_meteo_row(model: str) -> ModelRow:
    """The row of an Open-Meteo model, also for `unknown`, `best_match` and names not in the table.

    Without a model name Open-Meteo answers with its best match, a blend that changes from region to
    region and from hour to hour; its lineage says so and counts as nobody's second opinion.
    """
    listed = find_model(OPEN_METEO, model)
    if listed is not None:
        return listed
    lineage = BEST_MATCH_LINEAGE if model in (UNKNOWN_MODEL, "best_match") else UNLISTED_LINEAGE
    return replace(_BEST_MATCH, model=model, lineage=lineage)


def independent_lineages(lineages: Iterable[str]) -> frozenset[str]:
    """The lineages that are surely different models.

    A blend may be the very model that another feed delivers, so it counts only when it stands alone.
    """
    seen = frozenset(lineages)
    named = seen - MIXED_LINEAGES
    return named or frozenset(sorted(seen)[:1])


@cache
def model_name(feed: str, model: str, members: int = 0) -> str:
    """`GFS (NOAA)`; `GFS ensemble, 31 members` with their number. A model that isn't listed: its code."""
    name = say("models.name", code=f"{feed} {model}", model=model)
    return say("models.with-members", name=name, members=members) if members > 1 else name


def source_name(source: Source) -> str:
    return model_name(source.feed, source.model)


@cache
def family_name(lineage: str) -> str:
    """`ECMWF`; a family that isn't listed: its code."""
    return say("models.family", lineage=lineage)


def name_with_family(feed: str, model: str, lineage: str, members: int | None = None) -> str:
    """`MET Norway (ECMWF family)`, `HRRR (NOAA, GFS family)`: the family where the name doesn't tell it.

    members: those that came; as many as the model has unless given.
    """
    row = find_model(feed, model)
    if members is None:
        members = row.members if row is not None else 0
    name = model_name(feed, model, members)
    if row is not None:
        return say("models.name-with-family", code=f"{feed} {model}", name=name)
    family = family_name(lineage)
    if family in name or lineage == UNLISTED_LINEAGE:
        return name
    return say("models.of-family", name=name, family=family)


PUBLISHED_AFTER = timedelta(hours=8)
"""From a global run's nominal time, which its horizon counts from, to its last hours' being published: 6 to
8 h at ECMWF and NCEP (from memory)."""


def reach_of_models(rows: Iterable[ModelRow]) -> timedelta:
    """How far ahead the farthest of these models that tell of cloud is sure to look; 0 for none."""
    farthest = max((row.horizon_h for row in rows if not row.is_air), default=0)
    return max(timedelta(hours=farthest) - PUBLISHED_AFTER, timedelta(0))


def first_look(night: Night, site: Site, now: datetime, reach: timedelta) -> date | None:
    """The site's date on which a forecast first reaches the night's first window; None where one does, where
    the night has no window, and where nobody forecasts anything."""
    if not night.windows or not reach:
        return None
    at = night.windows[0].span.start - reach
    return at.astimezone(site.tz).date() if at > now else None
