"""The inbox: files of JSON lines in DATA/inbox, taken as if they had just been received.

One line: {"received_at": 1764030000, "topic": "hourhand/main/g1/readings", "payload": ...,
"qos": 1, "retain": false}. payload is JSON or a text; `payload_b64` instead holds any bytes.
Files are taken in name order; names that begin with a dot or end in .part, .tmp or .done are left
alone, so write elsewhere or under such a name and rename. A file that was taken is deleted.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
from datetime import UTC
from pathlib import Path
from zlib import crc32

import msgspec

from fleet.model import Quarantined
from fleet.registry.facts.rows import InboxMark
from ingest.wire.message import FROM_FILES, Message, address
from ingest.wire.times import moment

SLICE_BYTES = 1_000_000
"""Read between two looks at live messages; at least one line. A size of a batch."""
LINE_AT_MOST = 16_000_000
PAYLOAD_OF_LINE_AT_MOST = 8_000_000
"""Bytes of a line, and of a payload in it. A bound of ours."""
_NOT_OURS = (".part", ".tmp", ".done")


class _Line(msgspec.Struct, frozen=True, gc=False):
    received_at: int | float | str
    topic: str
    payload: msgspec.Raw = msgspec.Raw(b"")
    payload_b64: str = ""
    qos: int = 1
    retain: bool = False
    dup: bool = False


_line = msgspec.json.Decoder(_Line)
_text = msgspec.json.Decoder(str)


class Slice(msgspec.Struct, frozen=True):
    """Some lines of one file: messages, bad lines, and the mark to commit with them."""

    messages: list[Message]
    bad: list[Quarantined]
    mark: InboxMark


class Inbox:
    """Where we are in the folder. marks: as the registry has them at the start.

    A marked-as-done file that is still there at the start was not deleted because of a crash.
    """

    def __init__(self, folder: Path, marks: dict[str, InboxMark]) -> None:
        self._folder = folder
        self._marks = {name: mark for name, mark in marks.items() if not mark.done}
        for path in self._files():
            mark = marks.get(path.name)
            if mark is not None and mark.done and mark.size == path.stat().st_size:
                _finish(path)
        for path in folder.glob("*.done") if folder.is_dir() else ():
            path.unlink(missing_ok=True)

    def waiting(self) -> tuple[int, int]:
        """(files, bytes) still to be taken."""
        files, size = 0, 0
        for path in self._files():
            mark = self._marks.get(path.name)
            with contextlib.suppress(FileNotFoundError):  # taken meanwhile
                size += path.stat().st_size - (mark.offset if mark else 0)
                files += 1
        return files, size

    def next(self, now: int) -> Slice | None:
        """The next lines, or None when there are none. Nothing is remembered before `took`."""
        for path in self._files():
            return self._read(path, now)
        return None

    def took(self, taken: Slice) -> None:
        """The slice is committed: go on after it; a finished file is deleted."""
        self._marks[taken.mark.file] = taken.mark
        if taken.mark.done:
            del self._marks[taken.mark.file]
            _finish(self._folder / taken.mark.file)

    def _files(self) -> list[Path]:
        if not self._folder.is_dir():
            return []
        return sorted(
            path
            for path in self._folder.iterdir()
            if not path.name.startswith(".")
            and not path.name.endswith(_NOT_OURS)
            and path.is_file()
        )

    def _read(self, path: Path, now: int) -> Slice:
        size = path.stat().st_size
        stamp = min(int(path.stat().st_mtime), now)
        mark = self._marks.get(path.name)
        if mark is None or mark.offset > size:
            mark = InboxMark(file=path.name, offset=0, lines=0, size=size)
        messages: list[Message] = []
        bad: list[Quarantined] = []
        offset, lines = mark.offset, mark.lines
        with path.open("rb") as file:
            file.seek(offset)
            while offset - mark.offset < SLICE_BYTES:
                raw = file.readline(LINE_AT_MOST)
                if not raw:
                    break
                offset += len(raw)
                lines += raw.endswith(b"\n")
                if raw.strip():
                    found = read_line(raw, f"{path.name}:{max(lines, 1)}", now, stamp)
                    if isinstance(found, Message):
                        messages.append(found)
                    else:
                        bad.append(found)
        done = offset >= size
        return Slice(
            messages,
            bad,
            InboxMark(file=path.name, offset=offset, lines=lines, size=size, done=done),
        )


def read_line(raw: bytes, where: str, now: int, stamp: int) -> Message | Quarantined:
    """One line of a recording. where: its file and number. now: no line is received later.
    stamp [s UTC]: when the file was written; a bad line counts as received then."""
    try:
        line = _line.decode(raw)
        payload = _payload(line)
    except (msgspec.MsgspecError, UnicodeDecodeError, binascii.Error, ValueError) as fault:
        return _refused(raw, where, "", stamp, f"not a line of the inbox: {fault}")
    received = moment(line.received_at, UTC, now)
    if received.at is None:
        why = received.fault or "there is none"
        return _refused(raw, where, line.topic, stamp, f"received_at: {why}")
    return Message(
        topic=line.topic,
        payload=payload,
        received_at=min(received.at, now),
        qos=line.qos,
        retain=line.retain,
        dup=True,
        at_most=PAYLOAD_OF_LINE_AT_MOST,
        number=crc32(f"{where} {received.at}".encode()) + FROM_FILES,
    )


def line_of(message: Message) -> bytes:
    """The line of a message: what `read_line` makes the same message of, its number aside."""
    try:
        text = message.payload.decode("utf-8")
        body: dict[str, object] = {"payload": text}
    except UnicodeDecodeError:
        body = {"payload_b64": base64.b64encode(message.payload).decode()}
    flags = {"qos": message.qos, "retain": message.retain, "dup": message.dup}
    line = {"received_at": message.received_at, "topic": message.topic, **body, **flags}
    return msgspec.json.encode(line) + b"\n"


def _payload(line: _Line) -> bytes:
    if line.payload_b64:
        return base64.b64decode(line.payload_b64, validate=True)
    payload = bytes(line.payload)
    return _text.decode(payload).encode("utf-8") if payload[:1] == b'"' else payload


def _refused(raw: bytes, where: str, topic: str, stamp: int, reason: str) -> Quarantined:
    return Quarantined(
        device=address(topic).device,
        topic=topic or f"inbox {where}",
        received_at=stamp,
        reason=f"inbox {where}: {reason}",
        payload=raw,
    )


def _finish(path: Path) -> None:
    """Out of the way first, then gone: a crash between leaves a name we do not take."""
    done = path.with_name(path.name + ".done")
    path.replace(done)
    done.unlink(missing_ok=True)
