"""Nights as the column `night.facts` keeps them."""

from __future__ import annotations

from pydantic import TypeAdapter

from alerts.night import Night
from service.store.packed import Packed, pack_json, unpack_json

_NIGHT = TypeAdapter(Night)


def pack_night(night: Night) -> Packed:
    """The night as it is written."""
    return pack_json(_NIGHT.dump_json(night))


def unpack_night(data: bytes) -> Night:
    """The night that was written, from the column's bytes: quicker than by way of its JSON values."""
    return _NIGHT.validate_json(unpack_json(data))
