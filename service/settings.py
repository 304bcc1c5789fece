"""Settings: typed, described, checked at start; and the origins of the addresses in them (RFC 6454).

Order, first wins: environment (`DUSKBELL_…`), the TOML file, the defaults below. The TOML file is
`duskbell.toml` in the data folder, or the path in `DUSKBELL_CONFIG`.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from ipaddress import ip_address, ip_network
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from pydantic import Field, SecretStr, ValidationError, field_validator, model_validator
from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    TomlConfigSettingsSource,
)

from alerts.common.errors import BadInput, DuskbellError
from alerts.common.phrases import phrase, say
from service.common.outbound_proxy import Proxy, read_proxy

DEFAULT_PORTS = {"http": 80, "https": 443}
"""RFC 9110 sections 4.2.1 and 4.2.2."""


class BadSettings(DuskbellError):
    """A setting can't be used; the message names it and says what would work."""


def default_data_dir() -> Path:
    """Where Duskbell keeps its files unless told otherwise (the XDG data folder)."""
    base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "duskbell"


def config_file() -> Path:
    """The TOML file that is read, whether or not it exists."""
    if named := os.environ.get("DUSKBELL_CONFIG"):
        return Path(named)
    return Path(os.environ.get("DUSKBELL_DATA_DIR") or default_data_dir()) / "duskbell.toml"


