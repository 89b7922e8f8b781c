"""Where the MQTT broker is, who we are to it, and the TLS it is reached by."""

from __future__ import annotations

import ssl
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """Where and as whom. Files are paths; the password has been read already and is shown nowhere."""

    host: str
    port: int
    client_id: str
    user: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None

    def __repr__(self) -> str:
        return f"BrokerSettings({self.host}:{self.port} as {self.client_id})"


def tls_context(ca_file: str | None, certificate: str | None, key: str | None) -> ssl.SSLContext:
    """TLS 1.2 or later, always verified, by the system's authorities or the one given. There is no insecure switch."""
    context = ssl.create_default_context(cafile=ca_file)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if certificate:
        context.load_cert_chain(certificate, key)
    return context
