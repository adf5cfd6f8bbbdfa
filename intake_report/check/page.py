"""The check as a page for a terminal: verdict first, then why, then the evidence."""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import PurePath
from typing import Any

import numpy as np
from rich.console import Console, Group, RenderableType
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from intake_report import formatting
from intake_report.check.logs import ENTERED, ChannelCheck, CriterionCheck, LogCheck, known_behaviour
from intake_report.errors import visible
from intake_report.formatting import duration_text, usual
from intake_report.messages import Beyond, said
from intake_report.units import UnitSystem, from_internal, unit_label

NARROWEST, WIDEST = 60, 120
_MOST_FAULTS = 8
_ALL_COLUMNS = 78  # narrower terminals go without the step and what was kept out
BLOCKS = "▁▂▃▄▅▆▇█"
_ROWS, _LABEL, _LEGEND = 2, 7, 9  # lines per bar, columns for what stands left and right of it
_TICKS = (5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400)  # s between marks of the axis
_COLOURS = {
    "accept": "green", "accept with limitation": "yellow", "repeat the run": "red", "correct the entry": "red", "unreadable": "red",
}  # fmt: skip
_RULE: tuple[RenderableType, ...] = ("", Rule(style="dim"), "")


def show(check: LogCheck, *, first: bool = True) -> None:
    """Print the whole check."""
    _print(*(() if first else _RULE), page(check, _console().width))


def show_summary(checks: Sequence[LogCheck]) -> None:
    """Print one line per log, for several logs."""
    why = (c.reasons[0] if c.reasons and c.verdict != "accept" else "" for c in checks)
    rows = [(_COLOURS[c.verdict], [_name(c), c.verdict, text]) for c, text in zip(checks, why, strict=True)]
    _print(*_RULE, _text(f"{len(checks)} logs", "bold"), _table(rows, flexible=2))


def show_draft(text: str) -> None:
    """Print what the logs give of a campaign."""
    _print(*_RULE, *_paste(_DRAFT, text))


def _console() -> Console:
    console = Console(highlight=False, markup=False, emoji=False)
    console.width = min(max(console.width, NARROWEST), WIDEST)
    return console


def _print(*parts: RenderableType) -> None:
    print(rendered(parts, _console()), end="")


def rendered(parts: Iterable[RenderableType], console: Console) -> str:
    """Return what the console would print, without blanks at the ends of plain lines."""
    with console.capture() as capture:
        console.print(Group(*parts), crop=False)
    return "\n".join(line.rstrip() for line in capture.get().splitlines()) + "\n"


def page(check: LogCheck, width: int) -> Group:
    """Return the whole check for a terminal of `width` columns; lines to paste are never broken."""
    assumed = [q["reason"] for q in check.quality if not q["fault"] and q["step"] == "time-zone-assumed"]
    needless = check.mapping_from == "campaign" and not any(c["certain"] and not c["mapped"] for c in check.columns)
    mapping = "" if needless else check.mapping_text
    leads = ((_LEADS[check.mapping_from], mapping), (_SOAKED, check.soak_text), (_PHASES, check.phases_text))
    sections = (
        _verdict(check), _facts(check, width), [_text(line) for line in draw(check, width)], _criteria(check, width),
        _channels(check, width), _faults(check), _crossed(check), _bullets((*check.notes, *assumed), "·"),
        [part for lead, text in leads if text for part in _paste(lead, text)],
    )  # fmt: skip
    parts: list[RenderableType] = []
    for section in sections:
        if section:
            parts += ["", *section] if parts else section
    return Group(*parts)


def _name(check: LogCheck) -> str:
    return check.run or PurePath(check.files[0]).name


def _table(rows: Sequence[tuple[str, Sequence[str]]], *, right: Iterable[int] = (), flexible: int = 0) -> Table:
    """Return rows of a style and cells, without lines; the `flexible` column gives way where the width does not suffice."""
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    for i in range(len(rows[0][1])):
        table.add_column(justify="right" if i in right else "left", no_wrap=i != flexible)
    for style, cells in rows:
        table.add_row(*(_text(cell, style, no_wrap=True, overflow="ellipsis") for cell in cells))
    return table


def _text(text: str, style: str = "", **options: Any) -> Text:
    """Return a text as it is printed: signs of a log or a file name that steer a terminal are written out."""
    return Text(visible(text), style, **options)


