"""duskbell.toml as `setup` changes it: what else stands there stays, comments included; and a running service
that notices when the file was changed."""

from __future__ import annotations

import logging
import os
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from alerts.common.phrases import phrase, say
from service.app import Duskbell
from service.channels.email import replace_file
from service.settings import BadSettings, Settings, config_file, load_settings

log = logging.getLogger(__name__)


class Origin(StrEnum):
    """Where a setting comes from."""

    ENVIRONMENT = "environment"
    FILE = "file"
    DEFAULT = "default"


class Fixed(BadSettings):
    """The environment sets it, and nobody but whoever set that can change it."""


def variable(name: str) -> str:
    """The environment variable of a setting."""
    return f"DUSKBELL_{name.upper()}"


def origin_of(name: str) -> Origin:
    """Where the setting comes from now; BadSettings when the file can't be read."""
    if any(key.upper() == variable(name) for key in os.environ):
        return Origin.ENVIRONMENT
    return Origin.FILE if name in _read(config_file()) else Origin.DEFAULT


def write_settings(changes: Mapping[str, Any]) -> Settings:
    """Write these settings into the file and give all as they are then. None takes one out of the file; a
    table such as named_targets is added to.

    The file is replaced whole or not at all, and only its owner may read it. Nothing is changed where this
    raises: Fixed for a setting that the environment holds at another value, BadSettings for what can't be
    used or written.
    """
    path = config_file()
    document = _read(path)
    changes = {name: value for name, value in changes.items() if not _is_held(name, value)}
    wanted: dict[str, Any] = {}
    for name, value in changes.items():
        if value is None:
            document.pop(name, None)
            wanted[name] = Settings.model_fields[name].get_default(call_default_factory=True)
        elif isinstance(value, Mapping):
            table = document.setdefault(name, tomlkit.table())
            table.update(value)
            wanted[name] = table.unwrap()
        else:
            document[name] = value
            wanted[name] = value
    load_settings(**wanted)  # what can't be used is refused before it is written
    if changes:
        if not path.exists():
            headed = tomlkit.document()
            headed.add(tomlkit.comment(say("setup.settings-head")))
            headed.add(tomlkit.nl())
            headed.update(document)
            document = headed
        real = path.resolve()  # as the path leads, also through a link to a file elsewhere
        try:
            real.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            replace_file(real, tomlkit.dumps(document).encode())
        except OSError as error:
            reason = error.strerror
            raise BadSettings(phrase("setup.settings-unwritable", path=path, reason=reason)) from None
    return load_settings()


def _is_held(name: str, value: Any) -> bool:
    """Whether the environment says the same already; Fixed where it says something else."""
    if origin_of(name) is not Origin.ENVIRONMENT:
        return False
    now = getattr(load_settings(), name)
    if hasattr(now, "get_secret_value"):
        now = now.get_secret_value()
    if now == value:
        return True
    raise Fixed(phrase("setup.set-by-environment", name=name, variable=variable(name)))


def _read(path: Path) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return tomlkit.document()
    except (OSError, UnicodeDecodeError, TOMLKitError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise BadSettings(phrase("setup.settings-unreadable", path=path, reason=reason)) from None


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
