"""``giornata photo``: what a photograph of a sheet tells, beside what a person read. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from controller.cli.console import Exit, JsonOption, emit, err, explained_by, out

if TYPE_CHECKING:
    from controller.calibrate.photo import PhotoReading
    from controller.calibrate.photo_beside import Beside
    from controller.calibrate.values import Measured

NO_LIBRARY = "photographs are measured with scikit-image, which is not installed here"
REMEDY = "install it: pip install 'giornata[photo]'"


def photo(
    picture: Annotated[Path, typer.Argument(metavar="FILE", help="The photograph, JPEG or PNG.")],
    folder: Annotated[
        Path,
        typer.Option(
            "--sheet", metavar="DIR", help="Where giornata sheet wrote the sheet: tip, dots or register."
        ),
    ],
    answers: Annotated[
        Path | None,
        typer.Option(
            "--answers", metavar="FILE", help="TOML with what a person read, to be shown beside it."
        ),
    ] = None,
    found: Annotated[
        Path | None,
        typer.Option(
            "--found", metavar="PNG", help="Write the photograph with what was measured drawn over it."
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Measure a photograph of a sheet. It takes the place of no reading: both are shown, and nothing is saved."""
    from importlib.util import find_spec

    from controller.calibrate.sheets.write import read_record
    from controller.calibrate.values import PoorFit
    from controller.config.errors import RefusedError

    if find_spec("skimage") is None:
        raise RefusedError(NO_LIBRARY, REMEDY, code="photo-library")
    from controller.calibrate.photo import read_photo
    from controller.calibrate.photo_beside import beside
    from controller.calibrate.photo_file import drawn_over, load_photo
    from controller.calibrate.readings import answers_from, measured_from
    from controller.config.load import read_toml

    record = read_record(folder)
    given = answers_from(record, read_toml(answers), answers) if answers is not None else {}
    pixels = load_photo(picture)
    try:
        read = read_photo(pixels, record)
    except PoorFit as error:
        if as_json:
            emit({"ok": False, "exit": int(Exit.FAILED), "what": error.what, "expected": error.expected,
                  "got": error.got, "code": error.code})  # fmt: skip
        err().print(f"the photograph tells nothing: {error}", markup=False, soft_wrap=True)
        explained_by(error.code)
        raise typer.Exit(Exit.FAILED) from None
    if found is not None:
        found.write_bytes(drawn_over(pixels, record, read))
    rows = beside(record, read, given)
    if as_json:
        emit(_json(read, rows))
        return
    for row in rows:
        out().print(row.words(), markup=False, soft_wrap=True)
    for refusal in read.refused.values():
        out().print(f"not told: {refusal}", markup=False, soft_wrap=True)
    out().print(
        f"{read.px_per_mm:.1f} pixels a mm, tilt {read.tilt_deg:.0f} degrees, edges blurred by {read.blur_mm:.2f} mm, "
        f"dots within {read.view.residual_mm:.2f} mm of their places",
        soft_wrap=True,
    )
    chosen: tuple[Measured, ...] = read.measured
    if chosen and any(row.read is not None for row in rows):
        err().print("Which counts, the photograph's (p) or what was read (r)? [r] ", end="", markup=False)
        if _answer() != "p":
            chosen = measured_from(record, given)
    for one in chosen:
        sure = f"+- {one.half_width:.3g} {one.unit}" if one.half_width is not None else one.unit
        out().print(f"{one.field} = {one.value} {sure}, method {one.method}", markup=False, soft_wrap=True)


def _answer() -> str:
    """What the person typed; nothing where nobody is there."""
    try:
        return input().strip().lower()
    except EOFError:
        return ""


def _json(read: PhotoReading, rows: list[Beside]) -> dict[str, Any]:
    findings = [
        {"key": row.finding.key, "value": row.finding.value, "half_width": row.finding.half_width, "unit": "mm",
         "n": row.finding.n, "read": row.read, "read_half_width": row.read_half_width, "agrees": row.agrees}
        for row in rows
    ]  # fmt: skip
    measured = [
        {"field": one.field, "value": one.plain(), "unit": one.unit, "half_width": one.half_width,
         "method": one.method, "n": one.n, "note": one.note}
        for one in read.measured
    ]  # fmt: skip
    return {
        "ok": True,
        "findings": findings,
        "refused": {key: str(error) for key, error in read.refused.items()},
        "measured": measured,
        "px_per_mm": read.px_per_mm,
        "tilt_deg": read.tilt_deg,
        "blur_mm": read.blur_mm,
        "residual_mm": read.view.residual_mm,
    }
