"""Alembic migrations of the registry; `fleet.registry.engine.open_registry` runs them."""
