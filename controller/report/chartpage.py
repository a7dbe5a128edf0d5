"""A chart as part of a page: inline SVG that stretches with the page, words as HTML that do not. No script.

Owns the way from a ``Chart`` to HTML and its style. The curves are drawn in a box of fixed numbers that the browser
stretches to the field's size, with line widths kept; so type stays as large on a phone as on a desk.
"""

from __future__ import annotations

from html import escape

import numpy as np

from controller.report.chart import Bars, Chart, Column, Marks, Panel, Range, Scale, Vector

WIDE, HIGH = 10_000, 1_000
"""The box in which curves are drawn."""

STYLE = """
.chart { margin: 1.2rem 0 1.6rem; }
.chart h3 { margin: 0 0 0.1rem; }
.legend { display: flex; flex-wrap: wrap; gap: 0.1rem 1.1rem; font-size: 0.88rem; color: var(--quiet); margin: 0; }
.key { display: inline-block; width: 0.75em; height: 0.75em; margin-right: 0.4em; vertical-align: -0.02em; }
.key.round { border-radius: 50%; }
.panels { position: relative; }
.panel { margin: 0.5rem 0 0 3.4rem; }
.panel p { font-size: 0.85rem; color: var(--quiet); margin: 0 0 0.15rem -3.4rem; }
.field { position: relative; height: 10rem; background: var(--card); border: 1px solid var(--line); }
.field svg { position: absolute; inset: 0; width: 100%; height: 100%; overflow: hidden; }
.field path { vector-effect: non-scaling-stroke; }
.field .grid { stroke: var(--line); stroke-width: 1; fill: none; }
.field .rule { stroke-width: 1.5; stroke-dasharray: 6 4; fill: none; }
.yt, .xt, .rl, .span { position: absolute; font-size: 0.8rem; line-height: 1; color: var(--quiet);
  white-space: nowrap; }
.yt { right: 100%; margin-right: 0.35rem; transform: translateY(50%); }
.axis { position: relative; padding-top: 1.4rem; margin-left: 3.4rem; }
.xt { top: 0.35rem; transform: translateX(-50%); }
.axis .of { display: block; text-align: center; font-size: 0.85rem; line-height: 1.3; color: var(--quiet); }
.rl { right: 0.3rem; transform: translateY(-0.2rem); background: var(--card); padding: 0 0.2rem; color: var(--ink); }
.rl.up { right: auto; transform: translateX(0.25rem); } .rl.back { transform: translateX(calc(-100% - 0.25rem)); }
.span { top: 0.3rem; transform: translateX(-50%); background: var(--shade); padding: 0 0.2rem; }
.peak { position: absolute; transform: translate(-50%, 50%); width: 1.5rem; height: 1.5rem; border-radius: 50%;
  display: grid; place-items: center; font-size: 0.8rem; font-weight: 600; line-height: 1; text-decoration: none;
  background: var(--card); color: var(--link); border: 2px solid var(--link); }
.peak:target { background: var(--link); color: var(--card); }
svg.columns { position: absolute; left: 3.4rem; top: 0; width: calc(100% - 3.4rem); height: 100%; }
.columns rect { fill: var(--link); fill-opacity: 0; }
.columns a:hover rect { fill-opacity: 0.15; }
.columns a:target rect { fill-opacity: 0.3; stroke: var(--link); stroke-width: 2; vector-effect: non-scaling-stroke; }
@media (max-width: 36rem) { .minor { display: none; } .panel, .axis { margin-left: 2.9rem; }
  .panel p { margin-left: -2.9rem; } svg.columns { left: 2.9rem; width: calc(100% - 2.9rem); } }
@media print { .chart { break-inside: avoid; } .field, .field *, .key { print-color-adjust: exact;
  -webkit-print-color-adjust: exact; } }
"""


