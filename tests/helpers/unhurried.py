"""An app whose throttle does not hold a walk up."""

from __future__ import annotations

from fastapi import FastAPI

from dashboard.throttle import Throttle


def unhurried(app: FastAPI) -> None:
    """As if every request came in a minute of its own."""
    app.state.services.throttle.__dict__.update(Throttle().__dict__)
