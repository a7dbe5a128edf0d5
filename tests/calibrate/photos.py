"""Rendered photographs by the dozen: errors of diameter, width and register by tilt, and what is refused.

    python -m tests.calibrate.photos --count 60 [--first K] [--careless] [--rows FILE] [--pictures DIR]

Every picture has a truth of its own: tip, dots, offset of the second ink, colours, the machine's lengths and
squareness, camera, lens, light, blur, noise, the phone's tone curve, JPEG. With ``--rows`` results are added to a file
of JSON lines, and the table is of the whole file, so that a long run can be made in parts.
"""

from __future__ import annotations

import argparse
import functools
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.calibrate.photo import PhotoReading, read_photo
from controller.calibrate.sheets.catalogue import make_sheet
from controller.calibrate.sheets.page import Sheet
from controller.calibrate.values import PoorFit
from controller.config.load import load_machine
from controller.config.places import shipped
from tests.calibrate.photographs import Camera, Paint, box_of, painted_canvas, photograph

NAMES = ("dots", "tip", "register")
ALLOWED_MM = {"dots": 0.1, "tip": 0.1, "register": 0.2}
SIZES = {"dots": (2300, 840), "tip": (2300, 640), "register": (1600, 1280)}


@functools.cache
def sheet_of(name: str) -> Sheet:
    """A sheet for the boathouse gantry and a pen of 1 mm."""
    return make_sheet(name, load_machine(shipped("machines/boathouse.toml")))


def truth_of(name: str, chance: np.random.Generator) -> Paint:
    """What the pens truly did."""
    second, first = chance.choice(["rust", "black", "moss", "ochre"]), chance.choice(["navy", "black"])
    off = chance.uniform(-1.5, 1.5, 2)
    return Paint(
        wider_mm={"pen": float(chance.uniform(-0.2, 0.3))} if name != "register" else {},
        shift_mm={"second": (float(off[0]), float(off[1]))},
        colour={
            "second": str(second),
            "first": str(first),
            "pen": str(chance.choice(["navy", "rust", "moss"])),
        },
        scale=(1.0 + float(chance.uniform(-0.002, 0.002)), 1.0 + float(chance.uniform(-0.002, 0.002))),
        shear=float(chance.uniform(-0.003, 0.003)),
    )


def camera_of(name: str, chance: np.random.Generator, tilt_deg: float) -> Camera:
    """How a person holds a phone."""
    return Camera(
        size_px=SIZES[name],
        tilt_deg=tilt_deg,
        azimuth_deg=float(chance.uniform(0.0, 360.0)),
        roll_deg=float(chance.choice([0.0, 180.0]) + chance.uniform(-5.0, 5.0)),
        fill=float(chance.uniform(0.72, 0.86)),
        k1=float(chance.uniform(-0.1, 0.1)),
        k2=float(chance.uniform(-0.04, 0.04)),
        blur_px=float(chance.uniform(0.5, 1.4)),
        noise=float(chance.uniform(0.5, 1.5)),
        uneven=(float(chance.uniform(-0.2, 0.2)), float(chance.uniform(-0.2, 0.2))),
        vignette=float(chance.uniform(0.0, 0.3)),
        exposure=float(chance.uniform(0.5, 0.8)),
        curve=float(chance.uniform(-0.25, 0.4)),
        quality=int(chance.integers(82, 96)),
    )


