"""Alembic migrations of the registry; `fleet.registry.base.engine.open_registry` runs them."""
