"""A stand-in for an InfluxDB 2 server: the part of its HTTP API that fleet.store.influx uses.

It keeps points in dictionaries and answers the shapes of Flux that `fleet.store.influx.flux` writes, nothing
else; another shape is refused with 400, so that a test cannot pass on a query it never understood.
Messages and CSV follow what InfluxDB 2.9.1 answered. `say` scripts failures.
"""

from __future__ import annotations

import datetime
import functools
import json
import re
import threading
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

ORG, TOKEN = "hourhand", "stub-token"
S = 1_000_000_000

Series = tuple[str, str]
"""Measurement and device."""


class Refused(Exception):
    """An answer that is no success."""

    def __init__(self, status: int, message: str, headers: dict[str, str] | None = None) -> None:
        super().__init__(message)
        self.status, self.headers = status, headers or {}


@dataclass
class Bucket:
    """points: fields by time [ns] by series; kinds: float or int by measurement and field."""

    oldest_s: int = -(1 << 62)
    points: dict[Series, dict[int, dict[str, float]]] = field(
        default_factory=lambda: defaultdict(lambda: defaultdict(dict))
    )
    kinds: dict[tuple[str, str], type] = field(default_factory=dict)


class Stub:
    """The server, listening on loopback until `close`. requests: (path, body) in order."""

    def __init__(self) -> None:
        self.buckets: dict[str, Bucket] = {}
        self.requests: list[tuple[str, str]] = []
        self.script: list[tuple[str, Callable[[Callable[[], str]], str]]] = []
        self.lock = threading.Lock()
        self.released = threading.Event()
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(self))
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_port}"
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def close(self) -> None:
        self.released.set()
        self._server.shutdown()
        self._server.server_close()

    def say(
        self,
        path: str,
        status: int,
        message: str = "",
        *,
        times: int = 1,
        after: bool = False,
        **headers: str,
    ) -> None:
        """Answer the next requests to a path so. after: do the work first (the answer is lost)."""
        shown = {name.replace("_", "-"): value for name, value in headers.items()}

        def act(work: Callable[[], str]) -> str:
            if after:
                work()
            raise Refused(status, message, shown)

        self.script += [(path, act)] * times

    def hang(self, path: str) -> None:
        """Let the next request to a path wait until the stub is closed."""

        def act(work: Callable[[], str]) -> str:
            self.released.wait(30)
            return work()

        self.script.append((path, act))

    def let(self, path: str) -> None:
        """Answer the next request to a path as usual; what was said before stands behind it."""
        self.script.append((path, lambda work: work()))

    def spoil(self, path: str, body: str) -> None:
        """Answer the next request to a path with 200 and this body."""
        self.script.append((path, lambda work: body))

    def answer(self, path: str, query: dict[str, str], body: str, token: str) -> str:
        with self.lock:
            self.requests.append((path, body))
            step = next((k for k, (where, _) in enumerate(self.script) if where == path), None)
            act = self.script.pop(step)[1] if step is not None else None

        def work() -> str:
            return self._work(path, query, body, token)

        return work() if act is None else act(work)

    def _work(self, path: str, query: dict[str, str], body: str, token: str) -> str:
        if path == "/health":
            return json.dumps({"name": "influxdb", "status": "pass", "version": "stub"})
        if token != f"Token {TOKEN}":
            raise Refused(401, "unauthorized access")
        if query.get("org") != ORG:
            status = 400 if path == "/api/v2/query" else 404  # as 2.9.1 does
            raise Refused(status, f'organization name "{query.get("org")}" not found')
        with self.lock:
            if path == "/api/v2/query":
                return run(self, json.loads(body)["query"])
            bucket = self.bucket(query["bucket"])
            if path == "/api/v2/write":
                write(bucket, body, query.get("precision", "ns"))
            elif path == "/api/v2/delete":
                delete(bucket, json.loads(body))
            else:
                raise Refused(404, "path not found")
            return ""

    def bucket(self, name: str) -> Bucket:
        if name not in self.buckets:
            raise Refused(404, f'bucket "{name}" not found')
        return self.buckets[name]


# --- writing and deleting

_LINE = re.compile(r"(\w+),device=([^\s,=\\]+) (\S+) (-?\d+)")
_VALUE = re.compile(r"([^\s,=\\]+)=(-?\d+(?:\.\d+)?(?:e[+-]?\d+)?|-?\d+i)")


