"""Column types: aware UTC times in every database, and JSON kept small where rows are written in bulk.

Packed with the words of a dictionary such rows shrink to a tenth, as each kind of row has words of its own.
Columns of our own binary form would be smaller still, but nobody could read them with a database and zlib
alone.
"""

from __future__ import annotations

import zlib
from base64 import b64decode, b64encode
from collections.abc import Callable
from datetime import UTC, datetime
from enum import StrEnum
from functools import cache
from importlib.resources import files
from typing import Any

from pydantic_core import from_json, to_json
from sqlalchemy import JSON, DateTime, LargeBinary
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

from alerts.common.phrases import phrase
from alerts.common.plain_values import value


class UtcDateTime(TypeDecorator[datetime]):
    """Aware UTC in and out; refuses naive times. timestamptz where the database has it."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        utc = _utc(value)
        return utc if dialect.name != "sqlite" else utc.replace(tzinfo=None)

    def bind_processor(self, dialect: Dialect) -> Callable[[Any], Any] | None:
        """SQLite is given its text at once: a decision has six times, and a cycle many thousand decisions."""
        return _sqlite_text if dialect.name == "sqlite" else super().bind_processor(dialect)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else value.astimezone(UTC)

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], Any] | None:
        """And its text is read at once: a cycle reads the times of all nights ahead."""
        return _from_sqlite if dialect.name == "sqlite" else super().result_processor(dialect, coltype)


def _utc(value: datetime) -> datetime:
    if value.tzinfo is None:
        raise ValueError(phrase("store.time-without-zone", isoformat=value.isoformat()))
    return value if value.tzinfo is UTC else value.astimezone(UTC)


def _sqlite_text(value: datetime | None) -> str | None:
    """`2027-07-01 10:07:00.000000`, as SQLAlchemy's own DATETIME writes and reads it."""
    return None if value is None else _utc(value).isoformat(" ", "microseconds").removesuffix("+00:00")


def _from_sqlite(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text + "+00:00")