def _bullets(texts: Iterable[str], mark: str = "•", style: str = "") -> list[RenderableType]:
    grid = Table.grid(padding=(0, 1, 0, 0))
    for text in dict.fromkeys(texts):
        grid.add_row(f"  {mark}", _text(text, style))
    return [grid] if grid.row_count else []


def _verdict(check: LogCheck) -> list[RenderableType]:
    what = _name(check) + (f", candidate for {check.campaign}" if check.found_by == "candidate" else "")
    word = "cannot be judged" if check.verdict == "unreadable" and check.format else check.verdict
    head = _text(f"{word.upper()}   {what}", f"bold {_COLOURS[check.verdict]}", no_wrap=True, overflow="ellipsis")
    parts: list[RenderableType] = [head, *_bullets(check.reasons)]
    if check.verdict == "repeat the run" and check.limitations:
        parts += [_text("  Besides:", "dim"), *_bullets(check.limitations)]
    return parts


def _facts(check: LogCheck, width: int) -> list[RenderableType]:
    if not check.format:
        return []
    fitted = [check.configuration, check.block and f"block {check.block}"] if check.configuration else []
    rows = f"{check.rows:,} row{'' if check.rows == 1 else 's'}"
    head = [", ".join(PurePath(file).name for file in check.files), check.format, rows, "no date"]
    if check.start:
        date, _, clock = check.start.partition("T")
        offset = "UTC" if clock[8:] in ("+00:00", "Z") else clock[8:].replace("-", formatting.MINUS)
        head[-1] = f"{date} {clock[:5]} {offset}".strip()
    if check.duration is not None:
        head.append(duration_text(check.duration))
    if len(check.files) > 1:
        head.append(f"{len(check.files)} parts")
    road = []
    if drive := check.drive:
        far, entry = drive["distance"], drive["highway_entry"]
        road = [
            "" if far is None else f"{usual(far, 'distance', check.units)} on the route",
            f"{usual(drive['coverage'], 'share', check.units)} of the route",
            f"{formatting.count(drive['stops'], 'stop')}, {duration_text(drive['stopped'])} stopped",
            "" if entry is None else f"highway entry after {duration_text(entry)}",
            f"beside {formatting.count(len(check.compared), 'other run')}" if check.compared else "",
        ]
    return [_text(text) for items in (fitted, head, road) for text in _joined(filter(None, items), width)]


def _joined(items: Iterable[str], width: int) -> list[str]:
    lines: list[str] = []
    for item in items:
        if lines and len(lines[-1]) + 3 + len(item) <= width:
            lines[-1] += f" · {item}"
        else:
            lines.append(item)
    return lines


def texts_of(check: CriterionCheck, system: UnitSystem) -> tuple[str, str, str]:
    """Return what was found, how far it is off the median of the runs ("" where that is not judged), and the limit."""
    sign, value = "≥" if check.sense == "at least" else "≤", check.value
    limit = f"{sign}{formatting.NARROW_SPACE}{usual(check.limit, check.quantity, system)}"
    judged = usual(value, check.quantity, system)
    if check.outcome == "fail" and value is not None:
        judged = said(Beyond(value, check.limit, check.quantity), system)
    if check.group == "alike":
        if check.code == "rain":
            limit, judged = "the same", judged if value is None else "another" if value else "the same"
        return usual(check.own, check.own_quantity, system) if check.own is not None else "", judged, limit
    if check.code == "one-pass":
        return "no" if value else "yes", "", "yes"
    if check.quantity == "count" and check.limit == 0.0:
        return judged if value else "none", "", "none"
    return judged, "", limit


def _criteria(check: LogCheck, width: int) -> list[RenderableType]:
    judged = [c for c in check.criteria if c.outcome != "unknown"]
    if not judged:
        return []
    differences = any(c.group == "alike" for c in judged)
    rows = [("dim", ["criterion", "found", "off by", "limit", ""])]
    for c in sorted(judged, key=lambda c: (c.outcome == "pass", not c.hard)):
        verdict, style = ("CORRECT" if c.code in ENTERED else "REPEAT", "red") if c.hard else ("limitation", "yellow")
        if c.outcome == "pass":
            verdict, style = "met", ""
        title = c.title.replace(" the ", " ") if width < 90 else c.title
        rows.append((style, [title, *texts_of(c, check.units), verdict]))
    if not differences:
        rows = [(style, [*cells[:2], *cells[3:]]) for style, cells in rows]
    parts: list[RenderableType] = [_table(rows, right=(1, 2, 3) if differences else (1, 2))]
    if differences:
        parts.append(_text("“off by” is the difference from the median of the campaign's runs.", "dim"))
    unknown: dict[str, list[str]] = defaultdict(list)
    for c in check.criteria:
        if c.outcome == "unknown":
            unknown[c.reason.rstrip(".") or "not known"].append(c.title)
    reasons = "; ".join(f"{', '.join(titles)} ({why})" for why, titles in unknown.items())
    return [*parts, _text(f"Not judged: {reasons}.", "dim")] if unknown else parts


