"""The machine file's ``[mqtt]`` table: which broker is told of sessions, and what it means to lose it.

Owns the table's fields and their contradictions. Secrets never stand in the machine file: a password is named by its
file or by an environment variable, and read by whoever connects.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field

from controller.config.contradictions import Contradiction, Values
from drivers.settings import Settings

PORT_CLEAR, PORT_TLS = 1883, 8883
"""Ports registered with IANA as mqtt and secure-mqtt."""

_PLAIN_PATH = r"^[^\x00-\x1f\x7f]*$"
_FilePath = Annotated[str, Field(min_length=1, max_length=1000, pattern=_PLAIN_PATH)]


class MqttTls(Settings):
    """TLS towards the broker; its certificate is always verified, its name too."""

    ca: _FilePath | None = Field(
        default=None, description="file of the authorities that are trusted; left out: the system's own"
    )
    cert: _FilePath | None = Field(default=None, description="our certificate, where the broker asks for one")
    key: _FilePath | None = Field(default=None, description="the private key of cert, without a passphrase")


class Mqtt(Settings):
    """An MQTT broker that is told of sessions, and by which they can be stopped. See docs/mqtt.md."""

    host: str = Field(
        pattern=r"^[A-Za-z0-9._:-]+$", max_length=253, description="name or address of the broker"
    )
    port: int | None = Field(
        default=None, ge=1, le=65535, description="left out: 1883, or 8883 where there is a tls table"
    )
    prefix: str = Field(
        default="giornata",
        pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$",
        max_length=128,
        description="first levels of every topic; the machine's name follows",
    )
    user: str | None = Field(default=None, min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]+$")
    password_file: _FilePath | None = Field(
        default=None, description="file whose first line is the password; relative to the machine file"
    )
    password_env: str | None = Field(
        default=None,
        pattern=r"^[A-Za-z_][A-Za-z0-9_]*$",
        max_length=100,
        description="name of the environment variable that holds the password",
    )
    tls: MqttTls | None = Field(default=None, description="left out: everything is sent in the clear")
    qos: Literal[0, 1] = Field(
        default=1, description="quality of service of progress; state, alarms and timing always go with 1"
    )
    lost: Literal["ignore", "stop"] = Field(
        default="ignore", description="what a session does when the broker is lost for lost_after_s"
    )
    lost_after_s: Annotated[float, Field(ge=2, le=3600)] = Field(
        default=30.0, description="so long without a word from the broker, and it counts as lost"
    )

    @property
    def port_used(self) -> int:
        """The port, with its default."""
        if self.port is not None:
            return self.port
        return PORT_CLEAR if self.tls is None else PORT_TLS


def mqtt_credentials(values: Values) -> Iterator[Contradiction]:
    """One password at most, and none without a user (MQTT 3.1.1, 3.1.2.9: no password without a user name)."""
    user, file, env = (values(f"mqtt.{name}") for name in ("user", "password_file", "password_env"))
    if file is not None and env is not None:
        yield Contradiction(
            "mqtt.password_env", "one of password_file and password_env", "both", code="mqtt-credentials"
        )
    if user is None and (file is not None or env is not None):
        yield Contradiction(
            "mqtt.user", "a user to whom the password belongs", "none", code="mqtt-credentials"
        )


def mqtt_certificate(values: Values) -> Iterator[Contradiction]:
    """Certificate and key come together."""
    cert, key = values("mqtt.tls.cert"), values("mqtt.tls.key")
    if (cert is None) != (key is None):
        missing = "cert" if cert is None else "key"
        yield Contradiction(
            f"mqtt.tls.{missing}", "cert and key together", f"no {missing}", code="mqtt-credentials"
        )