_FIRST = (
    '{"grid":[0.0,0.0,0.0],"layers":"om-3-8","hours":[1800000000,3600,150],"columns":{"cloud_total_pct":[10'
    '0.0,0.0,"cloud_low_pct":[100.0,0.0,"cloud_mid_pct":[100.0,0.0,"cloud_high_pct":[100.0,0.0,"fog_pct":[0'
    '.0,0.0,0.0,"visibility_m":[24140.0,"temperature_c":[12.3,11.9,"dew_point_c":[4.5,"relative_humidity_pc'
    't":[61.0,"wind_ms":[2.4,"gust_ms":[4.8,"precipitation_probability_pct":[0.0,0.0,"precipitation_mm":[0.'
    '0,0.0,0.0,0.0,"thunder_probability_pct":[0.0,"thunder_named":[false,false,"fog_named":[false,false,nul'
    'l,null,"aerosol_optical_depth":[0.12,"pm2_5_ug_m3":[6.3,"dust_ug_m3":[0.0,"members":[],"attribution":['
    '"Weather data by Open-Meteo.com","https://open-meteo.com/"],"Based on data from MET Norway","https://a'
    'pi.met.no/"],"NOAA / National Weather Service","https://www.weather.gov/"],"place":[0.0,0.0,0.0],"next'
    '_due_at":1800000000,"sights":[{"window":[1800000000.0,1800000000.0],"frame":[180.0,20.0,4],"directions'
    '":[[180.0,40.0]],"before":[100,100,0,0]}{"name":"2027-07-01","span":{"start":"2027-07-01T11:00:00Z","e'
    'nd":"2027-07-02T11:00:00Z"},"sun":{"rises":["2027-07-02T03:00:00Z"],"sets":["2027-07-01T19:00:00Z"],"s'
    'tate":"crosses","up_at_start":true},"civil":{"rises":["2027-07-02T03:00:00Z"],"sets":["2027-07-01T19:0'
    '0:00Z"],"state":"crosses","up_at_start":true},"nautical":{"rises":["2027-07-02T02:00:00Z"],"sets":["20'
    '27-07-01T20:00:00Z"],"state":"crosses","up_at_start":true},"astronomical":{"rises":["2027-07-02T01:00:'
    '00Z"],"sets":["2027-07-01T21:00:00Z"],"state":"crosses","up_at_start":true},"moon":{"rises":["2027-07-'
    '01T13:00:00Z"],"sets":["2027-07-01T23:00:00Z"],"state":"crosses","up_at_start":false},"state":"always_'
    'down","state":"always_up","moon_lit":0.5,"dark":[{"start":"2027-07-01T21:00:00Z","end":"2027-07-02T01:'
    '00:00Z"}],"moonless":[{"start":"2027-07-01T11:00:00Z","end":"2027-07-01T13:00:00Z"},{"start":"2027-07-'
    '01T23:00:00Z","end":"2027-07-02T11:00:00Z"}],"windows":[{"span":{"start":"2027-07-01T21:00:00Z","end":'
    '"2027-07-02T01:00:00Z"},"target":{"kind":"band","name":"","ra_deg":null,"dec_deg":null,"arc_l_deg":nul'
    'l},"target":{"kind":"core","name":"","ra_deg":null,"dec_deg":null,"arc_l_deg":null},"track":[{"at":"20'
    '27-07-01T21:00:00Z","altitude_deg":10.0,"azimuth_deg":150.0},{"at":"2027-07-01T23:00:00Z","altitude_de'
    'g":20.0,"azimuth_deg":180.0},{"at":"2027-07-02T01:00:00Z","altitude_deg":10.0,"azimuth_deg":210.0}],"s'
    'hapes":[{"shape":"arch","span":{"start":"2027-07-01T21:00:00Z","end":"2027-07-01T22:00:00Z"}},{"shape"'
    ':"leaning","span":{"start":"2027-07-01T22:00:00Z","end":"2027-07-01T23:00:00Z"}},{"shape":"column","sp'
    'an":{"start":"2027-07-01T23:00:00Z","end":"2027-07-02T01:00:00Z"}}],"shape":"overhead","longitudes_up_'
    'deg":[]}],"wishes":{"target":{"kind":"core","name":"","ra_deg":null,"dec_deg":null,"arc_l_deg":null},"'
    'darkness":"astronomical","moonless":true,"lowest_altitude_deg":10.0,"lowest_altitude_deg":null,"most_l'
    'oss_mag":null},"foreground_moonlit":[{"start":"2027-07-01T19:00:00Z","end":"2027-07-01T22:00:00Z"}]}[{'
    '"rule":"chance","result":"fail","text":"clear 40 %, you asked for 70 %; no model says clear yet","slac'
    'k":-0.4},{"rule":"evening","result":"pass","text":"the window ends before "},{"rule":"gust","result":"'
    'warn","text":"gusts up to 12 m/s, your limit is 15 m/s","slack":0.1},{"rule":"warning","result":"warn"'
    ',"text":"official warnings aren\'t known here: check with the local authority","slack":null},{"rule":"'
    'smoke","result":"warn","text":"smoke and dust unknown","slack":null},{"rule":"lens","result":"warn","t'
    'ext":"dew on the lens likely (3 °C above the dew point)","slack":null},{"rule":"day","result":"warn","'
    'text":"we decide on Thu 1 July","slack":null},{"rule":"precipitation","result":"fail","text":"rain or '
    'snow 40 %, up to 0.0 mm/h","slack":null},{"rule":"sources","result":"warn","text":"only ecmwf answered'
    '; a go needs two model families"},{"rule":"other_window","result":"fail","text":"the chance reaches ",'
    '"every model leans to clear, none is sure enough","2 of 3 models say clear; it hangs on ","we decide o'
    'n Thu 1 July at 17:00 CEST"},{"rule":"wind","result":"pass","text":"wind up to 4 m/s, your limit is 9 '
    'm/s","slack":0.5},{"rule":"shortest_window","result":"pass","text":"the window lasts 4 h 20 min, you a'
    'sked for 30 min","slack":7.5},{"rule":"over","result":"pass","text":"the window Thu 23:45–04:09 CEST i'
    's still to come","slack":null},{"rule":"access","result":"pass","text":"the site can be reached in Jul'
    'y","slack":null},{"rule":"target","result":"pass","text":"the core reaches 20°, you asked for 10°","sl'
    'ack":1.0},{"rule":"thunder","result":"pass","text":"thunderstorms 0 %","slack":null},{"rule":"cold","r'
    'esult":"pass","text":"felt cold down to 3 °C","slack":null},{"rule":"fog","result":"pass","text":"fog '
    'up to 0 %","slack":null},{"rule":"sources","result":"pass","text":"3 model families from 2 providers a'
    'nswered","slack":null},{"rule":"day","result":"pass","text":"it is the day of the night","slack":null}'
    ']{"window":{"start":"2027-07-01T21:00:00Z","end":"2027-07-02T01:00:00Z"},"chance_pct":50,"spread_pct":'
    '[38,71],"best":{"start":"2027-07-02T00:00:00Z","end":"2027-07-02T00:30:00Z"},"per_source":[{"source":{'
    '"feed":"metno","provider":"MET Norway","lineage":"ecmwf","model":"global","attribution":"Based on data'
    ' from MET Norway","attribution_url":"https://api.met.no/","issued_at":"2027-07-01T07:00:00Z","fetched_'
    'at":"2027-07-01T07:00:00Z","unchanged_since":"2027-07-01T07:00:00Z","next_due_at":null},"chance":0.41,'
    '"why_not":"","least_cloud_pct":33.0,"members":0,"least_plan_pct":33.0,"chance_overhead":0.41,"sight_pl'
    'aces":0},{"source":{"feed":"open-meteo","provider":"Open-Meteo","lineage":"icon","model":"icon_seamles'
    's","attribution":"Weather data by Open-Meteo.com","attribution_url":"https://open-meteo.com/","issued_'
    'at":"2027-07-01T07:00:00Z","fetched_at":"2027-07-01T07:00:00Z","unchanged_since":null,"next_due_at":"2'
    '027-07-01T13:00:00Z"},"chance":0.71,"why_not":"","least_cloud_pct":8.8,"members":51,"least_plan_pct":8'
    '.8,"chance_overhead":0.71,"sight_places":4}],"hazards":[{"name":"wind","level":"fine","text":"wind up '
    'to 8 m/s","worst":7.8,"unit":"m/s","at":"2027-07-01T23:00:00Z","url":""},{"name":"gust","level":"warn"'
    ',"text":"gusts up to 12 m/s","worst":12.4,"unit":"m/s","at":"2027-07-01T23:00:00Z","url":""},{"name":"'
    'precipitation","level":"fail","text":"rain or snow 40 %, up to 0.0 mm/h","worst":40.0,"unit":"%","at":'
    '"2027-07-01T23:00:00Z","url":""},{"name":"thunder","level":"fine","text":"thunderstorms 0 %","worst":0'
    '.0,"unit":"%","at":"2027-07-01T19:00:00Z","url":""},{"name":"cold","level":"fine","text":"felt cold do'
    'wn to 3 °C","worst":2.7,"unit":"°C","at":"2027-07-01T23:00:00Z","url":""},{"name":"fog","level":"fine"'
    ',"text":"fog up to 0 %","worst":0.0,"unit":"%","at":"2027-07-01T23:00:00Z","url":""},{"name":"lens","l'
    'evel":"fine","text":"no dew on the lens (6 °C above the dew point)","worst":6.4,"unit":"°C","at":"2027'
    '-07-01T23:00:00Z","url":""},{"name":"smoke","level":"unknown","text":"smoke and dust unknown","worst":'
    'null,"unit":"","at":null,"url":""},{"name":"warning","level":"unknown","text":"official warnings aren'
    '\'t known here: check with the local authority","worst":null,"unit":"","at":null,"url":""}],"cloud_kno'
    'wn":true,"wind_known":true,"precipitation_known":true,"lineages":["ecmwf","gfs","icon"],"providers":["'
    'MET Norway","Open-Meteo"],"newest_issue":"2027-07-01T07:00:00Z","notes":[],"agreement":[2,3],"overhead'
    '_pct":null,"sight_text":"","change_pct":null,"trip":{"start":"2027-07-01T20:00:00Z","end":"2027-07-02T'
    '02:00:00Z"},"warnings":[],"aerosol_optical_depth":null,"helpers":[],"raw_chance_pct":null,"calibration'
    '":""}'
).encode()


