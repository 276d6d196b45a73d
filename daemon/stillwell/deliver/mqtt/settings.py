"""What the configuration says of a broker."""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, SecretStr, model_validator


class MqttSettings(BaseModel):
    """How to reach the broker."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    host: Annotated[str, Field(pattern=r"^[A-Za-z0-9_:\-]+(\.[A-Za-z0-9_:\-]+)*\.?$")] = "localhost"
    """Name or address of the broker."""
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    """1883, or 8883 with TLS, unless said otherwise."""
    username: str | None = None
    password: SecretStr | None = None
    tls: bool = False
    ca: Path | None = None
    """The certificate of the authority that signed the broker's; the system's own authorities
    without."""
    certificate: Path | None = None
    """Our own certificate, where the broker asks for one."""
    key: Path | None = None
    prefix: Annotated[str, Field(pattern=r"^[A-Za-z0-9_][A-Za-z0-9_.\-]*(/[A-Za-z0-9_.\-]+)*$")] = (
        "stillwell"
    )
    """What all topics begin with."""
    announce: bool | None = None
    """Whether sensors, alarms and buttons are announced to a home-automation server by Home
    Assistant's MQTT discovery; without it what was announced before is taken away."""
    client_id: Annotated[str, Field(pattern=r"^[A-Za-z0-9_.\-]{1,128}$")] | None = None
    """``stillwell-<tank>`` unless said otherwise. Two clients with one id throw each other out."""
    keepalive: Annotated[int, Field(ge=5, le=3600)] = 30
    """Seconds of silence after which the connection is tried."""
    protocol: Literal["auto", "5", "3.1.1"] = "auto"
    """``auto`` speaks MQTT 5 and falls back to 3.1.1. Under 3.1.1 a broker cannot say that it
    denies a topic: such messages vanish unseen."""
    patience: Annotated[float, Field(gt=0, le=60)] = 10.0
    """Seconds within which the broker must answer."""
    resend: Annotated[float, Field(ge=0, le=86400)] = 300.0
    """Seconds of notices to send again to a broker that has lost its memory."""

    @property
    def broker_port(self) -> int:
        """Returns the port to connect to."""
        return self.port or (8883 if self.tls else 1883)

    @property
    def at(self) -> str:
        """Where the broker is, for sentences: ``host:port``."""
        return f"{self.host}:{self.broker_port}"

    @model_validator(mode="after")
    def _belongs_together(self) -> MqttSettings:
        if (self.ca or self.certificate or self.key) and not self.tls:
            raise ValueError("`ca`, `certificate` and `key` need tls = true")
        if (self.certificate is None) != (self.key is None):
            raise ValueError("`certificate` and `key` go together")
        return self


def tls_context(settings: MqttSettings) -> ssl.SSLContext:
    """Returns the context that checks the broker's certificate. Raises OSError or ValueError
    where the files cannot be used."""
    context = ssl.create_default_context(
        ssl.Purpose.SERVER_AUTH, cafile=None if settings.ca is None else str(settings.ca)
    )
    if settings.certificate is not None and settings.key is not None:
        context.load_cert_chain(str(settings.certificate), str(settings.key))
    return context
