"""A disk that takes nothing more, for this process: the system refuses what it writes beyond a few bytes.

The limit on the size of files (setrlimit) needs no right and no file system of its own; the error is EFBIG in
place of ENOSPC, and SQLite says "disk I/O error" for the one and "database or disk is full" for the other.
"""

from __future__ import annotations

import resource
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

FITS_BYTES = 1024
"""Less than one page of SQLite."""


@contextmanager
def full_disk() -> Iterator[None]:
    """Nor is bytecode kept meanwhile: Python would keep half a file, which nothing could import any more."""
    wrote_none = sys.dont_write_bytecode
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    sys.dont_write_bytecode = True
    resource.setrlimit(resource.RLIMIT_FSIZE, (FITS_BYTES, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        sys.dont_write_bytecode = wrote_none


@contextmanager
def opened_before(file: Path) -> Iterator[None]:
    """Some process has had the database open since before the disk filled, as a service has: its write-ahead
    log is there, and others can open it too."""
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("UPDATE alembic_version SET version_num = version_num")
        connection.execute("COMMIT")
        yield
