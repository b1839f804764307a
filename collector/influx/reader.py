"""Reads readings back from an InfluxDB server, by InfluxQL on `/query`.

Run against 1.6.7. By their documentation 1.8, 2.x and 3.x answer the same; that was not run here. 2.x answers
for a bucket by its automatic database mapping. A bucket named "database/policy" is asked for as
that database and retention policy. Nothing here needs the local file.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import TracebackType
from typing import TYPE_CHECKING, Any

import msgspec

from rushlight.collector.errors import ServerAway, StoreError
from rushlight.collector.influx.answers import from_status, from_transport, split_bucket, token_of
from rushlight.collector.influx.points import FIELDS, MEASUREMENT, NS
from rushlight.collector.readings import Reading
from rushlight.collector.settings import StoreSettings
from rushlight.collector.store.columns import Columns, from_rows, to_frame

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["InfluxReadings"]

_FIRST_NS = -(2**63) + 2  # InfluxDB's own bounds of time
_LAST_NS = 2**63 - 2
_PAGE = 10_000  # points asked for at a time
_ANSWER_S = 30.0
_CONNECT_S = 5.0
_CHECK_S = 5.0
_DEFAULTS = (None, 2, -1, 0)  # of FIELDS, where a point was written by somebody else

_Row = tuple[int, float | None, int, int, int]


class _Series(msgspec.Struct):
    columns: list[str] = []
    tags: dict[str, str] = {}
    values: list[list[Any]] = []


class _Result(msgspec.Struct):
    series: list[_Series] = []
    error: str = ""


class _Answer(msgspec.Struct):
    results: list[_Result] = []
    error: str = ""


class InfluxReadings:
    """The reading side of `ReadingStore`, with the same results as the embedded store's.

    Parameters
    ----------
    settings : StoreSettings
        url, bucket, token_env.
    page : int
        Points asked for at a time.
    """

    def __init__(self, settings: StoreSettings, page: int = _PAGE) -> None:
        import urllib3

        assert settings.url is not None and settings.bucket is not None
        self.settings = settings
        self._page = page
        token = token_of(settings)
        self._url = settings.url.rstrip("/") + "/query"
        self._database, self._policy = split_bucket(settings.bucket)
        self._http = urllib3.PoolManager(
            headers={"Accept": "application/json"} | ({"Authorization": f"Token {token}"} if token else {}),
            timeout=urllib3.Timeout(connect=_CONNECT_S, read=_ANSWER_S),
            retries=urllib3.Retry(
                3, backoff_factor=0.2, status_forcelist=(502, 503, 504), raise_on_status=False
            ),
        )

    def close(self) -> None:
        """Let go of the connection."""
        self._http.clear()

    def __enter__(self) -> InfluxReadings:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def check(self) -> None:
        """Whether it can be asked at all; waits for an answer less long than other questions do.

        Raises
        ------
        ServerAway, StoreError
            As `tanks`.
        """
        import urllib3

        patience = {"timeout": urllib3.Timeout(connect=_CONNECT_S, read=_CHECK_S), "retries": False}
        self._ask(f'SELECT "flag" FROM "{MEASUREMENT}" LIMIT 1', **patience)

    def tanks(self) -> list[str]:
        """Names of all tanks that have readings, sorted.

        Raises
        ------
        ServerAway
            No answer, or one that is no answer (token, bucket); the message says what to do. So do all here.
        StoreError
            The server does not understand the question.
        """
        return sorted({series.tags["tank"] for series in self._known()})

    def quantities(self, tank: str) -> list[str]:
        """Quantities a tank has readings of, sorted."""
        found = self._known(f"WHERE {_is('tank', tank)}")
        return sorted({series.tags["quantity"] for series in found})

    def _known(self, where: str = "") -> list[_Series]:
        # not SHOW TAG VALUES: 3.x answers that from the last day only
        found = self._ask(f'SELECT "flag" FROM "{MEASUREMENT}" {where} GROUP BY "tank", "quantity" LIMIT 1')
        return [series for series in found if series.tags.get("tank") and series.tags.get("quantity")]

    def latest(self, tank: str) -> dict[str, Reading]:
        """The newest reading (by its time) of each quantity of a tank."""
        found = self._ask(
            f'SELECT {_fields()} FROM "{MEASUREMENT}" WHERE {_is("tank", tank)}'
            ' GROUP BY "quantity" ORDER BY time DESC LIMIT 1'
        )
        rows = {series.tags.get("quantity", ""): _rows(series) for series in found}
        return {quantity: Reading(tank, quantity, *of[0]) for quantity, of in rows.items() if quantity and of}

    def readings(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Iterator[Reading]:
        """One series by time, then seq, `start_ms <= time < end_ms`; two pages are held in memory."""
        for row in self._series(tank, quantity, start_ms, end_ms):
            yield Reading(tank, quantity, *row)

    def columns(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Columns:
        """One series as numpy arrays, by time and seq."""
        return from_rows(list(self._series(tank, quantity, start_ms, end_ms)))

    def frame(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> pd.DataFrame:
        """One series as a pandas frame, as the embedded store's `frame`."""
        return to_frame(self.columns(tank, quantity, start_ms, end_ms))

    def _series(self, tank: str, quantity: str, start_ms: int | None, end_ms: int | None) -> Iterator[_Row]:
        after = _FIRST_NS - 1 if start_ms is None else max(start_ms * NS - 1, _FIRST_NS - 1)
        end = _LAST_NS if end_ms is None else min(end_ms * NS, _LAST_NS)
        held: list[_Row] = []  # of the last millisecond: its others may come with the next page
        while after < end:
            found = self._ask(
                f'SELECT {_fields()} FROM "{MEASUREMENT}"'
                f" WHERE {_is('tank', tank)} AND {_is('quantity', quantity)}"
                f" AND time >= {after + 1} AND time {'<=' if end_ms is None else '<'} {end}"
                f" ORDER BY time LIMIT {self._page}"
            )
            # until a page is empty: a server may have a limit of its own below ours
            if not found or not found[0].values:
                break
            held += _rows(found[0])
            after = found[0].values[-1][found[0].columns.index("time")]
            last_ms = after // NS
            ready = len(held)
            while ready and held[ready - 1][0] == last_ms:
                ready -= 1
            yield from _by_number(held[:ready])
            held = held[ready:]
        yield from _by_number(held)

    def _ask(self, question: str, **patience: Any) -> list[_Series]:
        """Answer of the one statement `question`; `patience` is for urllib3, where it is to have less."""
        import urllib3

        fields = {"db": self._database, "epoch": "ns", "q": question}
        if self._policy is not None:
            fields["rp"] = self._policy
        try:
            answer = self._http.request("GET", self._url, fields=fields, **patience)
        except urllib3.exceptions.HTTPError as error:
            raise from_transport(self.settings, error) from error
        if answer.status != 200:
            error_ = from_status(self.settings, answer.status, answer.data.decode(errors="replace"))
            raise error_ if isinstance(error_, ServerAway) else self._strange(str(error_))
        try:
            found = msgspec.json.decode(answer.data, type=_Answer)
        except msgspec.MsgspecError as error:
            raise self._strange(f"no answer of InfluxDB ({error})") from error
        result = found.results[0] if found.results else _Result(error=found.error)
        if "not found" in result.error:
            raise from_status(self.settings, 404, result.error)
        if result.error:
            raise self._strange(result.error)
        return result.series

    def _strange(self, words: str) -> StoreError:
        return StoreError(
            f"InfluxDB at {self.settings.url} can't answer: {words}; is store.url that of an InfluxDB server?"
        )


def _is(tag: str, name: str) -> str:
    quoted = name.replace("\\", "\\\\").replace("'", "\\'").replace("\n", "\\n")
    return f"\"{tag}\" = '{quoted}'"


def _fields() -> str:
    return ", ".join(f'"{name}"' for name in FIELDS)


def _rows(series: _Series) -> list[_Row]:
    """(time ms, value, flag, seq, stamp) of each point."""
    at = [series.columns.index(name) for name in ("time", *FIELDS)]
    rows: list[_Row] = []
    for point in series.values:
        time, value, *rest = (point[index] for index in at)
        flag, seq, stamp = (d if v is None else int(v) for v, d in zip(rest, _DEFAULTS[1:], strict=True))
        rows.append((time // NS, None if value is None else float(value), flag, seq, stamp))
    return rows


def _by_number(rows: list[_Row]) -> list[_Row]:
    """By time and seq; sorted already but for numbers that went around (see `time_ns`)."""
    return sorted(rows, key=lambda row: (row[0], row[3]))
