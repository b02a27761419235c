"""Every setting of a start, checked."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlsplit

import msgspec

from fleet.settings.table import NAMES, TABLE


class Settings(msgspec.Struct, frozen=True, kw_only=True):
    """Every setting of the table, checked. Made by `load`; tests may make their own."""

    data: Path
    firm: str = "Hourhand"
    demo: bool = False
    registry_url: str = ""
    store: str = "embedded"
    influx_url: str = ""
    influx_org: str = ""
    influx_bucket: str = "hourhand"
    influx_token: str = ""
    retention_days: int = 0
    mqtt_host: str = "127.0.0.1"
    mqtt_port: int = 1883
    mqtt_user: str = ""
    mqtt_password: str = ""
    mqtt_tls: bool = False
    mqtt_ca_file: str = ""
    mqtt_topics: str = "hourhand/+/+/+"
    mqtt_client_id: str = "hourhand-ingest"
    mqtt_protocol: str = "auto"
    mqtt_receive_maximum: int = 1000
    mqtt_keepalive_s: int = 60
    mqtt_session_days: int = 14
    http_host: str = "127.0.0.1"
    http_port: int = 8080
    http_names: str = ""
    tls_cert: str = ""
    tls_key: str = ""
    tls_in_front: bool = False
    trusted_proxies: str = ""
    http_connections: int = 800
    http_connections_address: int = 200
    http_streams_address: int = 100
    start_target: str = "0.95"
    start_triggers: str = "3/20 5/50 8/100"
    scheduler_memory_mb: int = 256
    smtp_host: str = ""
    smtp_port: int = 587
    smtp_security: str = "starttls"
    smtp_user: str = ""
    smtp_password: str = ""
    smtp_from: str = ""
    remind_customers: bool = False
    public_url: str = ""
    road_table_url: str = ""
    codes_key: str = ""
    log_level: str = "info"

    @property
    def topics(self) -> tuple[str, ...]:
        """`mqtt_topics` split at its commas."""
        return tuple(topic.strip() for topic in self.mqtt_topics.split(",") if topic.strip())

    @property
    def names(self) -> tuple[str, ...]:
        """`http_names` split at its commas, in small letters."""
        return tuple(n.strip().lower() for n in self.http_names.split(",") if n.strip())

    @property
    def proxies(self) -> tuple[str, ...]:
        """`trusted_proxies` split at its commas."""
        return tuple(p.strip() for p in self.trusted_proxies.split(",") if p.strip())

    @property
    def registry_file(self) -> Path:
        """The registry, where it is SQLite."""
        return self.data / "registry.db"

    @property
    def store_file(self) -> Path:
        """The embedded telemetry store."""
        return self.data / "store.db"

    @property
    def inbox(self) -> Path:
        """Folder of files to replay."""
        return self.data / "inbox"

    @property
    def locks(self) -> Path:
        """Folder of lock files: one running program of a kind."""
        return self.data / "locks"

    def __repr__(self) -> str:
        """Every setting but the secrets."""
        shown = (f"{name}={_shown(name, getattr(self, name))}" for name in NAMES)
        return f"Settings({', '.join(shown)})"

    __str__ = __repr__


def _shown(name: str, value: object) -> str:
    kind = next(setting.kind for setting in TABLE if setting.name == name)
    if kind == "secret":
        return "'***'" if value else "''"
    if kind == "url" and value:
        parts = urlsplit(str(value))
        return repr(str(value).replace(f":{parts.password}@", ":***@") if parts.password else value)
    return repr(str(value) if isinstance(value, Path) else value)
