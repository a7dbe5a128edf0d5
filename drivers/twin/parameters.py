"""What the simulated gantry is made of: the truth that the planner does not know.

These values are independent of what the machine file says elsewhere; they may differ from the planner's
beliefs on purpose.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from drivers.settings import NonNegative, Positive, Real, Settings


class TwinAxis(Settings):
    """The true mechanics of one axis."""

    length_mm: Positive = Field(description="hard travel from 0 to this; limit switches stand at both ends")
    start_mm: Real = Field(description="where the axis stands when the simulation begins")
    home_switch_mm: Real = Field(description="true place of the home switch's edge, in true mm")
    home_switch_active_below: bool = Field(description="the switch is closed below (true) or above its edge")
    home_switch_scatter_mm: NonNegative = Field(default=0.0, description="standard deviation of its edge")
    loop_lag_ms: NonNegative = Field(description="first-order lag of the velocity loop")
    acceleration_max_mm_s2: Positive = Field(description="what motor and belt can do at most")
    speed_max_mm_s: Positive
    play_mm: NonNegative = Field(default=0.0, description="whole gap between motor and head")
    coast_mm_s2: Positive = Field(
        default=4000.0, description="deceleration by friction and brake when the motor has no torque"
    )
    bumper_mm: NonNegative = Field(default=40.0, description="way from a limit switch to the hard end")
    encoder_zero_counts: int = Field(
        default=0, description="the absolute encoder's reading at true zero of the motor side"
    )
    travel_scale: Positive = Field(
        default=1.0,
        description="true travel over what belt pitch, teeth and gear say (a stretched belt: above 1)",
    )


class TwinParameters(Settings):
    """The whole simulated gantry."""

    axes: dict[str, TwinAxis]
    head_travel_ms: NonNegative = Field(default=60.0, description="time of the pen from up to down")
    seed: int = 1
    response_latency_us: Annotated[int, Field(ge=0)] = 150
    canvas_origin_mm: tuple[Real, Real] = Field(
        strict=False, description="true place of the canvas' top left corner, in true mm"
    )
    canvas_size_mm: tuple[Positive, Positive] = Field(strict=False)
