"""A road server on loopback."""

from __future__ import annotations

import http.server
import json
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

RNG = np.random.default_rng(4)


LAT, LON = RNG.uniform(50, 51, 130), RNG.uniform(9, 10, 130)


class Server:
    """A table server on loopback. blank: cells it has no way for; broken: a block that fails."""

    def __init__(self, blank: tuple[tuple[int, int], ...] = (), fails: int = 0) -> None:
        self.blank, self.fails, self.asked = blank, fails, 0

    def answer(self, path: str) -> tuple[int, bytes]:
        self.asked += 1
        if self.asked <= self.fails:
            return 400, b'{"code":"TooBig"}'
        points = re.search(r"driving/([^?]*)", path)
        assert points is not None
        spots = [tuple(float(x) for x in p.split(",")) for p in points[1].split(";")]
        rows, columns = (
            [int(n) for n in re.search(rf"{w}=([\d;]+)", path)[1].split(";")]  # type: ignore[index]
            for w in ("sources", "destinations")
        )
        if len(rows) * len(columns) > 10_000:
            return 400, b'{"code":"TooBig"}'
        table = [[self.cell(spots[a], spots[b]) for b in columns] for a in rows]
        return 200, json.dumps({"code": "Ok", "distances": table, "durations": table}).encode()

    def cell(self, a: tuple[float, ...], b: tuple[float, ...]) -> float | None:
        here, there = (int(np.argmin(abs(LON - p[0]) + abs(LAT - p[1]))) for p in (a, b))
        return None if (here, there) in self.blank else 1234.5 + here


@contextmanager
def served(server: Server) -> Iterator[str]:
    class Handler(http.server.BaseHTTPRequestHandler):
        def log_message(self, *_: object) -> None:
            pass

        def do_GET(self) -> None:
            code, body = server.answer(self.path)
            self.send_response(code)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler) as running:
        thread = threading.Thread(target=running.serve_forever, args=(0.01,))
        thread.start()
        try:
            yield f"http://127.0.0.1:{running.server_port}"
        finally:
            running.shutdown()
            thread.join()
