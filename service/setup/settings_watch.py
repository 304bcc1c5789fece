"""A running service notices that its settings file was changed, and goes on by what can be changed live."""

from __future__ import annotations

import logging
from pathlib import Path

from service.app import Duskbell
from service.settings import BadSettings, config_file, load_settings

log = logging.getLogger(__name__)


class SettingsWatch:
    """Looks whether the file is another one than at the last look."""

    def __init__(self, duskbell: Duskbell) -> None:
        self._duskbell = duskbell
        self._seen = _mark(config_file())

    def __call__(self) -> None:
        """Take up what was changed; what can't be used is logged, and all stays as it was."""
        now = _mark(config_file())
        if now == self._seen:
            return
        self._seen = now
        try:
            waiting = self._duskbell.use(load_settings())
        except BadSettings as error:
            log.error("the settings were changed and can't be used, so the old ones stay: %s", error)
            return
        log.info("the settings were changed")
        if waiting:
            log.warning("changed, and in use after a new start alone: %s", ", ".join(waiting))


def _mark(path: Path) -> tuple[int, int, int] | None:
    """The same until the file is written or replaced."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_ino, found.st_mtime_ns, found.st_size
