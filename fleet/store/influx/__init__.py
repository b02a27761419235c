"""The telemetry store in a bucket of InfluxDB 2."""

from __future__ import annotations

from fleet.store.influx.store import InfluxStore, open_influx

__all__ = ["InfluxStore", "open_influx"]
