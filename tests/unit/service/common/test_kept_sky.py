"""What is kept of the sky over starts is what would be made now, or nothing."""

from __future__ import annotations

from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alerts.sky import ephemeris as sky
from alerts.sky.earth_rotation import earth_rotation, leaps_until
from alerts.sky.ephemeris import Ephemeris
from service.common import kept_sky
from service.common.kept_sky import KeptSky, cache_dir

FIRST_S, LAST_S = 1.8e9, 1.8e9 + 40 * 86_400


def _kept(ephemeris: Ephemeris, folder: Path) -> Ephemeris:
    return Ephemeris.open(ephemeris.path, kept=KeptSky(folder))


def _no_kernel(path: Path) -> AbstractContextManager[Any]:
    raise AssertionError(f"{path} was read")


def test_a_second_start_has_the_same_bits_without_reading_the_kernel(
    ephemeris: Ephemeris, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    by_kernel = ephemeris.table(FIRST_S, LAST_S).nodes.tobytes()
    made = _kept(ephemeris, tmp_path).table(FIRST_S, LAST_S)
    monkeypatch.setattr(sky, "_opened", _no_kernel)
    again = _kept(ephemeris, tmp_path)
    assert (again.first, again.last) == (ephemeris.first, ephemeris.last)
    for other in (made, again.table(FIRST_S, LAST_S)):
        assert other.nodes.tobytes() == by_kernel


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda held: held[:-1] + bytes([held[-1] ^ 1]), id="one bit"),
        pytest.param(lambda held: held[:1000], id="cut short"),
        pytest.param(lambda held: b"", id="empty"),
        pytest.param(lambda held: held + bytes(8), id="longer"),
    ],
)
def test_row_260_what_is_damaged_is_made_anew(ephemeris: Ephemeris, tmp_path: Path, spoil: Any) -> None:
    _kept(ephemeris, tmp_path).table(FIRST_S, LAST_S)
    whole = {file: file.read_bytes() for file in tmp_path.iterdir()}
    assert len(whole) >= 3
    for file, held in whole.items():
        file.write_bytes(spoil(held))
    again = _kept(ephemeris, tmp_path).table(FIRST_S, LAST_S)
    assert again.nodes.tobytes() == ephemeris.table(FIRST_S, LAST_S).nodes.tobytes()
    assert {file: file.read_bytes() for file in tmp_path.iterdir()} == whole


def test_row_260_a_file_under_the_name_of_another_counts_as_none(tmp_path: Path) -> None:
    cache = KeptSky(tmp_path)
    cache.put("one", np.arange(3.0))
    (tmp_path / "one").rename(tmp_path / "two")
    assert cache.get("two") is None


def test_row_260_another_version_of_the_rules_makes_it_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    KeptSky(tmp_path).put("one", np.arange(3.0))
    assert KeptSky(tmp_path).get("one") is not None
    monkeypatch.setattr(kept_sky, "RULES_VERSION", "another")
    assert KeptSky(tmp_path).get("one") is None


def test_row_260_a_newer_table_of_the_earths_rotation_makes_it_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    KeptSky(tmp_path).put("one", np.arange(3.0))
    monkeypatch.setattr(kept_sky, "_state", lambda file: f"{file.name} renewed")
    assert KeptSky(tmp_path).get("one") is None


def test_row_260_where_nothing_can_be_written_all_is_computed(ephemeris: Ephemeris, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    table = _kept(ephemeris, tmp_path / "file" / "sky").table(FIRST_S, LAST_S)
    assert table.nodes.tobytes() == ephemeris.table(FIRST_S, LAST_S).nodes.tobytes()


def test_row_260_a_full_disk_leaves_no_half_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, data: bytes) -> int:
        with path.open("wb") as file:
            file.write(data[:10])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    KeptSky(tmp_path).put("one", np.arange(3.0))
    assert list(tmp_path.iterdir()) == []


def test_it_is_kept_where_other_caches_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert cache_dir() == tmp_path / "duskbell"
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert cache_dir() == tmp_path / ".cache" / "duskbell"


def test_leap_seconds_alone_are_those_of_the_whole_table() -> None:
    at_s = np.arange(0.0, 2e9, 86_400 * 7)
    assert (leaps_until(at_s) == earth_rotation().leaps(at_s)).all()