def chart_html(chart: Chart) -> str:
    """The chart as a figure with its heading, legend, panels, axis and caption."""
    legend = "".join(
        f'<li><span class="key {shape}" style="background:var(--{colour})"></span>{escape(words)}</li>'
        for words, colour, shape in chart.legend
    )
    panels = "".join(_panel(chart, panel) for panel in chart.panels)
    return (
        f'<figure class="chart" id="chart-{escape(chart.name)}"><h3>{escape(chart.title)}</h3>'
        f'<p class="hidden">{escape(chart.alternative)}</p>'
        + (f'<ul class="legend" style="list-style:none;padding:0">{legend}</ul>' if legend else "")
        + f'<div class="panels">{_columns(chart)}{panels}</div>{_axis(chart.x)}'
        + (f"<figcaption>{chart.caption}</figcaption>" if chart.caption else "")
        + "</figure>"
    )


def _panel(chart: Chart, panel: Panel) -> str:
    x, y = chart.x, panel.y
    drawn = [f'<path class="grid" d="{_grid(x, y)}"/>']
    for span in chart.spans:
        left, right = _across(x, np.array([span.low, span.high])).tolist()
        drawn.insert(0, f'<path fill="var(--shade)" d="M{left} 0H{right}V{HIGH}H{left}z"/>')
    drawn += [_series(x, y, one) for one in panel.series]
    words: list[str] = []
    for place, rule in enumerate(panel.rules):
        if rule.upright:
            at = int(_across(x, np.array([rule.at]))[0])
            drawn.append(f'<path class="rule" stroke="var(--{rule.colour})" d="M{at} 0V{HIGH}"/>')
            # Towards the middle, and one under another where there are several.
            back = " back" if at > 0.5 * WIDE else ""
            words.append(
                f'<span class="rl up{back}" style="left:{at / WIDE:.2%};top:{0.3 + 1.2 * place:.1f}rem">'
                f"{escape(rule.label)}</span>"
            )
        else:
            at = int(_down(y, np.array([rule.at]))[0])
            drawn.append(f'<path class="rule" stroke="var(--{rule.colour})" d="M0 {at}H{WIDE}"/>')
            words.append(f'<span class="rl" style="bottom:{1 - at / HIGH:.2%}">{escape(rule.label)}</span>')
    ticks = "".join(
        f'<span class="yt{_minor(place, len(y.marks), 6)}" style="bottom:{float(y.place(value)):.2%}">'
        f"{escape(text)}</span>"
        for place, (value, text) in enumerate(y.marks)
    )
    names = "".join(
        f'<span class="span minor" style="left:{0.5 * float(x.place(span.low) + x.place(span.high)):.2%}">'
        f"{escape(span.words)}</span>"
        for span in chart.spans
        if panel is chart.panels[0] and float(x.place(span.high) - x.place(span.low)) > 0.09
    )
    peaks = "".join(
        f'<a class="peak" href="#{escape(peak.target)}" style="left:{float(x.place(peak.x)):.2%};'
        f'bottom:{float(y.place(peak.y)):.2%}" aria-label="{escape(peak.words)}" title="{escape(peak.words)}">'
        f"{peak.number}</a>"
        for peak in panel.peaks
    )
    return (
        f'<div class="panel"><p>{escape(panel.title or y.label)}</p><div class="field">'
        f'<svg viewBox="0 0 {WIDE} {HIGH}" preserveAspectRatio="none" aria-hidden="true">{"".join(drawn)}</svg>'
        f'<div aria-hidden="true">{ticks}{names}{"".join(words)}</div>{peaks}</div></div>'
    )


def _minor(place: int, of: int, few: int) -> str:
    """Every other mark gives way on a narrow screen where there are more than ``few``."""
    return " minor" if of > few and place % 2 else ""


def _across(scale: Scale, values: Vector) -> Vector:
    return np.rint(WIDE * scale.place(values)).astype(np.int64)


def _down(scale: Scale, values: Vector) -> Vector:
    return np.rint(HIGH * (1.0 - scale.place(values))).astype(np.int64)


def _grid(x: Scale, y: Scale) -> str:
    up = "".join(f"M{at} 0V{HIGH}" for at in _across(x, np.array([value for value, _ in x.marks])).tolist())
    level = "".join(f"M0 {at}H{WIDE}" for at in _down(y, np.array([value for value, _ in y.marks])).tolist())
    return up + level