def _channels(check: LogCheck, width: int) -> list[RenderableType]:
    rows = [("dim", ["channel", "every", "range", "step", "missing", "kept out"])]
    rows += [("", _channel(c, check.units)) for c in check.channels]
    if width < _ALL_COLUMNS:
        rows = [(style, [*cells[:3], cells[4]]) for style, cells in rows]
    return [_table(rows, right=range(1, 6))] if check.channels else []


def _channel(c: ChannelCheck, system: UnitSystem) -> list[str]:
    every = span = steps = formatting.ABSENT
    if c.interval is not None:
        every = f"{c.interval:.2g}{formatting.NARROW_SPACE}s"
    decimals = 4 if c.channel in ("latitude", "longitude") else 2 if c.quantity == "number" else 0
    if c.step:  # as many as the steps need, and no more than make two digits of one
        quantity = "temperature_difference" if c.quantity == "temperature" else c.quantity
        step = float(from_internal(c.step, c.log_unit, quantity))
        steps = f"{step:.3g}"
        exact = next((n for n in range(5) if math.isclose(step * 10**n, round(step * 10**n), rel_tol=1e-6)), 4)
        decimals = max(min(exact, 1 - math.floor(math.log10(step))), 0)
    if c.low is not None and c.high is not None:
        ends = (float(from_internal(value, c.log_unit, c.quantity)) for value in (c.low, c.high))
        span = " to ".join(formatting.number(end, decimals) for end in ends)
        span = f"{span}{formatting.NARROW_SPACE}{unit_label(c.log_unit)}".rstrip()
    missing = usual(c.missing, "share", system) if c.missing else "none"
    return [c.label, every, span, steps, missing, f"{c.bad:,}" if c.bad else "none"]


def _faults(check: LogCheck) -> list[RenderableType]:
    by_step: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for q in sorted((q for q in check.quality if q["fault"]), key=lambda q: (-q["share"], -q["touched"])):
        by_step[q["step"]].append(q)
    if not by_step:
        return []
    lines = []
    for step, entries in list(by_step.items())[:_MOST_FAULTS]:
        shares = (f" ({usual(q['share'], 'share', 'si')})" if q["share"] >= 0.001 else "" for q in entries)
        both = zip(entries, shares, strict=True)
        each = (f"{q['channel']} {q['touched']:,}{s}" if q["touched"] else q["channel"] for q, s in both)
        touched = ", ".join(filter(None, map(str.strip, each)))
        worst = f" {entries[0]['channel']}:" if len(entries) > 1 and entries[0]["channel"] else ""
        lines.append(f"{step.replace('-', ' ')}{': ' if touched else ''}{touched};{worst} {entries[0]['reason']}")
    parts: list[RenderableType] = [_text("Kept out or noticed", "dim"), *_bullets(lines, "·")]
    if len(by_step) > _MOST_FAULTS:
        parts.append(_text(f"    and {len(by_step) - _MOST_FAULTS} kinds more; --json has them all", "dim"))
    return parts


def _crossed(check: LogCheck) -> list[RenderableType]:
    made = [c for c in check.cross_checks if c["status"] != "not-possible"]
    parts: list[RenderableType] = [_text("Cross checks", "dim")] if made else []
    for c in sorted(made, key=lambda c: c["status"] != "flagged"):
        text = f"{c['name'].replace('-', ' ')} {c['status']}: {c['evidence']}"
        mark, style = ("!", "yellow") if c["status"] == "flagged" else ("·", "")
        if style and known_behaviour(c):
            mark, style = "·", ""
            text += "; such a sensor reads high at rest, and those readings are not used"
        parts += _bullets([text], mark, style)
    return parts


