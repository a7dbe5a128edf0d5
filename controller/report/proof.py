"""A proof of a prepared job as files: pictures at true scale, coverage, gaps, and a page that shows them all.

Owns the order of things and the folder. Everything is made beside its place and put there whole; whoever is
interrupted leaves the last proof standing. The folder::

    index.html                     the page
    picture.png, picture.svg       as it will be painted
    passes/NN-<pass>.png, .svg     each pass; what came before it in grey (PNG)
    differences.png                wanted against painted
    coverage.csv, coverage.json    by ink
    gaps.png, gaps.json            where asked for
"""

from __future__ import annotations

import json
import math
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from controller.config.errors import InputError, Mistake
from controller.config.job import Job
from controller.config.load import load_job
from controller.report.coverage import InkCoverage, measure, paint_cover, rows, table_csv, wanted_cover
from controller.report.figures import BLUE, CANVAS
from controller.report.gaps import SHOWN, gap_picture
from controller.report.proofpage import GapLine, GapPart, PassLine, ProofPage, proof_page
from controller.report.proofpaint import (
    CHORD_ERROR_MM,
    PassPaint,
    WidthAt,
    constant,
    pass_paint,
    whole_bounds,
)
from controller.report.proofpicture import Pictures, agreed_colour, draw_pictures
from controller.report.proofraster import Frame
from controller.report.proofsvg import pass_groups, picture_svg
from controller.report.proofwanted import WantedPicture, wanted_picture
from controller.session.pens import with_measured_tips
from controller.session.prepared import Prepared
from controller.strokes.traps import gap_map, solids
from controller.strokes.wear import WearCurve, wear_curve

LONG_SIDE: Final = 4000
"""Pixels of the long side, at most, where no scale is asked for."""
SCALE_MAX: Final = 10.0
"""Pixels a millimetre, at most, where no scale is asked for."""
PIXELS_MAX: Final = 400_000_000
"""Of one picture. Nothing but patience and disk limits it; 3 x 2 m at 8 pixels a millimetre are just within."""
ERROR_MAX_MM: Final = 100.0
_MARK: Final = "coverage.json"
"""A folder with it is an earlier proof and may be replaced."""
_KIND: Final = "giornata proof"

Progress = Callable[[str, float], None]
"""Called with what is being done and the fraction done of that."""


@dataclass(frozen=True, slots=True)
class ProofFiles:
    """Where the parts of a proof are; gaps: None where not asked for, the picture also where no gap can open."""

    page: Path
    picture_png: Path
    picture_svg: Path
    passes: Path
    differences: Path
    coverage_csv: Path
    coverage_json: Path
    gaps_png: Path | None
    gaps_json: Path | None


@dataclass(frozen=True, slots=True)
class Proof:
    """A proof as written: its files, coverage by ink in the job's order, gaps where asked for, and the scale."""

    files: ProofFiles
    coverage: tuple[InkCoverage, ...]
    gaps: GapPart | None
    px_per_mm: float


def build_proof(
    prepared: Prepared,
    job_path: Path,
    out_dir: Path,
    px_per_mm: float | None = None,
    register_error_mm: float | None = None,
    progress: Progress = lambda _what, _fraction: None,
) -> Proof:
    """Write the proof of a prepared job into ``out_dir``.

    px_per_mm: of the pictures; not given, the long side has LONG_SIDE pixels, at most SCALE_MAX a millimetre.
    register_error_mm: how far one ink may be off, for the map of gaps. Raises InputError.
    """
    out_dir = out_dir.absolute()
    _check_number("--px-per-mm", px_per_mm, "a number above 0")
    _check_number("--register-error", register_error_mm, f"mm above 0, up to {ERROR_MAX_MM:g}", ERROR_MAX_MM)
    _check_place(out_dir)
    if changed := prepared.stale():
        expected = "files as they were when the job was prepared (run giornata prepare)"
        raise InputError(
            [
                Mistake(
                    prepared.folder,
                    "sources",
                    expected,
                    f"others: {', '.join(changed)}",
                    code="prepared-stale",
                )
            ]
        )
    job = with_measured_tips(load_job(job_path), prepared.record.tip_factors)
    progress("reading strokes", 0.0)
    passes = passes_of(prepared, job)
    progress("reading the artwork", 0.0)
    wanted = wanted_picture(job, job_path)
    frame = _frame(passes, wanted, px_per_mm)
    fresh = _beside(out_dir)
    try:
        made = _make(prepared, job, passes, wanted, frame, fresh, register_error_mm, progress)
        _put(fresh, out_dir)
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(
            [Mistake(out_dir, "--out", "a folder that can be written", why, code="file-unwritable")]
        ) from None
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    coverage, gaps = made
    progress("done", 1.0)
    return Proof(_files(out_dir), coverage, gaps, frame.px_per_mm)