class RowWords(StrEnum):
    """The dictionaries: of any row, and of those kinds that most rows are of.

    A text that was ever used stays as it is for good: rows name the one they were packed with by its checksum
    (RFC 1950, FDICT). A better one gets a name of its own. One version must know it before the next writes
    with it, or going back a version would find rows that it can't read; those in files could be written with
    at once, since no version that lacks them opens a store of migration 0027.
    """

    ANY = "any"
    NIGHTS = "nights"
    OUTLOOKS = "outlooks"
    FINDINGS = "findings"
    ALERTS = "alerts"

    def read(self) -> bytes:
        """Its text. All but the first lie in row_words: whole pieces of rows, one a line, chosen for how much
        of other rows they say, what is met most often last, where it costs least to point at."""
        if self is RowWords.ANY:
            return _FIRST
        return (files("service.store") / "row_words" / f"{self}.txt").read_bytes()


@cache
def by_checksum() -> dict[int, bytes]:
    """Each dictionary by what rows name it by."""
    return {zlib.adler32(words): words for words in (each.read() for each in RowWords)}


LEVELS = {RowWords.ANY: 3}
"""How hard zlib looks for what it knows. With words of their own rows take no longer on the level below than
they took without on this one."""
LEVEL = 5
MEMORY = 7
"""One less than usual: a packer then fits into memory that the process has at hand, and packs as small."""
_HAS_DICTIONARY = 0x20
"""The bit FDICT of the second byte of a zlib stream (RFC 1950); the dictionary's checksum follows it."""


