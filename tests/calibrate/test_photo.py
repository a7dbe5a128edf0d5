"""Photographs of sheets: sizes and offsets come back from rendered pictures, or the picture is refused in words.

The pictures are rendered by ``tests.calibrate.photographs``, which shares nothing with what measures them.
"""

from __future__ import annotations

import functools
import io
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from controller.calibrate.photo import Finding, PhotoReading, read_photo
from controller.calibrate.photo_beside import beside
from controller.calibrate.photo_file import drawn_over, load_photo
from controller.calibrate.photo_measure import union_mm2
from controller.calibrate.photo_view import Frame, View, first_view, fit_view
from controller.calibrate.readings import Reading
from controller.calibrate.sheets.catalogue import make_sheet
from controller.calibrate.sheets.page import Sheet
from controller.calibrate.sheets.write import write_sheet
from controller.calibrate.values import PoorFit
from controller.cli.main import main
from controller.config.errors import InputError
from controller.config.load import load_machine
from controller.config.places import shipped
from tests.calibrate.photographs import Camera, Paint, box_of, painted_canvas, photograph

Pixels = npt.NDArray[np.uint8]
WIDER_MM = 0.17
OFF_MM = (0.62, -0.41)
PLAIN = Camera(
    size_px=(1350, 1210), tilt_deg=18.0, azimuth_deg=40.0, roll_deg=176.0, fill=0.8, k1=-0.05, curve=0.2
)
"""From the side, upside down, through a lens that bends more than a phone's, stored by a curve that is not sRGB's."""


@functools.cache
def sheet_of(name: str, tip_mm: float) -> Sheet:
    """A sheet for the boathouse gantry."""
    return make_sheet(name, load_machine(shipped("machines/boathouse.toml")), tip_mm)


@functools.cache
def register_canvas() -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float64]]:
    """Two inks on a machine that is neither true to length nor square."""
    paint = Paint(
        shift_mm={"second": OFF_MM}, colour={"second": "ochre", "captions": "black"},
        scale=(1.002, 0.998), shear=0.003,
    )  # fmt: skip
    return painted_canvas(sheet_of("register", 1.0), paint, 7)


def register_picture(camera: Camera) -> Pixels:
    """The register sheet, seen by a camera."""
    canvas, origin = register_canvas()
    return photograph(canvas, origin, camera, box_of(sheet_of("register", 1.0)), 3)


@functools.cache
def plain_picture() -> Pixels:
    """The register sheet as a careful person takes it."""
    return register_picture(PLAIN)


@functools.cache
def small_picture() -> Pixels:
    """The same from farther off: 3.5 pixels a mm."""
    return register_picture(replace(PLAIN, size_px=(800, 720)))


@functools.cache
def tip_picture() -> Pixels:
    """The tip sheet of a pen of 0.6 mm that paints wider."""
    sheet = sheet_of("tip", 0.6)
    canvas, origin = painted_canvas(sheet, Paint(wider_mm={"pen": 0.06}, colour={"pen": "moss"}), 5)
    return photograph(canvas, origin, Camera(size_px=(1900, 660), tilt_deg=10.0, fill=0.82), box_of(sheet), 5)


def test_register_comes_back_from_a_photograph() -> None:
    """Six offsets within 0.2 mm, each within what it says of itself, whatever the machine's scale and squareness."""
    read = read_photo(plain_picture(), sheet_of("register", 1.0).record)
    assert read.refused == {}
    assert len(read.findings) == 12
    assert read.measured == ()
    assert read.tilt_deg == pytest.approx(18.0, abs=2.0)
    for one in read.findings:
        off = abs(one.value - OFF_MM["xy".index(one.key[-1])])
        assert off <= 0.2
        assert off <= one.half_width
        assert one.half_width <= 0.2


def test_a_fine_line_comes_back_from_a_photograph() -> None:
    """The width of a pen's line within 0.1 mm and its own interval, as a job's value with the method photo."""
    read = read_photo(tip_picture(), sheet_of("tip", 0.6).record)
    (one,) = read.findings
    assert abs(one.value - 0.66) <= min(0.1, one.half_width)
    (value,) = read.measured
    assert (value.field, value.method) == ("job.tip_mm", "photo")
    assert value.value == pytest.approx(one.value, abs=1e-4)


@functools.cache
def dots_picture() -> tuple[Sheet, Pixels]:
    """Dots of a pen of 1 mm, small in the picture."""
    sheet = sheet_of("dots", 1.0)
    canvas, origin = painted_canvas(sheet, Paint(wider_mm={"pen": WIDER_MM}, colour={"pen": "rust"}), 4)
    camera = Camera(size_px=(1900, 600), tilt_deg=8.0, azimuth_deg=90.0, fill=0.84, blur_px=0.6, k1=0.03)
    return sheet, photograph(canvas, origin, camera, box_of(sheet), 4)