# What is said before a mapping to paste, by where the mapping of this look came from.
_LEADS = {
    "campaign": "Columns that the campaign does not map. To use them, add under [log.columns] of campaign.toml:",
    "proposal": "Which column is which channel was guessed from headers, units and values, for this look only. Check it, then "
    "paste into campaign.toml:",
    "": "The campaign's mapping does not fit this log. A proposal to check, for [log.columns] of campaign.toml, or for "
    "[run.log.columns] below this [[run]] where only its log differs:",
}
_SOAKED = (
    "The log begins with a cold engine at the temperature of the air, where all sensors must agree. If it stood a night out of "
    "the sun, paste into campaign.toml, and add the reading of a thermometer:"
)
_DRAFT = (
    "The logs as a campaign: say which configuration was fitted in each run, look at the phases on a map, and put it in "
    "place of the runs in the file that `intake-report new NAME` writes."
)
_PHASES = "Phases that the runs suggest. Look at them on a map, then paste into campaign.toml:"


def _paste(lead: str, text: str) -> list[RenderableType]:
    return [_text(lead, "dim"), *(_text(line, no_wrap=True, overflow="ignore") for line in text.splitlines())]


def condense(values: Sequence[float | None], columns: int) -> list[float | None]:
    """Return the mean of the known values that fall into each of `columns` equal parts, None where there is none."""
    series = np.array(values, dtype=np.float64)  # None becomes NaN
    parts = (series[a : max(b, a + 1)] for a, b in pairwise(np.arange(columns + 1) * len(series) // columns))
    return [float(np.nanmean(part)) if np.isfinite(part).any() else None for part in parts]


def bars(values: Sequence[float | None], low: float, high: float, rows: int = _ROWS) -> list[str]:
    """Return `rows` lines, the topmost first, of one bar per value; a blank column where there is none."""
    full, span = len(BLOCKS), high - low
    shares = [None if v is None else np.clip((v - low) / span, 0.0, 1.0) if span > 0.0 else 0.0 for v in values]
    levels = [0 if s is None else 1 + round(float(s) * (rows * full - 1)) for s in shares]
    bases = range((rows - 1) * full, -1, -full)
    return ["".join(" " if n <= base else BLOCKS[min(n - base, full) - 1] for n in levels) for base in bases]


def draw(check: LogCheck, width: int) -> list[str]:
    """Return the timeline, `width` columns wide; empty where there is none."""
    line, columns = check.timeline, width - _LABEL - _LEGEND
    if line is None or columns < 10:
        return []
    drawn = [row for label in ("speed", "IAT") for row in _bar_rows(label, line[label.lower()], columns, check.units)]
    marks = "".join("·" if not v else ("▒" if v < 0.75 else "█") for v in condense(line["missing"], columns))
    share, seconds = sum(line["missing"]) / len(line["missing"]), line["width"] * len(line["speed"])
    drawn.append(f"{'gaps':<{_LABEL}}{marks} {usual(share, 'share', 'si') if share else 'none'}")
    step = next((t for t in _TICKS if seconds / t <= max(columns // 9, 2)), _TICKS[-1])
    unit, per = ("s", 1) if step < 60 else ("min", 60) if step < 3600 else ("h", 3600)
    cells = [" "] * (columns + _LEGEND)
    for at in np.arange(0.0, seconds + 1e-9, step):
        text = f"{at / per:g}" + (f" {unit}" if at + step > seconds else "")
        first = min(round(at / seconds * (columns - 1)), columns + _LEGEND - len(text))
        cells[first : first + len(text)] = text
    return [text.rstrip() for text in (*drawn, " " * _LABEL + "".join(cells))]


def _bar_rows(label: str, values: Sequence[float | None], columns: int, units: UnitSystem) -> list[str]:
    shown = condense(values, columns)
    known = [v for v in shown if v is not None]
    if not known:
        return [f"{label:<{_LABEL}}no valid sample"]
    quantity = "speed" if label == "speed" else "temperature"
    low, high = (0.0 if quantity == "speed" else min(known)), max(known)
    if quantity == "temperature" and high - low < 2.0:
        low, high = low - 1.0, high + 1.0
    top, bottom = bars(shown, low, high)
    ends = [formatting.with_unit(v, quantity, units, 0) for v in (high, low)]
    return [f"{label:<{_LABEL}}{top} {ends[0]}", f"{'':<{_LABEL}}{bottom} {ends[1]}"]