@cache
def _primed(words: RowWords) -> Any:
    """A packer that knows the words already; copied for each row."""
    return zlib.compressobj(
        LEVELS.get(words, LEVEL), zlib.DEFLATED, zlib.MAX_WBITS, MEMORY, zdict=words.read()
    )


@value(frozen=True, slots=True)
class Packed:
    """Bytes that are packed already, for writers that make many rows."""

    data: bytes


def pack_json(text: bytes, words: RowWords = RowWords.ANY) -> Packed:
    """JSON text, packed with the words that rows of its kind usually say."""
    packer = _primed(words).copy()
    return Packed(packer.compress(text) + packer.flush())


def unpack_json(data: bytes) -> bytes:
    """The JSON text that was packed, with or without such words."""
    if not data[1] & _HAS_DICTIONARY:
        return zlib.decompress(data)
    words = by_checksum()[int.from_bytes(data[2:6], "big")]
    unpacker = zlib.decompressobj(zdict=words)
    return unpacker.decompress(data) + unpacker.flush()


class PackedJson(TypeDecorator[Any]):
    """JSON values in and out, zlib-compressed bytes in the database. None stays NULL."""

    impl = LargeBinary
    cache_ok = True

    def __init__(self, words: RowWords = RowWords.ANY) -> None:
        super().__init__()
        self.words = words

    def process_bind_param(self, value: Any, dialect: Dialect) -> bytes | None:
        if value is None:
            return None
        return value.data if isinstance(value, Packed) else pack_json(to_json(value), self.words).data

    def process_result_value(self, value: bytes | None, dialect: Dialect) -> Any:
        return None if value is None else from_json(unpack_json(value))


class PackedInJson(TypeDecorator[Any]):
    """JSON values in and out, in a column that was JSON before they were packed: a text of base64 in it (RFC
    4648) is unpacked, anything else is what an older version wrote, as it stands."""

    impl = JSON
    cache_ok = True

    def __init__(self, words: RowWords) -> None:
        super().__init__()
        self.words = words

    def process_bind_param(self, value: Any, dialect: Dialect) -> str:
        return b64encode(pack_json(to_json(value), self.words).data).decode()

    def process_result_value(self, value: Any, dialect: Dialect) -> Any:
        return from_json(unpack_json(b64decode(value))) if isinstance(value, str) else value
