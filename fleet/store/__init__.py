"""Telemetry store: one port, several adapters. Raw values only."""

from fleet.store.port import Store, StoreDown, StoreFault, WriteResult

__all__ = ["Store", "StoreDown", "StoreFault", "WriteResult"]