def spoilt(camera: Camera, number: int, chance: np.random.Generator) -> Camera:
    """The same picture taken carelessly: blurred, of a canvas that stands out, with a glint, or far too bright."""
    kinds = (
        {"blur_px": float(chance.uniform(1.8, 3.5))},
        {"bulge_mm": float(chance.uniform(0.5, 4.0))},
        {"glint": (*(float(one) for one in chance.uniform(-0.6, 0.6, 2)), float(chance.uniform(0.08, 0.4)))},
        {"exposure": float(chance.uniform(1.05, 1.5))},
    )
    return replace(camera, **kinds[number // 3 % 4])  # type: ignore[arg-type]


def true_values(name: str, paint: Paint) -> dict[str, float]:
    """By the finding's key, what is there, in mm of the canvas.

    An ink's dots and lines are stretched by the machine in their middles, not in their widths. The machine's own
    scale and shear lie in offsets between inks no more than in anything else that one machine paints twice.
    """
    if name == "dots":
        return {"row1": 3.0 + paint.wider_mm["pen"], "row2": 8.0 + paint.wider_mm["pen"]}
    if name == "tip":
        return {"width": 1.0 + paint.wider_mm["pen"]}
    x, y = paint.shift_mm["second"]
    return {f"place{i}{axis}": value for i in range(1, 7) for axis, value in (("x", x), ("y", y))}


def one_picture(
    number: int, *, careless: bool = False
) -> tuple[dict[str, Any], npt.NDArray[np.uint8], PhotoReading | None, Sheet]:
    """Truth, picture and what was read, by number."""
    chance = np.random.default_rng([20261126, number])
    name = NAMES[number % 3]
    tilt = float(chance.uniform(*((0.0, 8.0), (8.0, 17.0), (17.0, 25.0))[number // 3 % 3]))
    sheet, paint = sheet_of(name), truth_of(name, chance)
    camera = camera_of(name, chance, tilt)
    if careless:
        camera = spoilt(camera, number, chance)
    canvas, origin = painted_canvas(sheet, paint, number)
    pixels = photograph(canvas, origin, camera, box_of(sheet), number)
    row: dict[str, Any] = {"number": number, "sheet": name, "tilt": tilt, "blur_px": camera.blur_px,
                           "curve": camera.curve, "errors": {}, "half": {}, "refused": {}}  # fmt: skip
    truth = true_values(name, paint)
    try:
        read = read_photo(pixels, sheet.record)
    except PoorFit as error:
        row["refused"] = dict.fromkeys(truth, str(error))
        return row, pixels, None, sheet
    for one in read.findings:
        row["errors"][one.key] = one.value - truth[one.key]
        row["half"][one.key] = one.half_width
    for key in truth.keys() - row["errors"].keys():
        row["refused"][key] = str(read.refused.get(key.rstrip("xy")) or read.refused.get(key))
    row |= {"px_per_mm": read.px_per_mm, "blur_mm": read.blur_mm, "residual_mm": read.view.residual_mm}
    return row, pixels, read, sheet


def table(rows: list[dict[str, Any]]) -> str:
    """By sheet and tilt: largest and usual error, intervals that hold the truth, and the share refused."""
    lines = [
        "| sheet | tilt | findings | rms error | largest | half width | within it | refused |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name in NAMES:
        for low, high in ((0, 8), (8, 17), (17, 25)):
            some = [one for one in rows if one["sheet"] == name and low <= one["tilt"] < high]
            errors = np.array([e for one in some for e in one["errors"].values()])
            halves = np.array([h for one in some for h in one["half"].values()])
            refused = sum(len(one["refused"]) for one in some)
            if not len(errors):
                if refused:
                    lines.append(f"| {name} | {low} to {high}° | 0 | | | | | {refused} |")
                continue
            held = float((np.abs(errors) <= halves).mean())
            lines.append(
                f"| {name} | {low} to {high}° | {len(errors)} | {np.sqrt((errors**2).mean()):.3f} mm | "
                f"{np.abs(errors).max():.3f} mm | {np.median(halves):.3f} mm | {held:.0%} | {refused} |"
            )
    over = sum(abs(e) > ALLOWED_MM[one["sheet"]] for one in rows for e in one["errors"].values())
    total = sum(len(one["errors"]) + len(one["refused"]) for one in rows)
    refused = sum(len(one["refused"]) for one in rows)
    return "\n".join(
        [
            *lines,
            "",
            f"{len(rows)} pictures, {total} findings, {refused} refused, {over} accepted beyond what is allowed",
        ]
    )


def main() -> None:
    """Render, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--careless", action="store_true", help="blur, bulges, glints, clipped light")
    parser.add_argument("--rows", type=Path)
    parser.add_argument("--pictures", type=Path)
    given = parser.parse_args()
    rows: list[dict[str, Any]] = []
    for number in range(given.first, given.first + given.count):
        row, pixels, read, sheet = one_picture(number, careless=given.careless)
        rows.append(row)
        worst = max((abs(e) for e in row["errors"].values()), default=float("nan"))
        words = next(iter(row["refused"].values()), "")
        print(f"{number:3d} {row['sheet']:9s} tilt {row['tilt']:4.1f} worst {worst:.3f} {words}", flush=True)
        if given.rows:
            with given.rows.open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
        if given.pictures:
            from controller.calibrate.photo_file import drawn_over

            given.pictures.mkdir(parents=True, exist_ok=True)
            picture = drawn_over(pixels, sheet.record, read)
            (given.pictures / f"{number:03d}-{row['sheet']}.png").write_bytes(picture)
    if given.rows:
        rows = [json.loads(line) for line in given.rows.read_text(encoding="utf-8").splitlines()]
    print(table(rows))


if __name__ == "__main__":
    main()