def passes_of(prepared: Prepared, job: Job) -> tuple[PassPaint, ...]:
    """What every pass paints, in painting order. Raises InputError for strokes that cannot be read or are of no ink."""
    row_of = {ink.name: row for row, ink in enumerate(job.inks)}
    found: list[PassPaint] = []
    for part in prepared.record.passes:
        if part.ink not in row_of:
            known = ", ".join(row_of)
            raise InputError(
                [
                    Mistake(
                        prepared.folder,
                        f"pass {part.name}",
                        f"an ink of {known}",
                        part.ink,
                        code="prepared-stale",
                    )
                ]
            )
        strokes = prepared.strokes(part.name)
        width_at = _width_at(job, row_of[part.ink])
        found.append(pass_paint(part.name, row_of[part.ink], part.colour, strokes, width_at, part.pen_m))
    return tuple(found)


def _width_at(job: Job, ink: int) -> WidthAt:
    tip = job.inks[ink].tip
    if tip is None:
        return constant(job.inks[ink].tip_mm)
    curve: WearCurve = wear_curve(job.tips[tip].metres, job.tips[tip].width_mm)
    return curve.quantised_mm


def _make(
    prepared: Prepared,
    job: Job,
    passes: Sequence[PassPaint],
    wanted: WantedPicture,
    frame: Frame,
    folder: Path,
    error_mm: float | None,
    progress: Progress,
) -> tuple[tuple[InkCoverage, ...], GapPart | None]:
    canvas = job.canvas_colour or CANVAS
    files = [f"{place:02d}-{one.name}" for place, one in enumerate(passes, 1)]
    (folder / "passes").mkdir()
    pictures = draw_pictures(
        frame, canvas, passes, wanted.inks, folder, files, lambda done: progress("drawing", done)
    )
    progress("writing SVG", 0.0)
    groups = pass_groups(passes)
    _write_svg(folder / "picture.svg", frame, canvas, groups, prepared.record.job)
    for one, name, group in zip(passes, files, groups, strict=True):
        _write_svg(folder / "passes" / f"{name}.svg", frame, canvas, [group], one.name)
    coverage = _coverage(job, passes, wanted, pictures, frame, progress)
    progress("looking for gaps", 0.0)
    gaps = _gaps(job, wanted, error_mm) if error_mm is not None else None
    progress("writing the page", 0.0)
    (folder / "coverage.csv").write_text(table_csv(coverage), newline="")
    _write_json(
        folder / _MARK,
        {
            "kind": _KIND,
            "job": prepared.record.job,
            "chord_error_mm": CHORD_ERROR_MM,
            "inks": rows(coverage),
        },
    )
    if gaps is not None:
        if gaps.picture is not None:
            (folder / "gaps.png").write_bytes(gaps.picture)
        _write_json(folder / "gaps.json", gaps_json(gaps))
    page = ProofPage(
        prepared.record.job,
        prepared.record.machine,
        (frame.box_mm[2] - frame.box_mm[0], frame.box_mm[3] - frame.box_mm[1]),
        (frame.width, frame.height),
        frame.px_per_mm,
        (agreed_colour(canvas), BLUE, SHOWN),
        tuple(
            PassLine(
                part.name, part.ink, part.colour, one.strokes, one.metres, part.seconds / 60.0, one.width_mm,
                name, picture,
            )
            for part, one, name, picture in zip(
                prepared.record.passes, passes, files, pictures.passes, strict=True
            )
        ),
        coverage,
        prepared.record.skipped,
        pictures.whole,
        pictures.differences,
        gaps,
    )  # fmt: skip
    (folder / "index.html").write_text(proof_page(page))
    return coverage, gaps


def _coverage(
    job: Job,
    passes: Sequence[PassPaint],
    wanted: WantedPicture,
    pictures: Pictures,
    frame: Frame,
    progress: Progress,
) -> tuple[InkCoverage, ...]:
    found = []
    for row, ink in enumerate(job.inks):
        exact = measure(
            paint_cover([one for one in passes if one.ink == row]),
            wanted_cover(wanted.inks[row]),
            progress=lambda done, name=ink.name: progress(f"{name} coverage", done),  # type: ignore[misc]
        )
        found.append(InkCoverage(ink.name, ink.colour, exact, pictures.raster[row], 1.0 / frame.px_per_mm))
    return tuple(found)


def _gaps(job: Job, wanted: WantedPicture, error_mm: float) -> GapPart:
    gaps = gap_map(wanted.works, wanted.with_traps, job, error_mm)
    lines = tuple(
        GapLine(ink.name, ink.colour, len(area.geoms), float(area.area))
        for ink, area in zip(job.inks, gaps.gaps, strict=True)
    )
    solid = sum(not area.is_empty for area in solids(wanted.with_traps, len(job.inks)))
    picture = gap_picture(wanted.with_traps, gaps, job) if solid > 1 else None
    return GapPart(error_mm, lines, gaps.area_mm2, picture)


