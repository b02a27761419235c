"""The registry: everything but telemetry. SQLite by default, PostgreSQL by URL.

`pages` is for readers: every function takes a Scope. `work` is for the programs.
"""
