"""Packed rows: read back as written, small, and readable for good."""

from __future__ import annotations

import json
import zlib

import pytest

from service.store.compressed_json import BY_CHECKSUM, DICTIONARIES, pack_json, unpack_json

ROW = json.dumps({"name": "2027-07-01", "windows": [], "moon_lit": 0.25, "note": "°C −3"}).encode()


@pytest.mark.parametrize("text", [ROW, b"{}", b"[]", "„…“".encode() * 900], ids=["row", "{}", "[]", "long"])
def test_what_is_packed_comes_back(text: bytes) -> None:
    assert unpack_json(pack_json(text).data) == text


def test_rows_packed_before_there_were_words_are_still_read() -> None:
    assert unpack_json(zlib.compress(ROW, 6)) == ROW


@pytest.mark.parametrize("words", DICTIONARIES, ids=[f"{zlib.adler32(each):08x}" for each in DICTIONARIES])
def test_rows_name_the_words_they_were_packed_with(words: bytes) -> None:
    packer = zlib.compressobj(9, zdict=words)
    assert unpack_json(packer.compress(ROW) + packer.flush()) == ROW


def test_words_that_were_used_never_change() -> None:
    """A changed dictionary would make every row that was packed with it unreadable."""
    assert list(BY_CHECKSUM) == [0xB92B2003]


def test_the_usual_words_cost_next_to_nothing() -> None:
    usual = b'{"rule":"thunder","result":"pass","text":"thunderstorms 0 %","slack":null}'
    assert len(pack_json(usual).data) < 40 < len(zlib.compress(usual, 9))
