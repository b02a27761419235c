"""InfluxDB's CSV answers as columns, read piece by piece. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, groupby

import numpy as np
from numpy.typing import NDArray

Columns = dict[str, list[str]]


class AnswerBroken(ValueError):
    """The server said in the middle of an answer that it failed, or the answer is not what was
    asked for."""


def tables(pieces: Iterable[bytes]) -> Iterator[Columns]:
    """Runs of rows under one header line, each as cells by column name.

    pieces: the body of an answer without annotations. No cell of ours holds a comma, a quote or a
    line break (see `lines`). Raises AnswerBroken.
    """
    header: list[str] | None = None
    rest = b""
    for piece in chain(pieces, (b"\n\n",)):
        body, line_end, rest = (rest + piece).rpartition(b"\n")
        if not line_end:
            continue
        run: list[str] = []
        for line in body.decode("utf-8", "replace").replace("\r", "").split("\n"):
            if line and header is not None:
                run.append(line)
                continue
            if run and header is not None:
                yield _columns(header, run)
                run = []
            header = _header(line) if line else None
        if run and header is not None:
            yield _columns(header, run)


def seconds(cells: Sequence[str]) -> NDArray[np.int64]:
    """RFC 3339 times in UTC as whole seconds since 1970, int64; finer parts are cut off."""
    if not cells:
        return np.empty(0, np.int64)
    joined = "".join([cell[:19] for cell in cells]).encode()
    if len(joined) != 19 * len(cells):
        raise AnswerBroken(f"the times are not as asked for: {cells[0][:40]!r}")
    try:
        times = np.frombuffer(joined, "S19").astype("datetime64[s]")
    except ValueError as error:
        raise AnswerBroken(f"the times are not as asked for: {error}") from error
    return times.astype(np.int64)


def numbers(cells: Sequence[str]) -> NDArray[np.float64]:
    """Cells as float64."""
    try:
        return np.array(list(map(float, cells)), np.float64)
    except ValueError as error:
        raise AnswerBroken(f"a value is no number: {error}") from error


def runs(cells: Sequence[str]) -> Iterator[tuple[str, slice]]:
    """Stretches of the same cell, each with where it lies."""
    first = 0
    for cell, stretch in groupby(cells):
        last = first + sum(1 for _ in stretch)
        yield cell, slice(first, last)
        first = last


def _header(line: str) -> list[str]:
    names = line.split(",")
    if "error" in names[:2]:
        return ["error"]
    if "_value" not in names and "_time" not in names and "device" not in names:
        raise AnswerBroken(f"an answer begins with {line[:80]!r}")
    return names


def _columns(header: list[str], run: list[str]) -> Columns:
    if header == ["error"]:
        raise AnswerBroken(run[0].strip(",")[:300])
    width = len(header)
    cells = ",".join(run).split(",")
    if len(cells) != width * len(run):
        raise AnswerBroken(f"a row does not fit its header: {run[0][:80]!r}")
    return {name: cells[k::width] for k, name in enumerate(header) if name}
