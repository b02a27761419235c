"""The lines of recordings in the order in which they were received."""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import msgspec

from fleet.bounds import LATEST
from fleet.model import Quarantined
from fleet.registry.facts.rows import InboxMark
from ingest.inbox import LINE_AT_MOST, read_line
from ingest.wire import Message


class Line(msgspec.Struct, frozen=True):
    """A line of a recording, or what could not be read of it.

    at: when it is taken [s UTC], its receipt, or that of a line before it in its file where that was
    later (`late`). mark: how far its file is read with it.
    """

    at: int
    file: int
    n: int
    found: Message | Quarantined
    mark: InboxMark
    late: bool = False


def in_order(files: Sequence[Path], marks: Mapping[str, InboxMark]) -> Iterator[Line]:
    """The lines of several recordings that are not taken yet, by receipt; of one second's those of the
    file named first come first. marks: by name of the file. Raises OSError."""
    streams = [_lines(path, n, marks.get(path.name)) for n, path in enumerate(files)]
    return heapq.merge(*streams, key=lambda line: (line.at, line.file, line.n))


def _lines(path: Path, file: int, mark: InboxMark | None) -> Iterator[Line]:
    """What cannot be read is taken with the line before it; before the first that can be, with that."""
    size, at = path.stat().st_size, 0
    offset, n = (mark.offset, mark.lines) if mark is not None else (0, 0)
    early: list[Line] = []
    with path.open("rb") as stream:
        stream.seek(offset)
        while raw := stream.readline(LINE_AT_MOST):
            offset += len(raw)
            n += 1
            if not raw.strip():
                continue
            found = read_line(raw, f"{path.name}:{n}", LATEST, at)
            good = isinstance(found, Message)
            late = good and found.received_at < at
            at = max(at, found.received_at) if good else at
            done = InboxMark(file=path.name, offset=offset, lines=n, size=size, done=offset >= size)
            line = Line(at, file, n, found, done, late)
            if not at:
                early.append(line)
                continue
            for held in early:
                refused = msgspec.structs.replace(held.found, received_at=at)
                yield msgspec.structs.replace(held, at=at, found=refused)
            early.clear()
            yield line
