"""The small script of a report: a stroke that is pressed, or arrived at, tells its numbers. All else works without it.

Owns the script and the numbers that it reads. Nothing is fetched.
"""

from __future__ import annotations

import json

import numpy as np

from controller.report.frames import Frame
from controller.report.links import Links, stroke_identity

FIELDS = (
    "element",
    "start_s",
    "planned_s",
    "lateness_max_us",
    "following_error_max_mm",
    "contour_error_max_mm",
)
DIGITS = {
    "start_s": 2,
    "planned_s": 2,
    "lateness_max_us": 1,
    "following_error_max_mm": 4,
    "contour_error_max_mm": 4,
}

SCRIPT = """
(() => {
  const told = document.getElementById('told');
  const data = document.getElementById('strokes');
  if (!told || !data) return;
  let rows = null;
  const tell = (id) => {
    rows = rows || JSON.parse(data.textContent);
    const row = rows[id];
    if (!row) return;
    const [name, element, start, seconds, late, following, contour] = row;
    const parts = [`Stroke ${id.split('-')[2]} of ${name}, ${element}: from ${start} s, ${seconds} s`];
    if (late !== null) parts.push(`latest tick ${late} \\u00b5s`);
    if (following !== null) parts.push(`following error up to ${following} mm`);
    if (contour !== null) parts.push(`contour error up to ${contour} mm`);
    told.textContent = parts.join('; ') + '.';
  };
  document.querySelector('.today').addEventListener('pointerover', (event) => {
    const link = event.target.closest('a');
    if (link) tell(link.id);
  });
  const arrived = () => { if (location.hash.startsWith('#s-')) tell(location.hash.slice(1)); };
  addEventListener('hashchange', arrived);
  arrived();
})();
"""


def strokes_json(links: Links, strokes: Frame) -> str:
    """The numbers of every linked stroke by its identity, safe inside a script element. The last painting counts."""
    columns = strokes.columns
    kept: dict[str, list[object]] = {}
    ids = links.strokes["pass_id"].tolist()
    values = [
        columns[name].tolist() if name not in DIGITS else np.round(columns[name], DIGITS[name]).tolist()
        for name in ("pass", *FIELDS)
    ]
    for row, (pass_id, stroke) in enumerate(zip(ids, links.strokes["stroke"].tolist(), strict=True)):
        if (pass_id, stroke) in links.linked:
            found = [value[row] for value in values]
            # Not-a-number is no JSON.
            kept[stroke_identity(pass_id, stroke)] = [None if one != one else one for one in found]
    return json.dumps(kept, separators=(",", ":"), ensure_ascii=False).replace("<", "\\u003c")
