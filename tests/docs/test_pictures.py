"""What the documentation shows of the code is as the code is: the picture of its rooms, one dot's way."""

from __future__ import annotations

import itertools
import math
import re
import struct
import xml.etree.ElementTree as ET

import pytest

from tests.docs import architecture, onedot
from tests.test_architecture import ALLOWED, PACKAGES, imports_of


def test_the_picture_of_the_rooms_is_not_stale() -> None:
    """The committed picture is the one that the imports give (steps, not single imports)."""
    assert architecture.PICTURE.read_text(encoding="utf-8") == architecture.drawn(architecture.code())


def test_the_picture_shows_every_room_and_import() -> None:
    """As many boxes as rooms, as many numbers as pairs of rooms of which one imports the other."""
    root = ET.fromstring(architecture.drawn(architecture.code()))
    space = "{http://www.w3.org/2000/svg}"
    boxes = [one for one in root.iter(f"{space}rect") if "room" in one.get("class", "")]
    numbers = [one for one in root.iter(f"{space}text") if one.get("class") == "count"]
    assert len(boxes) == len(architecture.ROOMS) == len(ALLOWED)
    assert len(numbers) == len(architecture.edges(architecture.code())) > 50


def test_imports_change_the_picture() -> None:
    """One more import between rooms shows; a way through is marked; the step is the largest that is reached."""
    files = {"controller.motion.plan": "import numpy", "controller.config.job": "x = 1"}
    bare = architecture.drawn(files)
    files["controller.motion.plan"] = "from controller.config.job import Job, Ink"
    assert architecture.edges(files) == {("controller.motion", "controller.config"): 2}
    assert architecture.drawn(files) != bare
    files["controller.config.machine"] = "from drivers.twin.parameters import TwinParameters"
    assert architecture.through(files) == {("controller.config", "drivers.twin")}
    assert [architecture.step(count) for count in (1, 2, 3, 29, 30, 999)] == [1, 1, 3, 10, 30, 300]


def test_import_statements_are_found_without_reading_all() -> None:
    """On two rooms, and on what is easily missed, the quick look finds what the whole syntax tree has."""
    files = {
        module: source
        for module, source in architecture.code().items()
        if module.startswith(("drivers.can.", "controller.stream."))
    }
    files["drivers.can.made"] = (
        '"""Words from drivers.clock, no import."""\nfrom drivers.cia402 import (\n    Word,  # (why)\n)\n'
        "import drivers.errors, os\nfrom . import frames\n\n\ndef f() -> None:\n    from drivers.words import axis\n"
    )
    assert len(files) > 20
    for module, source in files.items():
        whole = {name for _, name in imports_of(source, module) if name.partition(".")[0] in PACKAGES}
        assert architecture.imported(module, source) == whole, module


def _shown() -> onedot.Blocks:
    return onedot.blocks_of(onedot.PAGE.read_text(encoding="utf-8"))


def test_the_dot_is_that_of_the_drawing() -> None:
    """Shape and stroke on the page are what reading and building give, and lie where the transforms of SVG 2
    (chapter 8) put them, reckoned by hand."""
    shown = _shown()
    for name, text in onedot.shape_and_stroke().items():
        assert shown[name] == text
    turn = math.radians(38.0)
    x = 40.0 + (608.0 + 12.0 * math.cos(turn) - 20.0) * 420.0 / 840.0
    y = 40.0 + (144.0 + 12.0 * math.sin(turn) - 42.0) * 236.0 / 472.0
    assert f"{x:.4f}, {y:.4f}" in shown["shape"]
    assert re.search(r"length +9\.42\d\d ", shown["stroke"])  # 2 pi 1.5 mm = 9.4248, by chords


def test_the_numbers_of_the_page_agree_with_each_other() -> None:
    """Ticks are differences of places; a quantum is 1/1350000 mm (60 mm and 324000 counts a turn, a count a second
    for 4 ms); the frames are those of CiA 301 and 402 for the velocities sent; plan and trim make what was sent."""
    shown = _shown()
    rows = [line.split() for line in shown["ticks"].splitlines()[1:]]
    for row, after in itertools.pairwise(rows):
        for place, units in ((1, 5), (2, 6)):
            assert int(after[place]) - int(row[place]) == int(row[units])
    for row in rows:
        assert float(row[3]) == pytest.approx(int(row[1]) / 1_350_000, abs=1e-4)
        assert float(row[4]) == pytest.approx(-int(row[2]) / 1_350_000, abs=1e-4)
    log = dict(re.findall(r"^(\w+) +(.+)$", shown["log"], re.MULTILINE))
    sent = [int(one) for one in log["velocity_units"].split(",")]
    trim = [int(one) for one in re.match(r"(-?\d+), (-?\d+)", log["trim_units"]).groups()]  # type: ignore[union-attr]
    assert [a - b for a, b in zip(sent, trim, strict=True)] == [int(one) for one in rows[0][5:7]]
    for node, units in zip((1, 2), sent, strict=True):
        frame = struct.pack("<Hi", 0x000F, units).hex().upper()
        assert re.search(rf"> {0x200 + node:03X} {frame} ", shown["wire"])
    assert "> 080 " in shown["wire"]


def test_blocks_are_put_where_they_belong() -> None:
    """Writing the page changes its blocks and nothing else; a block that nobody makes is an error."""
    page = "a\n\n<!-- dot: svg -->\n\n```text\nold\n```\n\nb\n"
    assert onedot.filled(page, {"svg": "new\n"}) == page.replace("old", "new")
    assert onedot.blocks_of(page) == {"svg": "old\n"}
    with pytest.raises(KeyError):
        onedot.filled(page, {})


@pytest.mark.campaign
def test_the_page_of_the_dot_is_not_stale() -> None:
    """Prepared and painted anew in virtual time, the dot gives the page as it is."""
    assert _shown() == onedot.all_blocks()