def write(bucket: Bucket, body: str, precision: str) -> None:
    """Lines that parse are all kept but those with a field of another type; else none is."""
    by = {"s": S, "ns": 1}[precision]
    points = [_point(line, by) for line in body.split("\n") if line]
    problem = ""
    dropped = outside = 0
    for measurement, device, fields, at in points:
        clash = next(
            (
                k
                for k, v in fields.items()
                if bucket.kinds.setdefault((measurement, k), type(v)) is not type(v)
            ),
            None,
        )
        if clash is not None:
            dropped += 1
            problem = f'field type conflict: input field "{clash}" on measurement "{measurement}"'
        elif at < bucket.oldest_s * S:
            outside += 1
        else:
            bucket.points[measurement, device][at].update(fields)
    if outside and not problem:
        dropped, problem = outside, f"dropped {outside} points outside retention policy of duration"
    if problem:
        message = f"failure writing points to database: partial write: {problem} dropped={dropped}"
        raise Refused(422, message)


def _point(line: str, by: int) -> tuple[str, str, dict[str, float], int]:
    found = _LINE.fullmatch(line)
    pairs = [_VALUE.fullmatch(pair) for pair in found[3].split(",")] if found else [None]
    if found is None or None in pairs or not -(1 << 63) <= int(found[4]) * by < 1 << 63:
        raise Refused(400, f"unable to parse '{line}': invalid")
    fields = {p[1]: int(p[2][:-1]) if p[2].endswith("i") else float(p[2]) for p in pairs if p}
    return found[1], found[2], fields, int(found[4]) * by


def delete(bucket: Bucket, asked: dict[str, str]) -> None:
    found = re.fullmatch(r'_measurement="(\w+)"(?: AND device="([^"]+)")?', asked["predicate"])
    if found is None:
        raise Refused(400, f"the stub does not know the predicate {asked['predicate']}")
    first, last = nanoseconds(asked["start"]), nanoseconds(asked["stop"])
    for (measurement, device), points in bucket.points.items():
        if measurement == found[1] and found[2] in (None, device):
            for at in [at for at in points if first <= at <= last]:
                del points[at]


def nanoseconds(text: str) -> int:
    whole, _, part = text.removesuffix("Z").partition(".")
    at = datetime.datetime.fromisoformat(whole).replace(tzinfo=datetime.UTC)
    return int(at.timestamp()) * S + int(part.ljust(9, "0") or 0)


# --- queries

_FROM = re.compile(r'from\(bucket: "((?:[^"\\]|\\.)*)"\)')
_STAGES = {
    "range": re.compile(r"range\(start: (\d+), stop: (\d+)\)"),
    "filter": re.compile(r"filter\(fn: \(r\) => (.+)\)"),
    "aggregate": re.compile(
        r"aggregateWindow\(every: (\d+)s, offset: (\d+)s, fn: (\w+),"
        r' createEmpty: false, timeSrc: "_start"\)'
    ),
    "window": re.compile(r"window\(every: (\d+)s\)"),
    "select": re.compile(r"(last|count)\(\)"),
    "keep": re.compile(r"keep\(columns: \[(.+)\]\)"),
    "yield": re.compile(r'yield\(name: "(\w+)"\)'),
}
_TEST = re.compile(r'r\.(\w+) == "([^"]*)"')
_SELECT: dict[str, Callable[[list[tuple[int, float]]], float]] = {
    "min": lambda rows: min(value for _, value in rows),
    "max": lambda rows: max(value for _, value in rows),
    "mean": lambda rows: sum(value for _, value in rows) / len(rows),
    "last": lambda rows: rows[-1][1],
    "count": len,
}


def run(stub: Stub, flux: str) -> str:
    return "".join(_statement(stub, line) for line in flux.split("\n"))


@dataclass
class Table:
    """Rows of one series and field (and window): (time [ns], value), rising in time."""

    names: dict[str, str]
    rows: list[tuple[int, float]]
    start: int = 0


@dataclass
class Source:
    """One series and field before its range is known."""

    names: dict[str, str]
    points: dict[int, dict[str, float]]

    def rows(self, low: int, high: int) -> list[tuple[int, float]]:
        key, points = self.names["_field"], self.points
        times = sorted(at for at in points if low <= at < high)
        return [(at, points[at][key]) for at in times if key in points[at]]


