"""What people call the models and families of `lineage.py`; codes stay in JSON and settings."""

from __future__ import annotations

from alerts.weather.forecast import Source
from alerts.weather.model_families import (
    AIR_LINEAGE,
    AIR_MODEL,
    BEST_MATCH_LINEAGE,
    HARMONIE_AROME,
    MET_NORWAY,
    NWS,
    OPEN_METEO,
    UNIFIED_MODEL,
    UNKNOWN_MODEL,
    UNLISTED_LINEAGE,
    find_model,
)
from alerts.weather.warning_overlap import OFFICIAL_LINEAGE

OWN_CHOICE = "Open-Meteo's own choice"

_OPEN_METEO_NAMES = {
    UNKNOWN_MODEL: OWN_CHOICE,
    "best_match": OWN_CHOICE,
    AIR_MODEL: "CAMS (Copernicus)",
    # global models
    "ecmwf_ifs025": "ECMWF",
    "ecmwf_ifs": "ECMWF (9 km)",
    "ecmwf_aifs025_single": "ECMWF AIFS",
    "icon_seamless": "ICON (DWD)",
    "icon_global": "ICON global (DWD)",
    "gfs_seamless": "GFS (NOAA)",
    "gfs_global": "GFS global (NOAA)",
    "gem_seamless": "GEM (Canada)",
    "gem_global": "GEM global (Canada)",
    "meteofrance_seamless": "ARPEGE (Météo-France)",
    "meteofrance_arpege_world": "ARPEGE world (Météo-France)",
    "jma_seamless": "JMA",
    "jma_gsm": "JMA global",
    "cma_grapes_global": "GRAPES (CMA)",
    "bom_access_global": "ACCESS (Australia)",
    "kma_gdps": "GDPS (KMA)",
    "ukmo_seamless": "UK Met Office",
    "ukmo_global_deterministic_10km": "UK Met Office global",
    # regional models
    "icon_eu": "ICON Europe (DWD)",
    "icon_d2": "ICON-D2 (DWD)",
    "meteoswiss_icon_seamless": "ICON (MeteoSwiss)",
    "meteoswiss_icon_ch1": "ICON-CH1 (MeteoSwiss)",
    "meteoswiss_icon_ch2": "ICON-CH2 (MeteoSwiss)",
    "italia_meteo_arpae_icon_2i": "ICON-2I (ItaliaMeteo)",
    "gfs_hrrr": "HRRR (NOAA)",
    "ncep_nbm_conus": "National Blend (NOAA)",
    "gem_regional": "GEM regional (Canada)",
    "gem_hrdps_continental": "HRDPS (Canada)",
    "meteofrance_arpege_europe": "ARPEGE Europe (Météo-France)",
    "meteofrance_arome_france": "AROME (Météo-France)",
    "jma_msm": "JMA regional",
    "metno_nordic": "Nordic (MET Norway)",
    "knmi_harmonie_arome_europe": "HARMONIE (KNMI)",
    "dmi_harmonie_arome_europe": "HARMONIE (DMI)",
    "ukmo_uk_deterministic_2km": "UK Met Office (2 km)",
    # ensembles
    "ecmwf_ifs025_ensemble": "ECMWF ensemble",
    "ecmwf_aifs025_ensemble": "ECMWF AIFS ensemble",
    "icon_seamless_eps": "ICON ensemble",
    "icon_global_eps": "ICON global ensemble",
    "icon_eu_eps": "ICON Europe ensemble",
    "icon_d2_eps": "ICON-D2 ensemble",
    "ncep_gefs_seamless": "GFS ensemble (35 days)",
    "ncep_gefs025": "GFS ensemble",
    "ncep_gefs05": "GFS ensemble (0.5°)",
    "gem_global_ensemble": "GEM ensemble",
    "bom_access_global_ensemble": "ACCESS ensemble",
    "ukmo_global_ensemble_20km": "UK Met Office ensemble",
    "ukmo_uk_ensemble_2km": "UK Met Office ensemble (2 km)",
}
_MODEL_NAMES = {
    (MET_NORWAY, "nordic"): "MET Norway (Nordic)",
    (MET_NORWAY, "global"): "MET Norway",
    (NWS, "gridpoint"): "US National Weather Service",
    **{(OPEN_METEO, code): name for code, name in _OPEN_METEO_NAMES.items()},
}
_FAMILY_NAMES = {
    "ecmwf": "ECMWF",
    "ecmwf-aifs": "ECMWF AIFS",
    "icon": "ICON",
    "gfs": "GFS",
    "gem": "GEM",
    "arpege": "ARPEGE",
    "jma": "JMA",
    "cma": "GRAPES",
    "nws": "US National Weather Service",
    HARMONIE_AROME: "HARMONIE-AROME",
    UNIFIED_MODEL: "Unified Model",
    AIR_LINEAGE: "CAMS",
    BEST_MATCH_LINEAGE: OWN_CHOICE,
    UNLISTED_LINEAGE: "unlisted",
    OFFICIAL_LINEAGE: "warnings",
}


def model_name(feed: str, model: str, members: int = 0) -> str:
    """`GFS (NOAA)`; `GFS ensemble, 31 members` with their number. A model that isn't listed: its code."""
    name = _MODEL_NAMES.get((feed, model), model)
    return f"{name}, {members} members" if members > 1 else name


def source_name(source: Source, members: int = 0) -> str:
    return model_name(source.feed, source.model, members)


def family_name(lineage: str) -> str:
    """`ECMWF`; a family that isn't listed: its code."""
    return _FAMILY_NAMES.get(lineage, lineage)


def name_with_family(feed: str, model: str, lineage: str, members: int | None = None) -> str:
    """`MET Norway (ECMWF family)`, `HRRR (NOAA, GFS family)`: the family where the name doesn't tell it.

    members: those that came; as many as the model has unless given.
    """
    if members is None:
        row = find_model(feed, model)
        members = row.members if row is not None else 0
    name, family = model_name(feed, model, members), family_name(lineage)
    if family in name or lineage == UNLISTED_LINEAGE:
        return name
    return f"{name[:-1]}, {family} family)" if name.endswith(")") else f"{name} ({family} family)"