class Settings(BaseSettings):
    """Everything an operator can set."""

    model_config = SettingsConfigDict(env_prefix="DUSKBELL_", extra="forbid", validate_default=True)

    data_dir: Path = Field(default_factory=default_data_dir, description=say("settings.data-dir"))
    database_url: str = Field("", description=say("settings.database-url"))
    contact: str = Field("", description=say("settings.contact"))
    public_url: str = Field(
        "",
        description=say("settings.public-url"),
    )
    web_host: str = Field("127.0.0.1", description=say("settings.web-host"))
    web_port: int = Field(8765, ge=1, le=65535, description=say("settings.web-port"))
    web_hsts: bool = Field(False, description=say("settings.web-hsts"))
    open_sign_up: bool = Field(False, description=say("settings.open-sign-up"))
    sites_per_person: int = Field(200, ge=1, description=say("settings.sites-per-person"))
    subscriptions_per_person: int = Field(400, ge=1, description=say("settings.subscriptions-per-person"))
    addresses_per_person: int = Field(20, ge=1, description=say("settings.addresses-per-person"))
    cycle_minutes: int = Field(30, ge=5, le=360, description=say("settings.cycle-minutes"))
    cycle_processes: int = Field(
        0,
        ge=0,
        le=32,
        description=say("settings.cycle-processes"),
    )

    met_norway: bool = Field(True, description=say("settings.met-norway"))
    met_norway_url: str = Field("https://api.met.no", description=say("settings.met-norway-url"))
    nws: bool = Field(True, description=say("settings.nws"))
    nws_url: str = Field("https://api.weather.gov", description=say("settings.nws-url"))
    metar: bool = Field(
        True,
        description=say("settings.metar"),
    )
    metar_url: str = Field("https://aviationweather.gov", description=say("settings.metar-url"))
    nws_observations: bool = Field(True, description=say("settings.nws-observations"))
    synop_ogimet: bool = Field(False, description=say("settings.synop-ogimet"))
    synop_url: str = Field("http://www.ogimet.com", description=say("settings.synop-url"))
    synop_stations: tuple[str, ...] = Field((), description=say("settings.synop-stations"))
    open_meteo_noncommercial: bool = Field(
        False,
        description=say("settings.open-meteo-noncommercial"),
    )
    open_meteo_key: SecretStr | None = Field(None, description=say("settings.open-meteo-key"))
    open_meteo_url: str = Field("", description=say("settings.open-meteo-url"))
    open_meteo_models: tuple[str, ...] = Field(
        ("ecmwf_ifs025", "icon_seamless", "gfs_seamless", "gem_seamless", "meteofrance_seamless"),
        description=say("settings.open-meteo-models"),
    )
    open_meteo_share_alike: bool = Field(
        False,
        description=say("settings.open-meteo-share-alike"),
    )
    open_meteo_ensembles: tuple[str, ...] = Field(
        ("ecmwf_ifs025_ensemble", "ncep_gefs025"),
        description=say("settings.open-meteo-ensembles"),
    )
    open_meteo_ensemble_url: str = Field("", description=say("settings.open-meteo-ensemble-url"))
    open_meteo_air: bool = Field(True, description=say("settings.open-meteo-air"))
    open_meteo_air_url: str = Field("", description=say("settings.open-meteo-air-url"))
    open_meteo_daily_weight: int | None = Field(
        None,
        ge=1,
        description=say("settings.open-meteo-daily-weight"),
    )
    official_warnings: bool = Field(True, description=say("settings.official-warnings"))
    cloud_by_height: bool = Field(
        True,
        description=say("settings.cloud-by-height"),
    )
    line_of_sight: bool = Field(
        True,
        description=say("settings.line-of-sight"),
    )

    smtp_host: str = Field("", description=say("settings.smtp-host"))
    smtp_port: int = Field(587, ge=1, le=65535, description=say("settings.smtp-port"))
    smtp_security: Literal["starttls", "tls", "none"] = Field(
        "starttls", description=say("settings.smtp-security")
    )
    smtp_user: str = Field("", description=say("settings.smtp-user"))
    smtp_password: SecretStr | None = Field(None, description=say("settings.smtp-password"))
    mail_from: str = Field("duskbell@localhost.localdomain", description=say("settings.mail-from"))
    mail_return_path: str = Field("", description=say("settings.mail-return-path"))
    bounce_mailbox: Path | None = Field(None, description=say("settings.bounce-mailbox"))
    relay_hook_key: SecretStr | None = Field(None, description=say("settings.relay-hook-key"))
    outbox_dir: Path | None = Field(None, description=say("settings.outbox-dir"))

    template_dir: Path | None = Field(None, description=say("settings.template-dir"))

    webhook_allow: tuple[str, ...] = Field((), description=say("settings.webhook-allow"))
    named_targets: dict[str, SecretStr] = Field(
        default_factory=dict,
        description=say("settings.named-targets"),
    )

    outbound_proxy: SecretStr | None = Field(
        None,
        description=say("settings.outbound-proxy"),
    )
    outbound_direct: tuple[str, ...] = Field(
        (),
        description=say("settings.outbound-direct"),
    )

    operator_email: str = Field("", description=say("settings.operator-email"))
    operator_target: str = Field(
        "",
        description=say("settings.operator-target"),
    )
    operator_target_secret: SecretStr | None = Field(None, description=say("settings.operator-target-secret"))

    secret_key: SecretStr | None = Field(None, description=say("settings.secret-key"))
    trusted_proxies: tuple[str, ...] = Field(
        (),
        description=say("settings.trusted-proxies"),
    )
    metrics_open: bool = Field(False, description=say("settings.metrics-open"))
    log_format: Literal["text", "json"] = Field("text", description=say("settings.log-format"))
    log_level: Literal["debug", "info", "warning", "error"] = Field(
        "info", description=say("settings.log-level")
    )
    keep_attempts_days: int = Field(90, ge=7, description=say("settings.keep-attempts-days"))
    keep_messages_days: int = Field(400, ge=30, description=say("settings.keep-messages-days"))
    keep_nights_days: int = Field(
        800,
        ge=60,
        description=say("settings.keep-nights-days"),
    )
    keep_forecasts_days: int = Field(
        120,
        ge=14,
        description=say("settings.keep-forecasts-days"),
    )

    @model_validator(mode="after")
    def _user_needs_password(self) -> Settings:
        if self.smtp_user and self.smtp_password is None:
            raise ValueError(phrase("settings.user-without-password"))
        return self

    @model_validator(mode="after")
    def _operator_target_is_whole(self) -> Settings:
        if self.operator_target and "" in self.operator_target.partition(":"):
            raise ValueError(phrase("settings.target-halved"))
        return self

    @model_validator(mode="after")
    def _links_lead_somewhere(self) -> Settings:
        if not self.public_url:
            self.public_url = page_address(self.web_host, self.web_port)
        if not self.public_url.startswith(("http://", "https://")):
            raise ValueError(phrase("settings.url-without-scheme"))
        return self

    @model_validator(mode="after")
    def _proxies_are_networks(self) -> Settings:
        for entry in self.trusted_proxies:
            ip_network(entry)
        return self

    @field_validator("outbound_proxy")
    @classmethod
    def _proxy_is_one(cls, url: SecretStr | None) -> SecretStr | None:
        _read_outbound(url.get_secret_value() if url else "", ())
        return url

    @field_validator("outbound_direct")
    @classmethod
    def _direct_hosts_are_hosts(cls, entries: tuple[str, ...]) -> tuple[str, ...]:
        _read_outbound("http://proxy.example:3128", entries)
        return entries

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        toml = TomlConfigSettingsSource(settings_cls, config_file())
        return init_settings, env_settings, toml

    @property
    def store_url(self) -> str:
        return self.database_url or f"sqlite:///{self.data_dir / 'duskbell.sqlite3'}"

    @property
    def lacks_store(self) -> bool:
        """Whether there surely is no store: the file that it would be in isn't there."""
        return not self.database_url and not Path(self.store_url.removeprefix("sqlite:///")).is_file()

    @property
    def outbox(self) -> Path:
        return self.outbox_dir or self.data_dir / "outbox"

    @property
    def operator_way(self) -> tuple[str, str] | None:
        """Channel and address of the second way to the operator; None when there is none."""
        if not self.operator_target:
            return None
        channel, _, address = self.operator_target.partition(":")
        return channel, address

    @property
    def proxy(self) -> Proxy | None:
        """The proxy on the way out; None when there is none."""
        url = self.outbound_proxy.get_secret_value() if self.outbound_proxy else ""
        return read_proxy(url, self.outbound_direct) if url else None

    @property
    def uses_open_meteo(self) -> bool:
        return self.open_meteo_noncommercial or self.open_meteo_key is not None


