"""From a message to what it said. Pure: no clock, disk, network or log.

Contract: docs/wire.md. The common shape is read fast (`quick`), everything else with care
(`careful`); both say the same.
"""

from __future__ import annotations

from ingest.wire.careful import timeless_key
from ingest.wire.decoding import decode, decode_carefully, our_fault
from ingest.wire.message import (
    ENTRIES_AT_MOST,
    PAYLOAD_AT_MOST,
    Address,
    Decoded,
    Message,
    Speaker,
    address,
)

__all__ = [
    "ENTRIES_AT_MOST",
    "PAYLOAD_AT_MOST",
    "Address",
    "Decoded",
    "Message",
    "Speaker",
    "address",
    "decode",
    "decode_carefully",
    "our_fault",
    "timeless_key",
]
