"""Rules: plain functions over arrays and records, one module a noun of the trade."""
