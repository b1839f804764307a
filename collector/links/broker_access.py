"""What a connection to a broker needs of the machine: certificates and secrets; why there is none."""

from __future__ import annotations

import os
import socket
import ssl
from pathlib import Path

from rushlight.collector.errors import SettingsError
from rushlight.collector.links.fast_paho import TlsSocket
from rushlight.collector.settings import MqttLink

__all__ = ["failure_text", "from_environment", "tls_context"]


def tls_context(settings: MqttLink, base: Path) -> ssl.SSLContext:
    """Certificates are checked against `tls_ca`, or the system's where it is not given."""
    ca, certificate, key = (
        str(base / name) if name is not None else None
        for name in (settings.tls_ca, settings.tls_certificate, settings.tls_key)
    )
    try:
        context = ssl.create_default_context(cafile=ca)
        context.sslsocket_class = TlsSocket
        if certificate is not None:
            context.load_cert_chain(certificate, key)
    except OSError as error:  # ssl.SSLError is one
        named = ", ".join(name for name in (ca, certificate, key) if name)
        raise SettingsError(
            f"links: tls_ca, tls_certificate, tls_key ({named}): can't be used ({error}); "
            "name PEM files that can be read"
        ) from None
    return context


def failure_text(error: Exception) -> str:
    """Why there is no connection, as text: the exception itself would keep paho's sockets alive."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not trusted ({error.verify_message}); is `tls_ca` the right one?"
    if isinstance(error, ssl.SSLError):
        return f"no TLS there ({error.reason}); is `port` the broker's TLS port?"
    if isinstance(error, ConnectionRefusedError):
        return "nothing listens there; is the broker running, are host and port right?"
    if isinstance(error, socket.gaierror | UnicodeError):
        return "no such host name; is `host` right, is the network up?"
    return str(error) or type(error).__name__


def from_environment(name: str, key: str) -> str:
    value = os.environ.get(name)
    if value is None:
        raise SettingsError(
            f"links: {key}: environment variable {name} is not set; type export {name}='…' first, or put the "
            "line into the service's environment file (docs/settings.md, 'Secrets')"
        )
    return value
