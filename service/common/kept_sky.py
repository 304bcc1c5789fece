"""The sky as all commands open it: what the kernel gave once is kept over starts, block by block.

In `~/.cache/duskbell/sky` (or `$XDG_CACHE_HOME`): a file for each 32 days, 21 kB; all the kernel's years take
38 MB. A file begins with a digest of its values and of all that they come from: the kernel, the tables of
the Earth's rotation, the libraries that compute, the rules themselves. One that is damaged or of another
version is made anew, to the same bits. Where nothing can be written all is computed, as at a first start.
"""

from __future__ import annotations

import os
from contextlib import suppress
from functools import cached_property
from hashlib import blake2b
from importlib.metadata import version
from importlib.resources import as_file, files
from importlib.resources.abc import Traversable
from pathlib import Path

import numpy as np

from alerts import RULES_VERSION
from alerts.sky.ephemeris import Ephemeris, Floats

_DIGEST_BYTES = 32
_COMPUTED_BY = ("numpy", "skyfield", "jplephem", "astropy-iers-data")
_SOURCES = ("ephemeris.py", "earth_rotation.py")


def cache_dir() -> Path | None:
    """Where what can be made anew is kept (the XDG cache folder); None for somebody without a home."""
    try:
        return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "duskbell"
    except RuntimeError:
        return None


def open_ephemeris() -> Ephemeris:
    """The carried kernel, with what was kept of it; see `Ephemeris.open`."""
    folder = cache_dir()
    return Ephemeris.open(kept=None if folder is None else KeptSky(folder / "sky"))


class KeptSky:
    """Arrays by name, a file each; fits `alerts.sky.ephemeris.KeptArrays`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def get(self, name: str) -> Floats | None:
        """The array, flat, bit for bit as it was put; None where there is none of this very version."""
        try:
            held = (self.folder / name).read_bytes()
        except OSError:
            return None
        digest, values = held[:_DIGEST_BYTES], held[_DIGEST_BYTES:]
        return np.frombuffer(values) if digest == self._digest(name, values) else None

    def put(self, name: str, array: Floats) -> None:
        """Keep it if that can be done; written beside and renamed, so that nobody reads half of it."""
        values = np.ascontiguousarray(array, dtype=np.float64).tobytes()
        beside = self.folder / f".{name}.{os.getpid()}"
        with suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            try:
                beside.write_bytes(self._digest(name, values) + values)
                beside.replace(self.folder / name)
            finally:
                beside.unlink(missing_ok=True)

    def _digest(self, name: str, values: bytes) -> bytes:
        found = blake2b(self._made_from, digest_size=_DIGEST_BYTES)
        found.update(name.encode() + b"\0" + values)
        return found.digest()

    @cached_property
    def _made_from(self) -> bytes:
        """All that the values rest on, in some words for each."""
        parts = [RULES_VERSION, *os.uname()[4:], *map(version, _COMPUTED_BY)]
        tables = files("astropy_iers_data") / "data"
        parts += [
            _state(files("skyfield_data") / "data" / "de421.bsp"),
            *(_state(tables / name) for name in ("finals2000A.all", "Leap_Second.dat")),
        ]
        rules = files("alerts.sky")
        sources = [blake2b((rules / name).read_bytes()).hexdigest() for name in _SOURCES]
        return "\n".join([*parts, *sources]).encode()


def _state(file: Traversable) -> str:
    with as_file(file) as path:
        found = path.stat()
    return f"{path.name} {found.st_size} {found.st_mtime_ns}"
