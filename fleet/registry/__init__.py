"""The registry: everything but telemetry. SQLite by default, PostgreSQL by URL.

`lists` is for pages: every function takes a Scope. `unscoped` is for the programs.
"""
