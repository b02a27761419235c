"""The way to an InfluxDB 2 server: one client, synchronous requests, and what its errors mean."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.dialect import Dialect
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from fleet.store.influx.csv import AnswerBroken, Columns, tables
from fleet.store.port import StoreDown, StoreFault

LINES_AT_ONCE = 5_000
"""Lines of one request, as InfluxDB's documents advise. A size of a batch."""
CONNECT_S, ANSWER_S = 5.0, 60.0
"""How long a connection and an answer may take. A pace of ours."""
REFUSED_ALL = 20
"""So many single lines refused and none taken: it is not the lines. A bound of ours."""
WAIT_AT_MOST_S = 3600.0
PIECE = 1 << 18
"""The longest pause a server may ask for; bytes of an answer read at once. A bound of ours."""

_UNFIT = (400, 413, 422)
_BUSY = (429, 503)

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Address:
    """Where the readings are kept. patience_s: seconds to wait for an answer."""

    url: str
    org: str
    bucket: str
    token: str
    patience_s: float = ANSWER_S

    def __repr__(self) -> str:
        return f"Address({self.url!r}, {self.org!r}, {self.bucket!r})"


class Link:
    """Requests to one bucket. Any thread may use it. Raises StoreDown and StoreFault."""

    def __init__(self, address: Address) -> None:
        self.address = address
        patience_ms = (int(CONNECT_S * 1000), int(address.patience_s * 1000))
        self._client: Any = InfluxDBClient(  # its types leave out half
            address.url, token=address.token, org=address.org, timeout=patience_ms
        )
        self._write = self._client.write_api(write_options=SYNCHRONOUS)
        self._query = self._client.query_api()
        self._delete = self._client.delete_api()
        dialect: Any = Dialect
        self._dialect = dialect(header=True, annotations=[], delimiter=",", comment_prefix="#")

    def send(self, lines: Sequence[str]) -> dict[int, str]:
        """Keep lines of line protocol (times in seconds) for good.

        Returns the positions of lines that the server refuses by themselves, with what it said;
        all others are kept. A line that is older than the bucket's retention counts as kept.
        """
        refused: dict[int, str] = {}
        for first in range(0, len(lines), LINES_AT_ONCE):
            self._halve(lines, first, min(len(lines), first + LINES_AT_ONCE), refused, [])
        return refused

    def _halve(
        self, lines: Sequence[str], low: int, high: int, refused: dict[int, str], taken: list[int]
    ) -> None:
        """Send lines [low, high); where they are refused, each half by itself."""
        said = self._post("\n".join(lines[low:high]))
        if said is None:
            taken.append(high - low)
            return
        if high - low == 1:
            refused[low] = said
            if len(refused) >= REFUSED_ALL and not taken:
                raise StoreFault(
                    f"{self._name()} refuses every reading: {said}. Compare with docs/influxdb.md;"
                    " readings are held meanwhile."
                )
            return
        middle = (low + high) // 2
        self._halve(lines, low, middle, refused, taken)
        self._halve(lines, middle, high, refused, taken)

    def _post(self, body: str) -> str | None:
        """One write request. None when it was taken, else why the server refuses the lines."""
        bucket, org = self.address.bucket, self.address.org
        precision: Any = WritePrecision.S
        with self._faults():
            try:
                self._write.write(bucket, org, body.encode(), precision)
            except ApiException as error:
                said = _said(error)
                if error.status not in _UNFIT or "pending deletion" in said:
                    raise
                if "retention policy" not in said:
                    return said
                _log.warning("readings older than the bucket's retention were left out: %s", said)
        return None

    def query(self, flux: str) -> Iterator[Columns]:
        """Rows of a query, in runs of cells by column name, as they come in."""
        with self._faults():
            answer = self._query.query_raw(flux, self.address.org, self._dialect)
            try:
                yield from tables(answer.stream(PIECE))
            finally:
                answer.release_conn()

    def delete(self, start: str, stop: str, predicate: str) -> None:
        """Delete what the predicate names from start to stop (RFC 3339, both included)."""
        with self._faults():
            self._delete.delete(start, stop, predicate, self.address.bucket, self.address.org)

    def close(self) -> None:
        """Close the connections."""
        self._client.close()

    def _name(self) -> str:
        return f"InfluxDB at {self.address.url}"

    @contextlib.contextmanager
    def _faults(self) -> Iterator[None]:
        """Turn the client's errors into the port's."""
        try:
            yield
        except ApiException as error:
            raise self._translate(error) from error
        except HTTPError as error:
            raise StoreDown(
                f"{self._name()} cannot be reached ({type(error).__name__}). Check that it runs"
                " and that influx_url is right; nothing is lost meanwhile."
            ) from error
        except AnswerBroken as error:
            raise StoreDown(f"{self._name()} did not finish an answer: {error}.") from error

    def _translate(self, error: ApiException) -> StoreFault:
        where, said, a = self._name(), _said(error), self.address
        if error.status in _BUSY:
            return StoreDown(f"{where} is busy ({error.status}).", _retry_after_s(error))
        if error.status == 401:
            return StoreFault(f"{where} does not know the token. Put a valid one in influx_token.")
        if error.status == 403:
            return StoreFault(
                f"{where} does not allow this to the token: {said}. Give it read and write rights"
                f" for bucket {a.bucket!r}."
            )
        unknown_org = error.status == 400 and "organization" in said and "not found" in said
        if error.status == 404 or unknown_org:
            return StoreFault(
                f"{where} has no bucket {a.bucket!r} in organisation {a.org!r}, or the token may not"
                " see it. Make it, or mend influx_bucket and influx_org."
            )
        if not error.status:
            return StoreFault(f"{where} cannot be spoken to over TLS: {said}.")
        if error.status >= 500 or "pending deletion" in said:
            return StoreDown(f"{where} failed ({error.status}): {said}.", _retry_after_s(error))
        return StoreFault(f"{where} refused a request ({error.status}): {said}.")


def _said(error: ApiException) -> str:
    """What the server said, short and without control characters."""
    said = error.message if error.status else error.reason
    if isinstance(said, bytes):
        said = said.decode("utf-8", "replace")
    said = said or f"status {error.status}"
    return "".join(c if c.isprintable() else " " for c in str(said))[:300]


def _retry_after_s(error: ApiException) -> float | None:
    """Seconds of a Retry-After header; None where there is none (or it is a date)."""
    asked = str(error.retry_after or "").strip()
    if asked.isascii() and asked.isdigit():
        return min(float(asked), WAIT_AT_MOST_S)
    return None
