"""The page's own certificate and key: where they are, and whether they can be used."""

from __future__ import annotations

import ssl
from pathlib import Path

from rushlight.collector.settings import Settings

__all__ = ["tls_fault", "tls_files"]


def tls_files(settings: Settings) -> tuple[str, str] | None:
    """Certificate and key, meant from the folder of the settings; None where there are none."""
    page, folder = settings.status_page, Path(settings.path).parent
    if page.tls_certificate is None or page.tls_key is None:
        return None
    return str(folder / page.tls_certificate), str(folder / page.tls_key)


def tls_fault(settings: Settings) -> str:
    """What is wrong with them, and what to do; "" where all is well, or there are none."""
    files = tls_files(settings)
    if files is None:
        return ""
    certificate, key = files
    try:
        # with no password for the key: asking for one would wait for ever
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, password=lambda: "")
    except (OSError, ValueError) as error:
        return (
            f"status_page: tls_certificate, tls_key ({certificate}, {key}): can't be used ({error}); give "
            "PEM files of a certificate and its key, the key without a password, that this user may read"
        )
    return ""
