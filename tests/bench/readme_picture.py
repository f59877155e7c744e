"""Makes the picture of `watch` for the README from a real run of the demonstration.

Run by hand: python tests/bench/readme_picture.py OUT.svg [--size 100x30] [--days 30] [--page 1]. The picture
is one file that loads nothing: no font from elsewhere, no window around it.
"""

import argparse
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from html import escape
from itertools import groupby
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

from daemon.folders import Folders  # noqa: E402
from daemon.screens.lettering import columns  # noqa: E402
from daemon.screens.looker import Looker  # noqa: E402
from daemon.screens.spans import Line  # noqa: E402
from daemon.screens.view import RICH  # noqa: E402
from daemon.screens.watch_state import WatchState  # noqa: E402

LIMIT_S = 300.0
INK, PAPER = "#d8dcd5", "#161b1d"
INKS = {"good": "#7eba68", "warn": "#deae4d", "bad": "#e85d4e", "charge": "#74b0b2", "dim": "#8a8e8b"}
WIDE, HIGH, MARGIN, SIZE = 9.6, 20.0, 14.0, 16.0  # of a cell, round the page, of the letters; in pixels
# Signs drawn as areas, so that they join: left, top, width, height in shares of a cell, and how dense.
AREAS: dict[str, tuple[float, float, float, float, float]] = {
    **{sign: (0.0, 1.0 - n / 8.0, 1.0, n / 8.0, 1.0) for n, sign in enumerate("▁▂▃▄▅▆▇█", start=1)},
    "▀": (0.0, 0.0, 1.0, 0.5, 1.0),
    "▒": (0.0, 0.0, 1.0, 1.0, 0.6),
    "░": (0.0, 0.0, 1.0, 1.0, 0.3),
    "━": (0.0, 0.45, 1.0, 0.12, 1.0),
    "╌": (0.1, 0.48, 0.3, 0.06, 1.0),
    "│": (0.45, 0.0, 0.1, 1.0, 1.0),
    "┃": (0.38, 0.0, 0.24, 1.0, 1.0),
}
FORM = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" role="img"
 aria-label="a page of halfmark watch, from a run of its demonstration">
<rect width="100%" height="100%" fill="{paper}"/>
<g font-family="'DejaVu Sans Mono', Menlo, Consolas, monospace" font-size="{size:.0f}">
{body}
</g>
</svg>
"""


def export(lines: list[Line], wide: int) -> str:
    """Set lines as one SVG: letters as text, blocks as areas."""
    body = [piece for row, line in enumerate(lines) for piece in _row(line, MARGIN + row * HIGH)]
    width, height = wide * WIDE + 2.0 * MARGIN, len(lines) * HIGH + 2.0 * MARGIN
    return FORM.format(width=width, height=height, paper=PAPER, size=SIZE, body="\n".join(body))


def _row(line: Line, top: float) -> Iterator[str]:
    column = 0
    for span in line:
        ink = INKS.get(span.tone, INK)
        for sign, run in groupby(span.text, key=lambda c: c if c in AREAS else " " if c == " " else "a"):
            text = "".join(run)
            left = MARGIN + column * WIDE
            column += columns(text)
            if sign in AREAS:
                yield from _areas(sign, len(text), left, top, ink)
            elif sign == "a":
                weight = ' font-weight="bold"' if span.tone in ("head", "bad") else ""
                base, length = top + 0.75 * HIGH, columns(text) * WIDE
                yield (
                    f'<text x="{left:.1f}" y="{base:.1f}" textLength="{length:.1f}" fill="{ink}"{weight}>'
                    f"{escape(text)}</text>"
                )


def _areas(sign: str, count: int, left: float, top: float, ink: str) -> Iterator[str]:
    x, y, wide, high, dense = AREAS[sign]
    runs = [(0, count)] if wide == 1.0 else [(n, 1) for n in range(count)]
    for start, cells in runs:
        at = f'x="{left + (start + x) * WIDE:.1f}" y="{top + y * HIGH:.1f}"'
        size = f'width="{(cells - 1 + wide) * WIDE:.1f}" height="{high * HIGH:.1f}"'
        yield f'<rect {at} {size} fill="{ink}" fill-opacity="{dense}" shape-rendering="crispEdges"/>'


def draw(folders: Folders, wide: int, rows: int, page: int) -> list[Line]:
    """Look at a running service until the last day is read, and draw the page."""
    looker = Looker(folders, store=None, every_s=1.0, news=lambda: None)
    looker.want_days()
    looker.start()
    until_s = time.monotonic() + LIMIT_S
    while not (looker.view.day.complete and looker.view.days_complete and looker.view.look is not None):
        if time.monotonic() > until_s:
            raise SystemExit("the demonstration did not come up")
        time.sleep(0.2)
    time.sleep(12.0)  # the slower instrument has answered too
    looker.stop()
    return WatchState(page=page).draw(looker.view, wide, rows, RICH)


def main() -> None:
    """Run the demonstration, and write the picture."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--size", default="100x30")
    parser.add_argument("--days", default="30")
    parser.add_argument("--page", type=int, default=1)
    options = parser.parse_args()
    wide, rows = (int(part) for part in options.size.split("x"))
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "demo"
        command = [sys.executable, "-m", "daemon.main", "demo", "--days", options.days, "--state", str(folder)]
        demo = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        try:
            lines = draw(Folders.find(state=folder / "record", env={}), wide, rows, options.page - 1)
        finally:
            demo.send_signal(signal.SIGINT)
            demo.wait()
    options.out.parent.mkdir(parents=True, exist_ok=True)
    options.out.write_text(export(lines, wide), encoding="utf-8")


if __name__ == "__main__":
    main()
