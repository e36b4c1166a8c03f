"""A section of a plan file: what it does not know is an error, and nothing changes it once it is read."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
