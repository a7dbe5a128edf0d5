"""What the live page weighs with a large picture: ``python -m tests.page.weight``. Figures for docs/live-page.md.

15 000 strokes and 12 000 dots; packed, sent, decoded and drawn in Chromium; then what a second of the stream is, and
what service and page use of a core while a browser looks on. Judges nothing.
"""

from __future__ import annotations

import contextlib
import shutil
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np

from controller.config.places import StateDir, shipped
from controller.page.picture import picture_of
from controller.session.journal import Journal
from controller.strokes.strokeset import StrokeKind
from tests.fakes.browser import browser, shows, visit

from .conftest import Scene, Served, Told, paged
from .test_picture import folder_of, strokes_of

DOTS, WAVES = 12_000, 15_000
LOOK_S = 20.0

DRAW = """async () => {
    const { Picture } = await import("/picture.js");
    const answer = performance.getEntriesByType("resource").find((one) => one.name.includes("/picture/"));
    const key = answer.name.split("/").at(-1);
    const wall = new Picture(document.getElementById("canvas"), document.createElement("canvas"),
        document.createElement("div"), document.createElement("p"));
    const took = {};
    const all = [[[0, 12000]], [[0, 15000]]];
    for (const [name, painted] of [["planned", [[], []]], ["painted", all]]) {
        const begun = performance.now();
        await wall.show(key, painted);
        wall.canvas.getContext("2d").getImageData(0, 0, 1, 1);
        took[name] = performance.now() - begun;
    }
    await wall.show(key, [[], []]);
    const begun = performance.now();
    for (let i = 0; i < 100; i++) wall.paint({ pass: 1, done: [[i, 1]] });
    took.hundred = performance.now() - begun;
    return { ...took, bytes: answer.encodedBodySize, raw: answer.decodedBodySize };
}"""


def main() -> None:
    """Make it, measure, print."""
    folder = Path(tempfile.mkdtemp(prefix="w-", dir="/tmp"))
    try:
        _measure(folder)
    finally:
        shutil.rmtree(folder)


def _measure(folder: Path) -> None:
    rng = np.random.default_rng(20261126)
    turn = np.linspace(0.0, 2.0 * np.pi, 60)
    ring = np.column_stack([np.cos(turn), np.sin(turn)]) * 5.0
    along = np.linspace(0.0, 1.0, 40)
    wave = np.column_stack([120.0 * along, 8.0 * np.sin(6.0 * along)])
    dots = strokes_of(*(ring + at for at in rng.uniform(0, [4000, 2500], (DOTS, 2))), kind=StrokeKind.DOT)
    waves = strokes_of(*(wave + at for at in rng.uniform(0, [3800, 2480], (WAVES, 2))))
    state = StateDir.open(folder / "s", "boathouse")
    place = state.root / "prepared" / "tide"
    place.mkdir(parents=True)
    prepared = folder_of(place, dots, waves, tip_mm=3.0)
    begun_s = time.monotonic()
    picture = picture_of(prepared)
    print(f"{WAVES} strokes, {DOTS} dots, {len(dots.points_mm) + len(waves.points_mm)} vertices")
    print(
        f"packed in {time.monotonic() - begun_s:.2f} s: {picture.points} points, {len(picture.packed) / 1e3:.0f} kB"
    )
    machine = folder / "boathouse.toml"
    machine.write_text(shipped("machines/boathouse.toml").read_text())
    scene = Scene(state, machine, prepared)
    scene.begin("teal-2")
    served = Served(state.control_socket, Told(strokes=WAVES, strokes_finished=0))
    with paged(scene) as url, browser() as chromium, visit(chromium, width=1280) as look:
        look.page.goto(url)
        shows(look.page, "document.getElementById('picture').dataset.done === '0'")
        took = look.page.evaluate(DRAW)
        print(
            f"in Chromium at 1280 px: {took['bytes'] / 1e3:.0f} kB over the wire; fetched, decoded and drawn as "
            f"planned in {took['planned']:.0f} ms, as painted in {took['painted']:.0f} ms; "
            f"100 further strokes {took['hundred']:.1f} ms"
        )
        _rates(scene, served, url)
    served.close()


def _rates(scene: Scene, served: Served, url: str) -> None:
    """Strokes are finished at a stroke a second, progress told ten times a second."""
    import http.client
    from urllib.parse import urlsplit

    parts = urlsplit(url)
    assert parts.hostname is not None
    talk = http.client.HTTPConnection(parts.hostname, parts.port, timeout=30)
    talk.request("GET", "/events")
    answer = talk.getresponse()
    sizes: list[int] = []
    cpu_s, begun_s, asked = time.process_time(), time.monotonic(), len(served.told.asked)
    journal = Journal.open(scene.state.journal, "boathouse")
    with contextlib.closing(journal):
        for tick in range(int(LOOK_S * 10)):
            served.tell(
                {"event": "advanced", "ticks": tick, "ticks_total": 100_000, "strokes": tick // 10, "run_strokes": 1,
                 "head_down": True}
            )  # fmt: skip
            if tick % 10 == 0:
                journal.finish_strokes(scene.row, scene.run, [(tick // 10, 1)])
            sizes.append(len(answer.read1(1 << 20)) if tick % 3 == 0 else 0)
            time.sleep(max(0.0, begun_s + (tick + 1) / 10 - time.monotonic()))
    spent_s = time.monotonic() - begun_s
    answer.close()
    talk.close()
    busy = (time.process_time() - cpu_s) / spent_s
    print(
        f"over {spent_s:.0f} s, two browsers: {sum(sizes) / spent_s / 1e3:.1f} kB/s each (median piece "
        f"{statistics.median(one for one in sizes if one)} bytes); the service was asked "
        f"{(len(served.told.asked) - asked) / spent_s:.2f} times a second; page, service and this script used "
        f"{100 * busy:.0f} % of a core together"
    )


if __name__ == "__main__":
    main()
