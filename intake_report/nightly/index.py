"""index.html of a night: every campaign at a glance, in the style of the report; works without script and network."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

import intake_report.render
from intake_report.formatting import NARROW_SPACE, interval, listing, with_unit
from intake_report.nightly.model import STATES, Status, Trend

MARKS = {"failed": "✕", "stopped": "◌", "published": "●", "unchanged": "○", "gone": "–"}
WIDTH, HEIGHT, EDGE = 140.0, 44.0, 5.0  # px of the picture of a trend
_TEMPLATES = Path(__file__).parent / "templates"


def index_page(status: Status) -> str:
    """Return the page of a night."""
    made = Environment(loader=FileSystemLoader(_TEMPLATES), autoescape=True, undefined=StrictUndefined)
    script = (_TEMPLATES / "sort.js").read_text("utf-8")
    order = list(STATES)
    entries = sorted(status.campaigns, key=lambda entry: (order.index(entry.state), not entry.stale, entry.id))
    text: str = made.get_template("night.html.j2").render(
        status=status,
        entries=entries,
        counts=listing([f"{number}{NARROW_SPACE}{state}" for state, number in status.counts.items()]) or "No campaign",
        marks=MARKS,
        trend=trend_picture,
        style=Markup((Path(intake_report.render.__file__).parent / "templates" / "blocks.css").read_text("utf-8")),
        script=Markup(script),
        script_hash="sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
    )
    return text


def trend_picture(trend: Trend) -> Markup:
    """Return a deciding difference over the reports: intervals as lines, values as dots, zero dotted; the last in words."""
    points = [p for p in trend.points if p.value is not None]
    if not points:
        return Markup("")
    form = (trend.quantity, trend.units, trend.decimals)
    last = points[-1]
    words = f"{trend.title}: {with_unit(last.value, *form, signed=True)}"
    limits = "" if last.low is None or last.high is None else f" ({interval(last.low, last.high, *form)})"
    if len(points) < 2:
        return Markup("{}").format(words + limits)
    ends = [x for p in points for x in (p.value, p.low, p.high, 0.0) if x is not None]
    low, high = min(ends), max(ends)

    def y(value: float) -> str:
        return f"{HEIGHT - EDGE - (value - low) / ((high - low) or 1.0) * (HEIGHT - 2 * EDGE):.1f}"

    marks = [f'<path d="M0 {y(0.0)}H{WIDTH:g}" stroke="currentColor" stroke-dasharray="1 3"/>']
    for number, point in enumerate(points):
        x = f"{EDGE + number * (WIDTH - 2 * EDGE) / (len(points) - 1):.1f}"
        if point.low is not None and point.high is not None:
            marks.append(f'<path d="M{x} {y(point.low)}V{y(point.high)}" stroke="currentColor"/>')
        marks.append(f'<circle cx="{x}" cy="{y(point.value or 0.0)}" r="2.5" fill="currentColor"/>')
    told = f"{trend.title} over {len(points)} reports: " + "; ".join(
        f"{p.date} {with_unit(p.value, *form, signed=True)}" for p in points
    )
    picture = '<svg role="img" aria-label="{}" width="{}" height="{}" viewBox="0 0 {} {}">'
    size = (f"{WIDTH:g}", f"{HEIGHT:g}")
    return Markup(picture).format(told, *size, *size) + Markup("".join(marks) + "</svg>") + words + limits
