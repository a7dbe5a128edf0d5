"""The job file as frozen models: which artwork, where on the canvas, which inks, tips, techniques and traps.

Owns the fields and their meaning; ``docs/job.md`` tells them to the painter. Knows no drawing and no geometry.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from controller.config.contradictions import ContradictionsError, run_rules
from controller.config.machine import Pair
from controller.config.rules import job_rules, spiral_closes
from controller.config.values import of_model
from drivers.settings import NonNegative, Positive, Settings

ENTRIES_MAX = 500
"""Inks, tips and techniques of a job, each; a mural has dozens."""

Name = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]
TipName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9-]{0,63}$")]
Colour = Annotated[str, StringConstraints(pattern=r"^#[0-9a-fA-F]{6}$")]
AngleDeg = Annotated[float, Field(ge=-180, le=180)]
TipMm = Annotated[float, Field(ge=0.05, le=1000)]
PitchMm = Annotated[float, Field(ge=0.1, le=10_000)]
FileName = Annotated[str, StringConstraints(min_length=1, max_length=1000, pattern=r"^[^\x00-\x1f\x7f]*$")]


class Ink(Settings):
    """One ink. It paints the shapes of its group or, without a group, those of its colour."""

    name: Name
    group: str | None = Field(
        default=None,
        description="id of the SVG group whose shapes this ink paints, whatever colours they have; "
        "without it, the ink paints the shapes of its colour that lie in no ink's group",
    )
    colour: Colour = Field(description="sRGB; what shapes are matched by, and for pictures and reports")
    tip_mm: TipMm = Field(description="width of the line that the pen's tip leaves, when new")
    tip: TipName | None = Field(
        default=None, description="name of a [tips] table: how the width grows with wear"
    )
    pen_metres: Positive | None = Field(
        default=None,
        description="metres that one filled pen lasts; a pass is cut at a stroke's end before this",
    )
    pen_minutes: Positive | None = Field(
        default=None, description="minutes that one pen lasts; a pass is cut at a stroke's end before this"
    )
    dry_minutes: NonNegative = Field(
        default=0.0, description="how long the ink dries before another may be painted beside or over it"
    )
    spiral_step_mm: Positive | None = Field(
        default=None,
        description="distance between the turns of a dot's spiral; the tip's width times 0.8 if not given",
    )
    paint_speed_mm_s: Positive | None = Field(default=None, description="the machine's if not given")
    sequence: Literal["best", "as-drawn"] = Field(
        default="best",
        description="best: strokes in the order, lines in the direction and loops from the place that make the ways "
        "with the pen up short; as-drawn: all as the drawing has them. Only in jobs that are painted as drawn",
    )

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


class TipWear(Settings):
    """How a tip's line grows wider with the metres it has painted, as measured."""

    metres: Annotated[tuple[NonNegative, ...], Field(strict=False, min_length=2, max_length=1000)] = Field(
        description="metres painted, from 0 upwards"
    )
    width_mm: Annotated[tuple[TipMm, ...], Field(strict=False, min_length=2, max_length=1000)] = Field(
        description="width of the line at each of these"
    )


class Technique(Settings):
    """How some shapes are painted: those of a layer, of an ink, of both, or all."""

    layer: str | None = Field(default=None, description="id of a group: shapes anywhere inside it")
    ink: Name | None = Field(default=None, description="name of an ink: fills and strokes that it paints")
    fill: Literal["flat", "dots", "screen", "none"] = Field(
        default="dots",
        description="flat: solid; dots: filled circles as dots, other fills are left out; "
        "screen: a lattice of equal dots; none: not painted",
    )
    stroke: Literal["line", "band", "none"] = Field(
        default="line",
        description="line: one stroke along the middle; band: the drawing's own width from parallel strokes",
    )
    style: Literal["contour", "hatch"] = Field(
        default="contour", description="flat: strokes along the edge inwards, or parallel ones"
    )
    hatch_angle_deg: AngleDeg = Field(default=0.0, description="hatch: from the x axis towards the y axis")
    overlap: Annotated[float, Field(ge=0, le=0.9)] = Field(
        default=0.2, description="flat, band: share of the tip's width by which neighbouring strokes overlap"
    )
    pitch_mm: PitchMm | None = Field(default=None, description="screen: from one dot's centre to the next")
    angle_deg: AngleDeg = Field(
        default=0.0, description="screen: of the rows, from the x axis towards the y axis"
    )
    lattice: Literal["square", "hexagonal"] = "square"
    diameter_mm: Positive | None = Field(default=None, description="screen: of its dots; or give tint")
    tint: Annotated[float, Field(gt=0, lt=1)] | None = Field(
        default=None, description="screen: covered share of the area; or give diameter_mm"
    )
    borders: Literal["whole", "clipped", "dropped"] = Field(
        default="whole",
        description="dots across an edge: whole where the centre is inside, cut along the edge, or left out",
    )
    knocks_out: bool | None = Field(
        default=None,
        description="whether other inks' areas below leave room for these shapes; "
        "not given: flats and bands do, screens, dots and lines do not",
    )
    again: Literal["strengthen", "enlarge"] | None = Field(
        default=None,
        description="dots, screen: painted a second time, in a later pass of the ink: the same way, or wider",
    )
    enlarge_mm: Positive | None = Field(
        default=None, description="again: by so much the diameter grows the second time"
    )


