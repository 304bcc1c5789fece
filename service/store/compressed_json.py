"""JSON kept small: a column type that stores values as compressed bytes, for what is written in bulk."""

from __future__ import annotations

import zlib
from typing import Any

from pydantic_core import from_json, to_json
from sqlalchemy import LargeBinary
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

from alerts.common.plain_values import value
from service.store.compression_dictionary import BY_CHECKSUM, NEWEST

LEVEL = 3
MEMORY = 7
"""One less than usual: a packer then fits into memory that the process has at hand, and packs as small."""
_PRIMED = zlib.compressobj(LEVEL, zlib.DEFLATED, zlib.MAX_WBITS, MEMORY, zdict=NEWEST)
"""Knows the words already; copied for each row."""
_HAS_DICTIONARY = 0x20
"""The bit FDICT of the second byte of a zlib stream (RFC 1950); the dictionary's checksum follows it."""


@value(frozen=True, slots=True)
class Packed:
    """Bytes that are packed already, for writers that make many rows."""

    data: bytes


def pack_json(text: bytes) -> Packed:
    """JSON text, packed with the words that rows usually say."""
    packer = _PRIMED.copy()
    return Packed(packer.compress(text) + packer.flush())


def unpack_json(data: bytes) -> bytes:
    """The JSON text that was packed, with or without such words."""
    if not data[1] & _HAS_DICTIONARY:
        return zlib.decompress(data)
    words = BY_CHECKSUM[int.from_bytes(data[2:6], "big")]
    unpacker = zlib.decompressobj(zdict=words)
    return unpacker.decompress(data) + unpacker.flush()


class PackedJson(TypeDecorator[Any]):
    """JSON values in and out, zlib-compressed bytes in the database. None stays NULL."""

    impl = LargeBinary
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> bytes | None:
        if value is None:
            return None
        return value.data if isinstance(value, Packed) else pack_json(to_json(value)).data

    def process_result_value(self, value: bytes | None, dialect: Dialect) -> Any:
        return None if value is None else from_json(unpack_json(value))
