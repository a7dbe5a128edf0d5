"""The base of every settings model and the ranges of its numbers. Knows no wire, no axis and no drive."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field


class Settings(BaseModel):
    """Base of every settings model: strict, frozen, no unknown field, no infinity."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


SMALLEST = 1e-9
LARGEST = 1e9
# Every quantity of a machine lies far inside these; with them no formula over settings meets infinity or zero.
Positive = Annotated[float, Field(ge=SMALLEST, le=LARGEST)]
NonNegative = Annotated[float, Field(ge=0, le=LARGEST)]
Real = Annotated[float, Field(ge=-LARGEST, le=LARGEST)]
