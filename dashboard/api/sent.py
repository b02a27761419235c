"""What every JSON body that is sent to us must satisfy, whatever its shape."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, model_validator

from fleet.bounds import fit


class Sent(BaseModel):
    """A body: no value in it, at any depth, that could be neither kept nor computed with."""

    @model_validator(mode="before")
    @classmethod
    def _fit(cls, sent: Any) -> Any:
        fit(sent)
        return sent
