"""What the simulated gantry is made of: the truth that the planner does not know.

These values are independent of what the machine file says elsewhere; they may differ from the planner's
beliefs on purpose. What is left out is ideal: a stiff belt, no friction, no latency, a square frame, a pen without
clearance. Tables have straight lines between their places; the ends hold beyond.

*Axis mm* is the place along a guide that belt pitch, teeth and ``travel_scale`` give; all places of one axis
(switches, tables, start) are in it. *True mm* is the plane of the canvas: axis mm plus length errors, squareness
and sag.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Self

from pydantic import Field, model_validator

from drivers.settings import NonNegative, Positive, Real, Settings

POINTS_MAX = 32
Places = Annotated[tuple[Real, ...], Field(strict=False, min_length=1, max_length=POINTS_MAX)]


def _check_table(places: tuple[float, ...], values: tuple[float, ...], name: str) -> None:
    """Raise ValueError unless both columns are equally long and the places grow (the words say what was expected)."""
    if len(places) != len(values):
        raise ValueError(f"as many {name} as position_mm ({len(places)}; got {len(values)})")
    if any(after <= before for before, after in pairwise(places)):
        raise ValueError("position_mm that grows from entry to entry")


class TwinBelt(Settings):
    """The belt as a spring with a damper between the pulley and the head's mass."""

    position_mm: Places
    frequency_hz: Annotated[
        tuple[Annotated[float, Field(ge=0.1, le=1000.0)], ...],
        Field(strict=False, min_length=1, max_length=POINTS_MAX),
    ] = Field(description="natural frequency of the head on its belt when it stands at that place")
    damping: Annotated[float, Field(ge=0, lt=1)] = Field(
        default=0.0, description="damping ratio of that oscillation"
    )

    @model_validator(mode="after")
    def _is_table(self) -> Self:
        _check_table(self.position_mm, self.frequency_hz, "frequency_hz")
        return self


class TwinPlayTable(Settings):
    """Play that differs from place to place."""

    position_mm: Places
    play_mm: Annotated[tuple[NonNegative, ...], Field(strict=False, min_length=1, max_length=POINTS_MAX)] = (
        Field(description="whole gap between motor and pulley at that place")
    )

    @model_validator(mode="after")
    def _is_table(self) -> Self:
        _check_table(self.position_mm, self.play_mm, "play_mm")
        return self


class TwinLengthError(Settings):
    """Where the head really is: error = true place - axis place."""

    position_mm: Places
    error_mm: Places

    @model_validator(mode="after")
    def _is_table(self) -> Self:
        _check_table(self.position_mm, self.error_mm, "error_mm")
        return self


class TwinSag(Settings):
    """How far the head hangs below the straight line (positive: down) by its place along x."""

    position_mm: Places
    drop_mm: Places

    @model_validator(mode="after")
    def _is_table(self) -> Self:
        _check_table(self.position_mm, self.drop_mm, "drop_mm")
        return self


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
    latency_ms: Annotated[float, Field(ge=0, le=200)] = Field(
        default=0.0,
        description="from the SYNC or command that a drive has received until the motor's loop has it",
    )
    latency_jitter_ms: NonNegative = Field(
        default=0.0, description="the latency of each command varies evenly by up to this, either way; seeded"
    )
    encoder_step_counts: int = Field(
        default=1, ge=1, le=2**20, description="the encoder's readings are whole multiples of this"
    )
    play_table: TwinPlayTable | None = Field(default=None, description="used in place of play_mm")
    play_friction_mm_s2: Positive | None = Field(
        default=None,
        description="friction that holds the pulley while the motor crosses the gap, as force per mass of the head; "
        "a belt that pulls harder drags the pulley along. Left out: held always. Needs a belt",
    )
    belt: TwinBelt | None = Field(default=None, description="left out: a stiff belt without mass behind it")
    rail_friction_mm_s2: NonNegative = Field(
        default=0.0, description="Coulomb friction of the head on its rail, as force per mass. Needs a belt"
    )
    rail_viscous_per_s: Annotated[float, Field(ge=0, le=10_000)] = Field(
        default=0.0,
        description="friction of the head on its rail that grows with speed, per mass. Needs a belt",
    )
    length_error: TwinLengthError | None = None
    length_drift_ppm_h: Real = Field(
        default=0.0, description="growth of true length over axis length in an hour (warming frame and belt)"
    )
    home_switch_drift_mm_h: Real = Field(default=0.0, description="way of the home switch's edge in an hour")

    @model_validator(mode="after")
    def _parts_agree(self) -> Self:
        wants_belt = {
            "play_friction_mm_s2": self.play_friction_mm_s2 is not None,
            "rail_friction_mm_s2": self.rail_friction_mm_s2 > 0.0,
            "rail_viscous_per_s": self.rail_viscous_per_s > 0.0,
        }
        given = [name for name, is_given in wants_belt.items() if is_given]
        if self.belt is None and given:
            raise ValueError(f"a belt beside {', '.join(given)}")
        if self.latency_jitter_ms > self.latency_ms:
            raise ValueError(f"latency_jitter_ms of at most latency_ms ({self.latency_ms})")
        return self


class TwinParameters(Settings):
    """The whole simulated gantry."""

    axes: dict[str, TwinAxis]
    head_travel_ms: NonNegative = Field(default=60.0, description="time of the pen from up to down")
    head_stroke_mm: Positive = Field(default=8.0, description="way of the pen from up to down")
    head_force_n: Positive = Field(default=3.0, description="force with which the pen presses at last")
    head_force_rise_ms: NonNegative = Field(
        default=10.0, description="time constant with which the force builds up from touching on"
    )
    seed: int = 1
    response_latency_us: Annotated[int, Field(ge=0)] = 150
    canvas_origin_mm: tuple[Real, Real] = Field(
        strict=False, description="true place of the canvas' top left corner, in true mm"
    )
    canvas_size_mm: tuple[Positive, Positive] = Field(strict=False)
    canvas_turn_deg: Annotated[float, Field(ge=-45, le=45)] = Field(
        default=0.0,
        description="how far the canvas truly hangs turned about its top left corner, from x towards y",
    )
    squareness_mm_m: Real = Field(
        default=0.0, description="how far x truly drifts to the right per metre that y goes down"
    )
    sag: TwinSag | None = None
    frame_drift_mm_h: tuple[Real, Real] = Field(
        default=(0.0, 0.0),
        strict=False,
        description="way of the head against the canvas in an hour, along x and y",
    )
    pen_clearance_mm: tuple[NonNegative, NonNegative] = Field(
        default=(0.0, 0.0),
        strict=False,
        description="how far the touching tip may stand off the holder's centre along x, along y; "
        "it stays where it is until the holder drags it",
    )
    pen_landing_mm: tuple[Real, Real] = Field(
        default=(0.0, 0.0),
        strict=False,
        description="where the tip lands, from the holder's centre; inside the clearance",
    )

    @model_validator(mode="after")
    def _lands_inside(self) -> Self:
        """The landing place must lie in the ellipse of the clearance."""
        reach = 0.0
        for landing, clearance in zip(self.pen_landing_mm, self.pen_clearance_mm, strict=True):
            if landing:
                reach += (landing / clearance) ** 2 if clearance else 2.0
        if reach > 1.0 + 1e-9:
            raise ValueError(f"pen_landing_mm inside pen_clearance_mm {self.pen_clearance_mm}")
        return self
