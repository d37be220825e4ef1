"""What every picture is made of. No script, no link, nothing fetched; every text is escaped.

Class names stand under the picture's own, so that a page which embeds it keeps its looks, and the reverse.
"""

from base64 import b64encode
from hashlib import sha256
from html import escape
from textwrap import wrap

MEDIA_TYPE = "image/svg+xml"
WIDTH, EDGE = 720, 24
WALL = 6
SERIF, SANS = "Georgia,serif", "system-ui,sans-serif"
# Two sets of inks, by what the reader prefers; away and closer also differ by direction and sign.
STYLE = (
    ".effort-picture{--paper:#fffdf8;--ink:#1e2430;--quiet:#59606d;--line:#d9d3c4;--band:#e4ded0;"
    "--away:#17636b;--closer:#a3431f}"
    "@media(prefers-color-scheme:dark){.effort-picture{--paper:#1c2027;--ink:#ece8de;--quiet:#a9adb5;"
    "--line:#3a404a;--band:#303640;--away:#7cc9cf;--closer:#f0a37f}}"
    f".effort-picture text{{font:13px {SANS};fill:var(--ink)}}"
    f".effort-picture .head{{font:600 20px {SERIF}}}"
    ".effort-picture .name{font-weight:600;font-size:14px}"
    ".effort-picture .quiet{fill:var(--quiet);font-size:12px}"
    ".effort-picture .end{text-anchor:end}.effort-picture .middle{text-anchor:middle}"
    ".effort-picture .paper{fill:var(--paper)}.effort-picture .done{fill:var(--ink);stroke:var(--paper)}"
    ".effort-picture .count{fill:var(--paper)}.effort-picture .band{fill:var(--band)}"
    ".effort-picture .ink{fill:var(--ink);stroke:none}"
    ".effort-picture .left,.effort-picture .open{fill:none;stroke:var(--ink);stroke-width:1.5}"
    ".effort-picture .left{stroke-dasharray:4 3}"
    ".effort-picture .grid{stroke:var(--line)}.effort-picture .rule{stroke:var(--ink);stroke-width:2}"
    ".effort-picture .stem{stroke:var(--ink);stroke-width:1.5;stroke-dasharray:3 3}"
    ".effort-picture .away{fill:var(--away);stroke:var(--away)}"
    ".effort-picture .closer{fill:var(--closer);stroke:var(--closer)}"
)
# Opened by itself, a picture may use its own style and nothing else.
CONTENT_SECURITY_POLICY = (
    f"default-src 'none'; style-src 'sha256-{b64encode(sha256(STYLE.encode()).digest()).decode()}'; "
    "frame-ancestors 'none'"
)


def number(value: float) -> str:
    """Return a number as people write it: no trailing zeros, a true minus sign. Sixteenths stay exact."""
    return f"{value:.4f}".rstrip("0").rstrip(".").replace("-", "\N{MINUS SIGN}")


def signed(value: float) -> str:
    """Return a number with its sign."""
    return f"+{number(value)}" if value > 0 else number(value)


def words(name: str) -> str:
    """Return a name of the contract in words."""
    return name.replace("_", " ").capitalize()


def text(x: float, y: float, told: str, kind: str = "") -> str:
    """Return one line of text."""
    return f'<text x="{x:g}" y="{y:g}"{_kind(kind)}>{escape(told)}</text>'


def lines(
    x: float, y: float, told: str, columns: int, step: float, kind: str = ""
) -> tuple[list[str], float]:
    """Return the text in lines of at most `columns` characters, and where the next line would begin."""
    rows = wrap(told, columns)
    return [text(x, y + step * place, row, kind) for place, row in enumerate(rows)], y + step * len(rows)


def rect(x: float, y: float, width: float, height: float, kind: str) -> str:
    """Return a rectangle."""
    return f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}"{_kind(kind)}/>'


def line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    """Return a straight line."""
    return f'<line x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}"{_kind(kind)}/>'


def circle(x: float, y: float, radius: float, kind: str) -> str:
    """Return a circle."""
    return f'<circle cx="{x:g}" cy="{y:g}" r="{radius:g}"{_kind(kind)}/>'


def polygon(points: list[tuple[float, float]], kind: str) -> str:
    """Return a closed shape."""
    told = " ".join(f"{x:g},{y:g}" for x, y in points)
    return f'<polygon points="{told}"{_kind(kind)}/>'


def _kind(kind: str) -> str:
    return f' class="{kind}"' if kind else ""


def picture(height: float, title: str, description: str, parts: list[str]) -> str:
    """Return the whole picture, WIDTH wide: `title` names it and `description` tells it to who cannot see it."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="effort-picture" role="img" width="{WIDTH}" '
        f'height="{height:g}" viewBox="0 0 {WIDTH} {height:g}"><title>{escape(title)}</title>'
        f"<desc>{escape(description)}</desc><style>{STYLE}</style>"
        f"{rect(0, 0, WIDTH, height, 'paper')}{''.join(parts)}</svg>\n"
    )