def test_dots_come_back_from_a_photograph(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Diameters within 0.1 mm and their intervals; beside a reading that agrees, and one that does not.

    Through the command, which writes what it measured over the picture, asks nothing of a machine and saves nothing.
    """
    sheet, pixels = dots_picture()
    write_sheet(sheet, tmp_path)
    Image.fromarray(pixels).save(tmp_path / "phone.png")
    answers = tmp_path / "answers.toml"
    answers.write_text("row1 = 3.2\nrow2 = 7.5\n")
    call = ["photo", str(tmp_path / "phone.png"), "--sheet", str(tmp_path), "--answers", str(answers)]
    assert main([*call, "--found", str(tmp_path / "found.png"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    for row, size in zip(told["findings"], (3.0, 8.0), strict=True):
        assert abs(row["value"] - size - WIDER_MM) <= min(0.1, row["half_width"])
    assert [row["agrees"] for row in told["findings"]] == [True, False]
    (value,) = told["measured"]
    assert (value["field"], value["method"]) == ("job.tip_mm", "photo")
    with Image.open(tmp_path / "found.png") as picture:
        drawn = np.asarray(picture)
    assert drawn.shape == pixels.shape
    green = (drawn == (0x00, 0xE0, 0x5A)).all(axis=2)
    assert 500 < int(green.sum()) < 0.2 * green.size
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "answers.toml", "found.png", "job.toml", "phone.png", "sheet.html", "sheet.json", "sheet.svg",
    ]  # fmt: skip


def _cropped(pixels: Pixels) -> Pixels:
    cut = pixels.copy()
    cut[:, : cut.shape[1] // 4] = cut[2, 2]
    return cut


def _blurred(pixels: Pixels) -> Pixels:
    from scipy.ndimage import gaussian_filter

    return gaussian_filter(pixels, (1.2, 1.2, 0))


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_cropped, "four ringed dots"),
        (_blurred, "blurred by at most"),
        (lambda pixels: pixels, "pixels a mm or more"),
        (lambda pixels: np.full_like(pixels, 200), "four ringed dots"),
        (lambda pixels: np.minimum(pixels.astype(int) * 3, 255).astype(np.uint8), "four ringed dots"),
        (lambda pixels: pixels[:, ::-1], "round dots"),
    ],
)
def test_spoilt_pictures_are_refused(spoil: Callable[[Pixels], Pixels], words: str) -> None:
    """A mark that is missing, blur, few pixels, bare canvas, clipped light, a mirror: each refused in its own words."""
    with pytest.raises(PoorFit, match=words):
        read_photo(spoil(small_picture()), sheet_of("register", 1.0).record)


def test_a_steep_view_is_refused() -> None:
    """From 38 degrees to the side nothing is told."""
    steep = replace(PLAIN, tilt_deg=38.0, size_px=(800, 720), k1=0.0, focal=2.0)
    with pytest.raises(PoorFit, match="tilt of at most"):
        read_photo(register_picture(steep), sheet_of("register", 1.0).record)


def test_a_canvas_that_is_not_flat_is_refused() -> None:
    """Canvas that stands out by 5 mm in its middle puts dots off their places."""
    with pytest.raises(PoorFit, match="canvas not flat"):
        read_photo(
            register_picture(replace(PLAIN, bulge_mm=5.0, size_px=(800, 720))),
            sheet_of("register", 1.0).record,
        )


def test_sheets_without_marks_are_refused() -> None:
    """A sheet without marks, and one of a pen too broad for them, say so; arrays that are no picture are misuse."""
    for record in (sheet_of("square", 1.0).record, sheet_of("tip", 4.0).record):
        with pytest.raises(PoorFit, match="without any"):
            read_photo(small_picture(), record)
    with pytest.raises(ValueError, match="of uint8"):
        read_photo(np.zeros((4, 4), dtype=np.uint8), sheet_of("tip", 1.0).record)


def test_a_photograph_stands_beside_a_reading() -> None:
    """A ladder's pair less half a step is what was read; where nobody read there is nothing to agree with."""
    record = sheet_of("tip", 1.0).record
    one = Finding("width", "width of the line", 1.02, 0.03, 20, np.zeros((1, 2)))
    view = View(np.zeros(10), Frame((0.0, 0.0), 1.0, (0.0, 0.0), 1.0), np.zeros((10, 10)), 0.0, 4)
    read = PhotoReading((one,), {}, (), view, 0.1, 8.0, 3.0)
    (row,) = beside(record, read, {"width": [Reading(1.05)]})
    assert (row.read, row.agrees) == (pytest.approx(1.025), True)
    assert "they agree" in row.words()
    (row,) = beside(record, read, {"width": [Reading(1.4)]})
    assert row.agrees is False
    (row,) = beside(record, read, {})
    assert (row.read, row.agrees) == (None, None)
    off = replace(one, key="place2x", words="place 2: the second ink lies off to the right by", value=0.31)
    (row,) = beside(
        sheet_of("register", 1.0).record, replace(read, findings=(off,)), {"place2x": [Reading(0.3)]}
    )
    assert (row.read, row.agrees) == (0.3, True)


def test_discs_that_overlap() -> None:
    """The union of two discs by plane geometry: apart both areas, on each other one, at half a diameter counted out."""
    assert union_mm2(2.0, 3.0) == pytest.approx(2.0 * np.pi)
    assert union_mm2(2.0, 0.0) == pytest.approx(np.pi)
    x, y = np.meshgrid(np.arange(-2.0, 3.0, 0.002), np.arange(-2.0, 2.0, 0.002))
    counted = float(((np.hypot(x, y) < 1.0) | (np.hypot(x - 1.0, y) < 1.0)).sum()) * 0.002**2
    assert union_mm2(2.0, 1.0) == pytest.approx(counted, rel=1e-3)


def test_the_view_finds_perspective_and_lens() -> None:
    """A homography and two radial terms come back from places projected through them, written out here."""
    chance = np.random.default_rng(2)
    places = chance.uniform((0.0, 0.0), (300.0, 120.0), (24, 2))
    places[:4] = ((0.0, 0.0), (300.0, 0.0), (300.0, 120.0), (0.0, 120.0))
    size = (2000, 1500)

    def seen(at: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        depth = 1.0 + 4e-4 * at[:, 0] - 3e-4 * at[:, 1]
        flat = np.column_stack(
            [(6.0 * at[:, 0] + 0.4 * at[:, 1]) / depth, (5.5 * at[:, 1] - 0.2 * at[:, 0]) / depth]
        )
        u = (flat - (879.5, 349.5)) / 1250.0
        square = (u**2).sum(axis=1, keepdims=True)
        return u * (1.0 - 0.03 * square + 0.01 * square**2) * 1250.0 + (999.5, 749.5)

    view = fit_view(first_view(places[:4], seen(places[:4]), size), places, seen(places))
    check = chance.uniform((10.0, 10.0), (290.0, 110.0), (50, 2))
    assert float(np.abs(view.to_px(check) - seen(check)).max()) < 0.05
    assert view.residual_mm < 0.01


def test_files_that_are_no_photograph(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No file, another format, half a file, a huge or a tiny picture: one message each, before pixels are decoded."""
    path = tmp_path / "phone.jpg"
    with pytest.raises(InputError, match="file that can be read"):
        load_photo(path)
    path.write_text("LOW TIDE")
    with pytest.raises(InputError, match="JPEG or PNG picture, got none of these"):
        load_photo(path)
    Image.fromarray(small_picture()).save(path, "GIF")
    with pytest.raises(InputError, match="JPEG or PNG picture"):
        load_photo(path)
    Image.fromarray(small_picture()).save(path, "JPEG")
    path.write_bytes(path.read_bytes()[:9000])
    with pytest.raises(InputError, match="a broken one"):
        load_photo(path)
    Image.new("1", (9000, 8000)).save(path, "PNG")
    with pytest.raises(InputError, match="at most 64 million pixels, got 9000 x 8000"):
        load_photo(path)
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 1_000_000)
    Image.new("L", (1200, 1100)).save(path, "PNG")
    with pytest.raises(InputError, match="at most 1 million pixels"):
        load_photo(path)
    Image.new("L", (300, 800)).save(path, "PNG")
    with pytest.raises(InputError, match="400 pixels or more"):
        load_photo(path)


def test_a_phone_held_upright(tmp_path: Path) -> None:
    """EXIF orientation 6 (Exif 2.32, tag 0112h: the stored top row is the picture's right side) is honoured."""
    stored = np.zeros((500, 600, 3), dtype=np.uint8)
    stored[0] = 255
    exif = Image.Exif()
    exif[0x0112] = 6
    file = io.BytesIO()
    Image.fromarray(stored).save(file, "PNG", exif=exif)
    (tmp_path / "a.png").write_bytes(file.getvalue())
    turned = load_photo(tmp_path / "a.png")
    assert turned.shape == (600, 500, 3)
    assert int(turned[:, -1].min()) == 255
    assert int(turned[:, 0].max()) == 0
    assert len(drawn_over(turned, sheet_of("tip", 1.0).record, None)) > 100