class Sitting(Settings):
    """How the work is divided for the person who watches the machine."""

    watch_minutes: Positive = Field(
        default=60.0, description="a pass is cut at a stroke's end before it takes longer than this"
    )
    change_minutes: NonNegative = Field(
        default=5.0, description="from one pass to the next, a pen changed or not"
    )
    change_near: Annotated[float, Field(ge=0, le=0.5)] = Field(
        default=0.15,
        description="in the last such share of what a pen paints, its pass ends at the stroke's end nearest to the "
        "swatch (without one, to the park place); common practice, no source",
    )


class Resume(Settings):
    """How a stroke goes on that a stop or a crash has cut short. Dots are always painted anew."""

    lines: Literal["redo", "continue"] = Field(
        default="redo",
        description="every stroke that is no dot: anew from its start, or from where it was left, as far as is known",
    )
    overlap_mm: NonNegative = Field(
        default=5.0, description="continue: so much of what is surely painted is painted over"
    )


class Traps(Settings):
    """Overlap of neighbouring inks, so that small errors of register show no bare canvas."""

    width_mm: Positive = Field(description="the lighter ink goes so far under the darker one")


class Register(Settings):
    """Marks by which passes are kept in register over weeks."""

    marks_mm: dict[TipName, Pair] = Field(
        min_length=3,
        max_length=ENTRIES_MAX,
        description="places on the canvas by name, canvas mm; four or more, far apart, serve best",
    )
    existing: bool = Field(
        default=False,
        description="true: these points are on the canvas already; false: crosses are painted there, outside the "
        "picture, at the beginning of the first pass of the first ink",
    )
    arm_mm: Annotated[float, Field(ge=1, le=200)] = Field(
        default=10.0, description="from a cross's middle to each of its four ends"
    )
    uncertainty_mm: Positive | None = Field(
        default=None,
        description="standard uncertainty of each coordinate of a measured mark; estimated from the marks if not given",
    )


class Swatch(Settings):
    """A place beside the picture where pens are primed before they paint."""

    origin_mm: Pair = Field(description="its top left corner, canvas mm")
    size_mm: Annotated[tuple[Positive, Positive], Field(strict=False)] = Field(
        description="width and height; each priming takes a fresh place in it"
    )
    prime_mm: Annotated[float, Field(ge=10, le=5000)] = Field(
        default=150.0, description="length of the zigzag that primes a pen; common practice, no source"
    )
    prime_after_s: Positive = Field(
        default=180.0,
        description="a pen whose tip was up for longer is primed again before a pass; common practice, no source",
    )


class Job(Settings):
    """A whole job file."""

    format: Literal[1] = Field(description="version of this file format")
    name: Name
    artwork: FileName = Field(description="path of the SVG file, from the job file's folder")
    origin_mm: Pair = Field(description="the artwork's top left corner on the canvas, canvas mm")
    flatten_tolerance_mm: Annotated[float, Field(ge=1e-5, le=1)] = 0.02
    unmatched: Literal["refuse", "skip"] | None = Field(
        default=None,
        description="what is done about elements that no ink paints and what cannot be painted: refuse the job, or "
        "list them and leave them out; not given: skip where every ink has a group, else refuse",
    )
    colour_distance_max: Annotated[float, Field(ge=0, le=100)] = Field(
        default=5.0,
        description="colour difference (CIEDE2000) within which a shape's colour counts as an ink's",
    )
    canvas_colour: Colour | None = Field(
        default=None, description="shapes of this colour are bare canvas: they cover and are not painted"
    )
    order: Literal["as-listed", "light-to-dark"] = Field(
        default="as-listed", description="painting order of the inks: as the file lists them, or by lightness"
    )
    inks: tuple[Ink, ...] = Field(strict=False, min_length=1, max_length=ENTRIES_MAX)
    tips: dict[TipName, TipWear] = Field(default_factory=dict, max_length=ENTRIES_MAX)
    techniques: Annotated[tuple[Technique, ...], Field(strict=False, max_length=ENTRIES_MAX)] = Field(
        default=(),
        description="for a shape, those of its innermost named layer count first, then those without a layer; "
        "of these the first whose ink fits",
    )
    traps: Traps | None = None
    marks: Register | None = Field(default=None, alias="register")
    sitting: Sitting = Sitting()
    swatch: Swatch | None = Field(default=None, description="left out: pens are not primed")
    resume: Resume = Resume()

    @model_validator(mode="after")
    def _inks_differ(self) -> Self:
        found = run_rules(job_rules(), of_model(self))
        if found:
            raise ContradictionsError(found)
        return self

    @property
    def refuses_unmatched(self) -> bool:
        """Whether elements that no ink paints refuse the job; without a word about it, only where colours count."""
        if self.unmatched is not None:
            return self.unmatched == "refuse"
        return any(ink.group is None for ink in self.inks)
