"""The timeline of a run drawn with block characters."""

from __future__ import annotations

from collections.abc import Sequence

from intake_report import formatting
from intake_report.check.model import LogCheck, Timeline
from intake_report.formatting import usual

BLOCKS = "▁▂▃▄▅▆▇█"
ROWS = 2
LABEL, LEGEND = 7, 9
_TICKS = (5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400)


def condense(values: Sequence[float | None], columns: int) -> list[float | None]:
    """Return the mean of the known values that fall into each of `columns` equal parts, None where there is none."""
    count = len(values)
    out: list[float | None] = []
    for i in range(columns):
        first = i * count // columns
        part = [v for v in values[first : max((i + 1) * count // columns, first + 1)] if v is not None]
        out.append(sum(part) / len(part) if part else None)
    return out


def bars(values: Sequence[float | None], low: float, high: float, rows: int = ROWS) -> list[str]:
    """Return `rows` lines, the topmost first, of one bar per value; a blank column where there is none."""
    steps = rows * len(BLOCKS)
    span = high - low
    levels = []
    for value in values:
        share = 0.0 if value is None or span <= 0.0 else min(max((value - low) / span, 0.0), 1.0)
        levels.append(0 if value is None else 1 + round(share * (steps - 1)))
    lines = []
    for row in reversed(range(rows)):
        base = row * len(BLOCKS)
        lines.append("".join(" " if n <= base else BLOCKS[min(n - base, len(BLOCKS)) - 1] for n in levels))
    return lines


def draw(check: LogCheck, width: int) -> list[str]:
    """Return the timeline, `width` columns wide; empty where there is none."""
    line = check.timeline
    columns = width - LABEL - LEGEND
    if line is None or columns < 10:
        return []
    out = _row("speed", line.speed, columns, check, from_zero=True)
    out += _row("IAT", line.iat, columns, check, from_zero=False)
    out.append(_gaps(line, columns))
    if check.drive is not None and check.drive.phases:
        out.append(_phases(check, columns))
    out.append(" " * LABEL + _axis(line.width * len(line.speed), columns))
    return [text.rstrip() for text in out]


def _row(label: str, values: Sequence[float | None], columns: int, check: LogCheck, *, from_zero: bool) -> list[str]:
    shown = condense(values, columns)
    known = [v for v in shown if v is not None]
    if not known:
        return [f"{label:<{LABEL}}no valid sample"]
    low, high = (0.0 if from_zero else min(known)), max(known)
    if not from_zero and high - low < 2.0:
        low, high = low - 1.0, high + 1.0
    quantity = "speed" if from_zero else "temperature"
    lines = bars(shown, low, high)
    ends = [f" {formatting.with_unit(v, quantity, check.units, 0)}" for v in (high, low)]
    names = [label, *[""] * (len(lines) - 1)]
    legends = [ends[0], *[""] * (len(lines) - 2), ends[1]]
    return [f"{name:<{LABEL}}{text}{legend}" for name, text, legend in zip(names, lines, legends, strict=True)]


def _gaps(line: Timeline, columns: int) -> str:
    shown = condense(line.missing, columns)
    marks = "".join("·" if not v else ("▒" if v < 0.75 else "█") for v in shown)
    share = sum(line.missing) / len(line.missing)
    return f"{'gaps':<{LABEL}}{marks} {usual(share, 'share', 'si') if share else 'none'}"


def _phases(check: LogCheck, columns: int) -> str:
    assert check.timeline is not None and check.drive is not None
    whole = check.timeline.width * len(check.timeline.speed)
    cells = [" "] * columns
    for span in check.drive.phases:
        first, last = (min(max(int(t / whole * columns), 0), columns) for t in (span.start, span.end))
        if last - first < 1:
            continue
        room = last - first - 1
        text = f"{span.phase} " if room >= len(span.phase) else ""
        cells[first:last] = list("├" + text[:room].ljust(room, "╌"))
    entry = check.drive.highway_entry
    if entry is not None:
        cells[min(max(int(entry / whole * columns), 0), columns - 1)] = "▲"
    return f"{'phase':<{LABEL}}{''.join(cells)}{' ▲ entry' if entry is not None else ''}"


def _axis(seconds: float, columns: int) -> str:
    step = next((t for t in _TICKS if seconds / t <= max(columns // 9, 2)), _TICKS[-1])
    unit, per = ("s", 1) if step < 60 else ("min", 60) if step < 3600 else ("h", 3600)
    cells = [" "] * (columns + LEGEND)
    at = 0.0
    while at <= seconds:
        text = f"{at / per:g}" + (f" {unit}" if at + step > seconds else "")
        first = min(round(at / seconds * (columns - 1)), columns + LEGEND - len(text))
        cells[first : first + len(text)] = list(text)
        at += step
    return "".join(cells[: columns + LEGEND])
