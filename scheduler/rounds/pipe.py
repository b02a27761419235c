"""What the planner and its worker share, for neither imports the other: 8 bytes of length, a pickle.

Parent and child of one program only; never a network, never a file.
"""

from __future__ import annotations

import pickle
import struct
from typing import IO, Any


def write_frame(out: IO[bytes], content: object) -> None:
    """One frame, sent at once."""
    packed = pickle.dumps(content, protocol=pickle.HIGHEST_PROTOCOL)
    out.write(struct.pack("<Q", len(packed)) + packed)
    out.flush()


def read_frame(source: IO[bytes]) -> dict[str, Any] | None:
    """The next frame, or None at the end."""
    head = source.read(8)
    if len(head) < 8:
        return None
    packed = source.read(struct.unpack("<Q", head)[0])
    found: dict[str, Any] = pickle.loads(packed)
    return found
