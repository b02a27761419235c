"""Telemetry store: one port, several adapters. Raw values only."""

from fleet.store.port import ReadingsRefused, Store, StoreDown, StoreFault, WriteResult

__all__ = ["ReadingsRefused", "Store", "StoreDown", "StoreFault", "WriteResult"]
