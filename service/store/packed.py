"""JSON kept small: a column type that stores values as compressed bytes, for what is written in bulk."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Any

from pydantic_core import from_json, to_json
from sqlalchemy import LargeBinary
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

LEVEL = 6


@dataclass(frozen=True, slots=True)
class Packed:
    """Bytes that are packed already, for writers that make many rows."""

    data: bytes


def pack_json(text: bytes) -> Packed:
    """JSON text, packed."""
    return Packed(zlib.compress(text, LEVEL))


def unpack_json(data: bytes) -> bytes:
    """The JSON text that was packed."""
    return zlib.decompress(data)


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