def _series(x: Scale, y: Scale, one: Range | Marks | Bars) -> str:
    paint = f"var(--{one.colour})"
    if isinstance(one, Range):
        return f'<path fill="{paint}" stroke="{paint}" stroke-width="1" d="{_range(x, y, one)}"/>'
    if isinstance(one, Bars):
        left, right = _across(x, one.edges[:-1]).tolist(), _across(x, one.edges[1:]).tolist()
        top = _down(y, one.heights).tolist()
        boxes = "".join(
            f"M{a} {HIGH}V{h}H{b}V{HIGH}z" for a, b, h in zip(left, right, top, strict=True) if h < HIGH
        )
        return f'<path fill="{paint}" stroke="var(--card)" stroke-width="0.5" d="{boxes}"/>'
    points = list(zip(_across(x, one.x).tolist(), _down(y, one.y).tolist(), strict=True))
    line = "M" + "L".join(f"{a} {b}" for a, b in points) if one.joined and points else ""
    drawn = f'<path fill="none" stroke="{paint}" stroke-width="1.3" d="{line}"/>' if line else ""
    # A line without length and with caps: a mark that is not stretched with the box.
    if one.shape == "cross":
        arms = "".join(
            f"M{a - 60} {b - 60}L{a + 60} {b + 60}M{a - 60} {b + 60}L{a + 60} {b - 60}" for a, b in points
        )
        return drawn + f'<path fill="none" stroke="{paint}" stroke-width="2" d="{arms}"/>'
    dots = "".join(f"M{a} {b}h0" for a, b in points)
    cap = "round" if one.shape == "round" else "square"
    width = 7 if one.shape == "round" else 6
    return drawn + (
        f'<path fill="none" stroke="{paint}" stroke-width="{width}" stroke-linecap="{cap}" d="{dots}"/>'
    )


def _range(x: Scale, y: Scale, one: Range) -> str:
    """Steps along the upper ends and back along the lower ones; a new figure wherever there is a gap."""
    if not len(one.left):
        return ""
    left, right = _across(x, one.left), _across(x, one.right)
    top, bottom = _down(y, one.high), _down(y, one.low)
    breaks = np.flatnonzero(left[1:] > right[:-1] + 1) + 1
    parts: list[str] = []
    for piece in np.split(np.arange(len(left)), breaks):
        there = "".join(f"V{top[k]}H{right[k]}" for k in piece)
        back = "".join(f"V{bottom[k]}H{left[k]}" for k in piece[::-1])
        parts.append(f"M{left[piece[0]]} {bottom[piece[0]]}{there}{back}z")
    return "".join(parts)


def _axis(scale: Scale) -> str:
    marks = "".join(
        f'<span class="xt{_minor(place, len(scale.marks), 5)}" style="left:{float(scale.place(value)):.2%}">'
        f"{escape(text)}</span>"
        for place, (value, text) in enumerate(scale.marks)
    )
    return f'<div class="axis" aria-hidden="true">{marks}<span class="of">{escape(scale.label)}</span></div>'


def _columns(chart: Chart) -> str:
    """What can be linked to along the x axis, over all panels. For the pointer: the tables hold the same links."""
    if not chart.columns:
        return ""
    cells = "".join(_column(chart.x, one) for one in chart.columns)
    return (
        f'<svg class="columns" viewBox="0 0 {WIDE} {HIGH}" preserveAspectRatio="none" aria-hidden="true">'
        f"{cells}</svg>"
    )


def _column(x: Scale, one: Column) -> str:
    left, right = _across(x, np.array([one.low, one.high])).tolist()
    rect = f'<rect x="{left}" width="{max(right - left, 1)}" height="{HIGH}"><title>{escape(one.words)}</title></rect>'
    link = f' href="#{escape(one.target)}"' if one.target else ""
    return f'<a id="{escape(one.identity)}" tabindex="-1"{link}>{rect}</a>'
