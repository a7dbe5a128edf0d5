"""The live page's HTML, without a value in it that a browser would not get by the stream: words, order, and the button.

Owns what is there before any script runs: where none runs, the button works all the same. No style and no script stands
inside the page, so that the policy (CSP) can forbid both.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from importlib import resources
from typing import Final

from controller.report.pieces import STYLE

CAUTION: Final = (
    "This button is no emergency stop. It goes through this computer and its network, and may not reach the machine. "
    "In danger use the hardware stop."
)

_HEAD: Final = (
    '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
    '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
    '<link rel="icon" href="/icon.svg" type="image/svg+xml">\n<link rel="stylesheet" href="/page.css">\n'
)

_ICON: Final = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><rect width="32" height="32" rx="6" fill="#1f7a78"/>'
    '<path d="M4 21q4-5 8 0t8 0 8 0" fill="none" stroke="#faf6ed" stroke-width="3" stroke-linecap="round"/>'
    '<circle cx="21" cy="10" r="4" fill="#d9952b"/></svg>\n'
)


def files() -> dict[str, tuple[str, bytes]]:
    """Everything that is served beside the page itself: name to media type and contents."""

    def own(name: str) -> str:
        return resources.files("controller.page").joinpath("static", name).read_text(encoding="utf-8")

    return {
        "page.css": ("text/css; charset=utf-8", (STYLE + own("page.css")).encode()),
        "page.js": ("text/javascript; charset=utf-8", own("page.js").encode()),
        "picture.js": ("text/javascript; charset=utf-8", own("picture.js").encode()),
        "icon.svg": ("image/svg+xml", _ICON.encode()),
    }


def page(machine: str, press: str) -> str:
    """The page. ``press``: what a press of its button carries."""
    name = escape(machine)
    return f"""{_HEAD}<title>{name}, live</title>
<script src="/page.js" type="module"></script>
</head>
<body class="live" data-link="asking">
<header><h1>{name}</h1><p class="quiet" id="age">not connected yet</p></header>
<main>
<div id="side">
<section id="stopping" aria-label="Stop">
<form id="stop" method="post" action="/stop">
<input type="hidden" name="press" value="{escape(press)}">
<button type="submit">Stop the machine</button>
</form>
<p id="caution">{CAUTION}</p>
<div id="answer" role="alert" hidden></div>
</section>
<section id="more" aria-label="Figures">
<dl id="facts"></dl>
</section>
</div>
<div id="middle">
<section id="unknown" role="alert" hidden>
<strong>State unknown</strong>
<span id="unknown-why"></span>
</section>
<section id="standing" aria-labelledby="state">
<h2 id="state" aria-live="polite">looking</h2>
<p id="doing">for the machine</p>
<progress id="share" max="1" value="0" aria-label="Done of this run" hidden></progress>
<ul id="alerts" class="notes" aria-live="polite" hidden></ul>
</section>
<figure id="wall">
<div id="canvas"><canvas id="picture" role="img" aria-label="The picture: strokes planned and painted"></canvas>
<div id="head" hidden></div></div>
<figcaption id="caption">No picture yet.</figcaption>
</figure>
<section id="history" aria-labelledby="events-title">
<h2 id="events-title">Last events</h2>
<ol id="events"><li class="quiet">none yet</li></ol>
</section>
</div>
<noscript><p class="notes">Without scripts this page shows nothing live. The button works.</p></noscript>
</main>
</body>
</html>
"""


def plain(title: str, lines: Iterable[str], *, form: bool = False, onward: str = "") -> str:
    """A page of words: what a press came to, a refusal. ``form``: asks for the token; ``onward``: goes on there."""
    words = "".join(f"<p>{escape(line)}</p>\n" for line in lines)
    refresh = f'<meta http-equiv="refresh" content="0; url={escape(onward)}">\n' if onward else ""
    ask = (
        '<form method="get" action="/enter" class="enter"><label for="token">Token</label>\n'
        '<input id="token" name="token" type="password" autocomplete="off" required>\n'
        '<button type="submit">Open</button></form>\n'
    )
    back = "" if form else '<p><a href="/">The live page</a></p>\n'
    return (
        f'{_HEAD}{refresh}<title>{escape(title)}</title>\n</head>\n<body class="plain">\n<main>\n'
        f"<h1>{escape(title)}</h1>\n{words}{ask if form else back}</main>\n</body>\n</html>\n"
    )
