"""Writes to an InfluxDB server through `influxdb-client`, one batch a call, without patience of its own.

The library's batching writer gives up after some tries and only logs; here the caller keeps what was not
taken and tries again (`rushlight.collector.influx.drain`).
"""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.collector.errors import RushlightError, ServerAway
from rushlight.collector.influx.answers import from_status, from_transport, token_of
from rushlight.collector.settings import StoreSettings

__all__ = ["InfluxWriter"]

_CONNECT_MS = 5_000
_ANSWER_MS = 20_000  # InfluxDB's own limit for a write is 10 s


class InfluxWriter:
    """A kept connection to `/api/v2/write`.

    Parameters
    ----------
    settings : StoreSettings
        url, org, bucket, token_env.
    answer_ms : int
        How long an answer may take, ms.
    """

    def __init__(self, settings: StoreSettings, answer_ms: int = _ANSWER_MS) -> None:
        from influxdb_client.client.influxdb_client import InfluxDBClient  # the library takes 51 MB
        from influxdb_client.client.write_api import SYNCHRONOUS

        assert settings.url is not None and settings.bucket is not None
        self._url, self._bucket = settings.url, settings.bucket
        self.settings = settings
        self._client = InfluxDBClient(
            self._url,
            token_of(settings) or "",
            org=settings.org or "-",
            timeout=(_CONNECT_MS, answer_ms),
            retries=False,
        )
        self._api = self._client.write_api(write_options=SYNCHRONOUS)

    def write(self, lines: Sequence[str]) -> None:
        """Write lines of the line protocol, times in ns; returns when the server has said that it has them.

        Raises
        ------
        ServerAway
            Not now: to be tried again.
        BatchTooLarge
            Fewer at a time.
        BatchRefused
            At least one of the lines is at fault; others may have been taken.
        """
        error = self._tried(lines)
        if error is None:
            return
        if isinstance(error, ServerAway) and error.cut_off and len(lines) > 1:
            # a server that refuses at once (token, bucket) may close before it has read all, and its answer
            # is then lost on the way, above all behind a proxy; one line is read whole
            error = self._tried(lines[:1]) or error
        raise error

    def _tried(self, lines: Sequence[str]) -> RushlightError | None:
        """What is wrong; None: taken."""
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            self._api.write(self._bucket, record="\n".join(lines).encode())
        except ApiException as error:
            if not error.status:  # the library's way of telling that TLS failed
                return from_transport(self.settings, error)
            body = error.body.decode(errors="replace") if isinstance(error.body, bytes) else error.body or ""
            return from_status(self.settings, error.status, body, error.headers)
        except (HTTPError, OSError) as error:
            return from_transport(self.settings, error)
        return None

    @property
    def connections(self) -> int:
        """How many connections were made so far: a new one may mean that the server has been down."""
        pool = self._client.api_client.rest_client.pool_manager.connection_from_url(self._url)
        return int(pool.num_connections)

    def close(self) -> None:
        """Let go of the connection."""
        self._client.close()  # type: ignore[no-untyped-call]