def _statement(stub: Stub, line: str) -> str:
    """One pipeline to CSV."""
    source, *stages = line.split(" |> ")
    found = _FROM.fullmatch(source)
    if found is None:
        raise Refused(400, f"the stub does not know {source}")
    sources = _sources(stub.bucket(re.sub(r"\\(.)", r"\1", found[1])))
    low = high = 0
    while stages and stages[0].startswith(("range(", "filter(")):
        kind, m = _stage(stages.pop(0))
        if kind == "range":
            low, high = int(m[1]) * S, int(m[2]) * S
            if low >= high:
                raise Refused(400, "cannot query an empty range")
        else:
            tests = [_TEST.fullmatch(part) for part in m[1].split(" or ")]
            if None in tests:
                raise Refused(400, f"the stub does not know {m[0]}")
            wanted = {(t[1], t[2]) for t in tests if t}
            sources = [one for one in sources if wanted & set(one.names.items())]
    tables = [Table(one.names, one.rows(low, high)) for one in sources]
    return _shaped([table for table in tables if table.rows], stages, low)


def _shaped(tables: list[Table], stages: list[str], low: int) -> str:
    """The stages after range and filters."""
    name, columns = "_result", []
    for stage in stages:
        kind, m = _stage(stage)
        if kind == "aggregate":
            tables = [_aggregate(t, int(m[1]), int(m[2]), m[3], low) for t in tables]
        elif kind == "window":
            tables = [part for t in tables for part in _windows(t, int(m[1]), 0, low)]
        elif kind == "select":
            for t in tables:
                t.rows = [(t.rows[-1][0], _SELECT[m[1]](t.rows))]
        elif kind == "keep":
            columns = re.findall(r'"(\w+)"', m[1])
        elif kind == "yield":
            name = m[1]
        else:
            raise Refused(400, f"the stub does not know {stage} there")
    return _csv(name, columns, tables)


def _stage(stage: str) -> tuple[str, re.Match[str]]:
    for kind, pattern in _STAGES.items():
        if m := pattern.fullmatch(stage):
            return kind, m
    raise Refused(400, f"the stub does not know {stage}")


def _sources(bucket: Bucket) -> list[Source]:
    found = []
    for (measurement, device), points in bucket.points.items():
        for key in sorted({key for m, key in bucket.kinds if m == measurement}):
            names = {"_measurement": measurement, "device": device, "_field": key}
            found.append(Source(names, points))
    return sorted(found, key=lambda one: (one.names["_measurement"], one.names["_field"]))


def _windows(table: Table, every: int, offset: int, low: int) -> list[Table]:
    found: dict[int, list[tuple[int, float]]] = defaultdict(list)
    for at, value in table.rows:
        found[(at // S - offset) // every].append((at, value))
    return [
        Table(table.names, rows, max((k * every + offset) * S, low))
        for k, rows in sorted(found.items())
    ]


def _aggregate(table: Table, every: int, offset: int, fn: str, low: int) -> Table:
    parts = _windows(table, every, offset, low)
    return Table(table.names, [(part.start, _SELECT[fn](part.rows)) for part in parts])


def _csv(name: str, columns: list[str], tables: list[Table]) -> str:
    if not tables:
        return "\r\n"
    lines = [",result,table," + ",".join(columns)]
    for number, table in enumerate(tables):
        for at, value in table.rows:
            cells = table.names | {
                "_start": _time(table.start),
                "_time": _time(at),
                "_value": _number(value),
            }
            lines.append(f",{name},{number}," + ",".join([cells[c] for c in columns]))
    return "\r\n".join(lines) + "\r\n\r\n"


def _number(value: float) -> str:
    """Shortest digits that read back the same, never with an exponent."""
    text = repr(value)
    return format(Decimal(text), "f") if "e" in text else text.removesuffix(".0")


@functools.lru_cache(maxsize=100_000)
def _time(ns: int) -> str:
    return datetime.datetime.fromtimestamp(ns // S, datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


# --- HTTP


def _handler(stub: Stub) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        wbufsize = 1 << 16
        disable_nagle_algorithm = True

        def do_GET(self) -> None:
            self.do_POST()

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length") or 0)).decode()
            parts = urlsplit(self.path)
            query = {k: v[0] for k, v in parse_qs(parts.query).items()}
            headers = {}
            try:
                said = stub.answer(parts.path, query, body, self.headers.get("Authorization", ""))
                status = 200 if said else 204
            except Refused as refused:
                status, headers = refused.status, refused.headers
                said = json.dumps({"code": "said", "message": str(refused)})
            try:
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                if status != 204:
                    self.send_header("Content-Length", str(len(said.encode())))
                self.end_headers()
                self.wfile.write(said.encode())
            except OSError:
                self.close_connection = True

        def log_message(self, *args: object) -> None:
            pass

    return Handler
