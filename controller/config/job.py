"""The job file as frozen models: which artwork, where on the canvas, which inks and tips."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from controller.config.contradictions import ContradictionsError, run_rules
from controller.config.machine import Pair
from controller.config.rules import job_rules, spiral_closes
from controller.config.values import of_model
from drivers.settings import Positive, Settings


class Ink(Settings):
    """One ink, painted in one pass; inks are painted in the order in which the file lists them."""

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")
    group: str = Field(description="id of the SVG group whose shapes this ink paints")
    colour: str = Field(pattern=r"^#[0-9a-fA-F]{6}$", description="for pictures and reports, sRGB")
    tip_mm: Positive = Field(description="width of the line that the pen's tip leaves")
    spiral_step_mm: Positive | None = Field(
        default=None,
        description="distance between the turns of a dot's spiral; the tip's width times 0.8 if not given",
    )
    paint_speed_mm_s: Positive | None = Field(default=None, description="the machine's if not given")

    @model_validator(mode="after")
    def _spiral_closes(self) -> Self:
        found = run_rules((spiral_closes,), of_model(self))
        if found:
            raise ContradictionsError(found)
        return self

    @property
    def step_mm(self) -> float:
        """Distance between the turns of a dot's spiral."""
        return self.spiral_step_mm if self.spiral_step_mm is not None else 0.8 * self.tip_mm


class Job(Settings):
    """A whole job file."""

    format: Literal[1] = Field(description="version of this file format")
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")
    artwork: str = Field(description="path of the SVG file, from the job file's folder")
    origin_mm: Pair = Field(description="the artwork's top left corner on the canvas, canvas mm")
    flatten_tolerance_mm: Annotated[float, Field(gt=0, le=1)] = 0.02
    inks: tuple[Ink, ...] = Field(strict=False, min_length=1)

    @model_validator(mode="after")
    def _inks_differ(self) -> Self:
        found = run_rules(job_rules(), of_model(self))
        if found:
            raise ContradictionsError(found)
        return self