def _read_outbound(url: str, direct: tuple[str, ...]) -> None:
    try:
        if url:
            read_proxy(url, direct)
    except BadInput as error:
        raise ValueError(str(error)) from None


def page_address(host: str, port: int) -> str:
    """The pages' address as seen from this machine, for a host that they listen on."""
    named = "127.0.0.1" if host in ("", "0.0.0.0", "::") else host
    return f"http://[{named}]:{port}" if ":" in named else f"http://{named}:{port}"


def load_settings(**overrides: object) -> Settings:
    """Read and check the settings; BadSettings names the field and what is wrong with it."""
    try:
        return Settings(**overrides)  # type: ignore[arg-type]
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"]) or "settings"
        variable = f"DUSKBELL_{field.upper()}"
        raise BadSettings(
            phrase(
                "settings.unusable", field=field, problem=first["msg"], variable=variable, file=config_file()
            )
        ) from None
    except (OSError, ValueError) as error:
        raise BadSettings(phrase("settings.file-unreadable", path=config_file(), error=error)) from None


@dataclass(frozen=True, slots=True)
class WebOrigin:
    """Scheme, host and port of an address, as RFC 6454 compares them."""

    scheme: str
    host: str
    port: int


def origin_of(address: str) -> WebOrigin | None:
    """The origin of an http or https address; None for anything else."""
    try:
        parts = urlsplit(address)
        host, port = parts.hostname, parts.port
    except ValueError:  # brackets that don't close, a port that is none
        return None
    if parts.scheme not in DEFAULT_PORTS or not host:
        return None
    return WebOrigin(parts.scheme, host, DEFAULT_PORTS[parts.scheme] if port is None else port)


def is_loopback(host: str) -> bool:
    """Whether a host of an address is this machine itself, which browsers trust without https (W3C Secure
    Contexts, section 3.1)."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost" or host.endswith(".localhost")