def gaps_json(part: GapPart) -> dict[str, Any]:
    """The gaps as they stand in ``gaps.json``."""
    return {
        "register_error_mm": part.error_mm,
        "area_least_mm2": part.area_mm2[0],
        "area_most_mm2": part.area_mm2[1],
        "inks": [{"ink": one.ink, "places": one.places, "area_most_mm2": one.area_mm2} for one in part.lines],
    }


def _frame(passes: Sequence[PassPaint], wanted: WantedPicture, px_per_mm: float | None) -> Frame:
    """The drawing's own sheet, larger where anything lies beyond it."""
    boxes = [wanted.sheet_mm]
    if (painted := whole_bounds(passes)) is not None:
        boxes.append(painted)
    for one in wanted.inks:
        limits = wanted_cover(one).bounds_mm()
        if len(limits):
            low, high = limits[:, :2].min(axis=0), limits[:, 2:].max(axis=0)
            boxes.append((float(low[0]), float(low[1]), float(high[0]), float(high[1])))
    box = (
        min(one[0] for one in boxes), min(one[1] for one in boxes),
        max(one[2] for one in boxes), max(one[3] for one in boxes),
    )  # fmt: skip
    long_mm = max(box[2] - box[0], box[3] - box[1])
    scale = px_per_mm if px_per_mm is not None else min(LONG_SIDE / long_mm, SCALE_MAX)
    frame = Frame(box, scale)
    if frame.width * frame.height > PIXELS_MAX:
        most = math.floor(100.0 * math.sqrt(PIXELS_MAX / ((box[2] - box[0]) * (box[3] - box[1])))) / 100.0
        got = f"{scale:g}, {frame.width * frame.height / 1e6:,.0f} million pixels"
        raise InputError(
            [
                Mistake(
                    Path("proof"),
                    "--px-per-mm",
                    f"at most {most:g} for a picture of this size",
                    got,
                    code="option-value",
                )
            ]
        )
    return frame


def _write_svg(path: Path, frame: Frame, canvas: str, groups: Sequence[str], title: str) -> None:
    with path.open("w", encoding="utf-8") as file:
        file.writelines(picture_svg(frame.box_mm, canvas, groups, title))


def _write_json(path: Path, content: dict[str, Any]) -> None:
    path.write_text(json.dumps(content, indent=1, allow_nan=False) + "\n")


def _check_number(option: str, value: float | None, expected: str, most: float = math.inf) -> None:
    if value is not None and not (0.0 < value <= most and math.isfinite(value)):
        raise InputError([Mistake(Path("proof"), option, expected, f"{value:g}", code="option-value")])


def _check_place(out_dir: Path) -> None:
    """Only an absent folder, an empty one or an earlier proof may be replaced."""
    if not out_dir.exists():
        return
    if out_dir.is_dir():
        if not any(out_dir.iterdir()):
            return
        try:
            if json.loads((out_dir / _MARK).read_text()).get("kind") == _KIND:
                return
        except (OSError, ValueError, AttributeError):
            pass
    expected, got = "a new, an empty or an earlier proof's folder", "something else, left alone"
    raise InputError([Mistake(out_dir, "--out", expected, got, code="out-occupied")])


def _beside(out_dir: Path) -> Path:
    try:
        out_dir.parent.mkdir(parents=True, exist_ok=True)
        return Path(tempfile.mkdtemp(prefix=f".{out_dir.name}-", dir=out_dir.parent))
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(
            [Mistake(out_dir, "--out", "a folder that can be written", why, code="file-unwritable")]
        ) from None


def _put(fresh: Path, out_dir: Path) -> None:
    """Put ``fresh`` in place of what stood there; that is moved aside first and comes back if anything fails."""
    fresh.chmod(0o755)
    if not out_dir.exists():
        fresh.rename(out_dir)
        return
    old = fresh.with_name(fresh.name + ".old")
    out_dir.rename(old)
    try:
        fresh.rename(out_dir)
    except OSError:
        old.rename(out_dir)
        raise
    shutil.rmtree(old, ignore_errors=True)


def _files(folder: Path) -> ProofFiles:
    gaps_png, gaps_json = folder / "gaps.png", folder / "gaps.json"
    return ProofFiles(
        folder / "index.html",
        folder / "picture.png",
        folder / "picture.svg",
        folder / "passes",
        folder / "differences.png",
        folder / "coverage.csv",
        folder / _MARK,
        gaps_png if gaps_png.exists() else None,
        gaps_json if gaps_json.exists() else None,
    )
