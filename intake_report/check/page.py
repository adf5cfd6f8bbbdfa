"""The check as a page for a terminal: verdict first, then why, then the evidence."""

from __future__ import annotations

import math
import sys
from collections import defaultdict
from collections.abc import Iterable, Sequence
from pathlib import PurePath
from typing import Any, Literal

from rich.console import Console, Group, RenderableType
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from intake_report import formatting
from intake_report.check.logs import known_behaviour
from intake_report.check.model import ChannelCheck, CriterionCheck, LogCheck, draw
from intake_report.errors import visible
from intake_report.formatting import duration_text, usual
from intake_report.report_table import Field, ReportTable, frame_of
from intake_report.units import UnitSystem, from_internal, unit_label

NARROWEST, WIDEST = 60, 120
_MOST_FAULTS = 8
_ALL_COLUMNS = 78  # narrower terminals go without the step and what was kept out
_STYLES = {
    "accept": "bold green",
    "accept with limitation": "bold yellow",
    "repeat the run": "bold red",
    "unreadable": "bold red",
}
_PLAIN = str.maketrans(
    "▁▂▃▄▅▆▇█▒·•…≥≤–−├╌▲─\N{NO-BREAK SPACE}“”°", "__..--=#+.*.><--|-^- \"\"d"
)  # fmt: skip


def show(check: LogCheck, *, alone: bool = True, first: bool = True) -> None:
    """Print the whole check; a page longer than the terminal says its verdict again at the end."""
    console = _console()
    parts: list[RenderableType] = [] if first else ["", Rule(style="dim"), ""]
    text = rendered([*parts, page(check, console.width)], console)
    if alone and console.is_terminal and text.count("\n") > Console().height - 2:
        text += rendered(["", *_verdict(check)], console)
    _write(text)


def show_summary(checks: Sequence[LogCheck]) -> None:
    """Print one line per log, for several logs."""
    table = _table(3, flexible=2)
    for check in checks:
        why = check.reasons[0] if check.reasons and check.verdict != "accept" else ""
        style = _STYLES[check.verdict].removeprefix("bold ")
        _add(table, (_name(check), check.verdict, why), style)
    _write(rendered(["", Rule(style="dim"), "", _text(f"{len(checks)} logs", "bold"), table], _console()))


def _console() -> Console:
    console = Console(highlight=False, markup=False, emoji=False, force_terminal=None if _blocks() else False)
    console.width = min(max(console.width, NARROWEST), WIDEST)
    return console


def rendered(parts: Iterable[RenderableType], console: Console) -> str:
    """Return what the console would print, without blanks at the ends of plain lines."""
    with console.capture() as capture:
        console.print(Group(*parts), crop=False)
    return "\n".join(line.rstrip() for line in capture.get().splitlines()) + "\n"


def _blocks() -> bool:
    return (sys.stdout.encoding or "ascii").lower().startswith("utf")


def _write(text: str) -> None:
    """Print; where the terminal knows no block characters, with plain ones in their place."""
    if not _blocks():
        text = text.translate(_PLAIN).encode("ascii", "replace").decode()
    print(text, end="")


def page(check: LogCheck, width: int) -> Group:
    """Return the whole check for a terminal of `width` columns; lines to paste are never broken."""
    assumed = [q["reason"] for q in check.quality if not q["fault"] and q["step"] == "time-zone-assumed"]
    sections = (
        _verdict(check), _facts(check, width), [_text(line) for line in draw(check, width)], _criteria(check, width),
        _channels(check, width), _faults(check), _crossed(check), _bullets((*check.notes, *assumed), "·"),
        _mapping(check),
    )  # fmt: skip
    parts: list[RenderableType] = []
    for section in sections:
        if section:
            parts += ["", *section] if parts else section
    return Group(*parts)


def _name(check: LogCheck) -> str:
    return check.run or PurePath(check.files[0]).name


def _table(columns: int, *, right: Iterable[int] = (), flexible: int = 0) -> Table:
    """Return an empty table without lines whose `flexible` column gives way where the width does not suffice."""
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    for i in range(columns):
        table.add_column(justify="right" if i in right else "left", no_wrap=i != flexible)
    return table


def _add(table: Table, cells: Iterable[str], style: str = "") -> None:
    table.add_row(*(_text(cell, style, no_wrap=True, overflow="ellipsis") for cell in cells))


def _text(
    text: str, style: str = "", *, no_wrap: bool = False, overflow: Literal["ellipsis", "ignore"] | None = None
) -> Text:
    """Return a text as it is printed: signs of a log or a file name that steer a terminal are written out."""
    return Text(visible(text), style, no_wrap=no_wrap, overflow=overflow)


def _bullets(texts: Iterable[str], mark: str = "•", style: str = "") -> list[RenderableType]:
    grid = Table.grid(padding=(0, 1, 0, 0))
    for text in dict.fromkeys(texts):
        grid.add_row(f"  {mark}", _text(text, style))
    return [grid] if grid.row_count else []


def _verdict(check: LogCheck) -> list[RenderableType]:
    what = [_name(check)]
    if check.found_by == "candidate":
        what.append(f"candidate for {check.campaign}")
    word = "cannot be judged" if check.verdict == "unreadable" and check.format else check.verdict
    head = _text(f"{word.upper()}   {', '.join(what)}", _STYLES[check.verdict], no_wrap=True, overflow="ellipsis")
    parts: list[RenderableType] = [head, *_bullets(check.reasons)]
    if check.verdict == "repeat the run" and check.limitations:
        parts += [_text("  Besides:", "dim"), *_bullets(check.limitations)]
    return parts


def _facts(check: LogCheck, width: int) -> list[RenderableType]:
    if not check.format:
        return []
    head = [", ".join(PurePath(file).name for file in check.files), check.format]
    head.append(f"{check.rows:,} row{'' if check.rows == 1 else 's'}")
    if check.start:
        date, _, clock = check.start.partition("T")
        offset = "UTC" if clock[8:] in ("+00:00", "Z") else clock[8:].replace("-", formatting.MINUS)
        head.append(f"{date} {clock[:5]} {offset}".strip())
    else:
        head.append("no date")
    if check.duration is not None:
        head.append(duration_text(check.duration))
    if len(check.files) > 1:
        head.append(f"{len(check.files)} parts")
    lines = [head]
    if check.configuration:
        lines.insert(0, [check.configuration, *([f"block {check.block}"] if check.block else [])])
    if drive := check.drive:
        far, entry = drive["distance"], drive["highway_entry"]
        road = [] if far is None else [f"{usual(far, 'distance', check.units)} on the route"]
        road.append(f"{usual(drive['coverage'], 'share', check.units)} of the route")
        road.append(f"{formatting.count(drive['stops'], 'stop')}, {duration_text(drive['stopped'])} stopped")
        road += [] if entry is None else [f"highway entry after {duration_text(entry)}"]
        if check.compared:
            road.append(f"beside {formatting.count(len(check.compared), 'other run')}")
        lines.append(road)
    return [_text(text) for line in lines for text in _joined(line, width)]


def _joined(items: Iterable[str], width: int) -> list[str]:
    """Join items with middle dots, breaking only between them."""
    lines: list[str] = []
    for item in items:
        if lines and len(lines[-1]) + 3 + len(item) <= width:
            lines[-1] += f" · {item}"
        else:
            lines.append(item)
    return lines


# ---- criteria ----------------------------------------------------------------------------------------------------


def limit_text(check: CriterionCheck, system: UnitSystem) -> str:
    """Return "≥ 95 %" or "≤ 1.1 K"."""
    if check.code == "rain":
        return "the same"
    if _nothing_wanted(check):
        return "none" if check.code != "one-pass" else "yes"
    sign = "≥" if check.sense == "at least" else "≤"
    return f"{sign}\N{NO-BREAK SPACE}{usual(check.limit, check.quantity, system)}"


def judged_text(check: CriterionCheck, system: UnitSystem) -> str:
    """Return the value that is judged; one beyond its limit never reads like the limit."""
    if check.code == "rain" and check.value is not None:
        return "the same" if check.value == 0 else "another"
    for more in (0, 1, 2):
        text = usual(check.value, check.quantity, system, more)
        if check.outcome != "fail" or text != usual(check.limit, check.quantity, system, more):
            break
    return text


def _nothing_wanted(check: CriterionCheck) -> bool:
    return check.quantity == "count" and check.limit == 0.0 and check.group != "alike"


def _own_text(check: CriterionCheck, system: UnitSystem) -> str:
    """Return the run's own value; where a difference is judged, another column shows that."""
    if check.group == "alike":
        return usual(check.own, check.own_quantity, system) if check.own is not None else ""
    if _nothing_wanted(check) and check.value == 0.0:
        return "yes" if check.code == "one-pass" else "none"
    return "no" if check.code == "one-pass" else judged_text(check, system)


def _criteria(check: LogCheck, width: int) -> list[RenderableType]:
    units = check.units
    judged = sorted(
        (c for c in check.criteria if c.outcome != "unknown"), key=lambda c: (c.outcome == "pass", not c.hard)
    )
    if not judged:
        return []
    differences = any(c.group == "alike" for c in judged)
    table = _table(5 if differences else 4, right=(1, 2, 3) if differences else (1, 2))
    head = ["criterion", "found", "off by", "limit", ""]
    rows = [("dim", head)]
    for c in judged:
        verdict = "met" if c.outcome == "pass" else ("REPEAT" if c.hard else "limitation")
        style = "" if c.outcome == "pass" else ("red" if c.hard else "yellow")
        title = c.title.replace(" the ", " ") if width < 90 else c.title
        off = judged_text(c, units) if c.group == "alike" else ""
        rows.append((style, [title, _own_text(c, units), off, limit_text(c, units), verdict]))
    for style, cells in rows:
        _add(table, cells if differences else cells[:2] + cells[3:], style)
    parts: list[RenderableType] = [table]
    if differences:
        parts.append(_text("“off by” is the difference from the median of the campaign's runs.", "dim"))
    unknown: dict[str, list[str]] = defaultdict(list)
    for c in check.criteria:
        if c.outcome == "unknown":
            unknown[c.reason.rstrip(".") or "not known"].append(c.title)
    if unknown:
        reasons = "; ".join(f"{', '.join(titles)} ({why})" for why, titles in unknown.items())
        parts.append(_text(f"Not judged: {reasons}.", "dim"))
    return parts


# ---- channels, faults, cross checks ------------------------------------------------------------------------------


def _in_log_unit(value: float, c: ChannelCheck, quantity: str) -> float:
    return float(from_internal(value, c.log_unit, quantity))


def _log_step(c: ChannelCheck) -> float | None:
    quantity = "temperature_difference" if c.quantity == "temperature" else c.quantity
    return None if c.step is None else _in_log_unit(c.step, c, quantity)


def _span(row: Any, _: UnitSystem) -> str:
    c: ChannelCheck = row
    if c.low is None or c.high is None:
        return formatting.ABSENT
    step = _log_step(c)
    decimals = 4 if c.channel in ("latitude", "longitude") else 2 if c.quantity == "number" else 0
    if step:  # as many as the steps need, and no more than make two digits of one
        exact = next((n for n in range(5) if math.isclose(step * 10**n, round(step * 10**n), rel_tol=1e-6)), 4)
        decimals = max(min(exact, 1 - math.floor(math.log10(step))), 0)
    low, high = (formatting.number(_in_log_unit(v, c, c.quantity), decimals) for v in (c.low, c.high))
    return f"{low} to {high}{formatting.NARROW_SPACE}{unit_label(c.log_unit)}".rstrip()


_CHANNEL_FIELDS = (
    Field("label", "channel"),
    Field(
        "interval",
        "every",
        cell=lambda row, _: (
            formatting.ABSENT if row.interval is None else f"{row.interval:.2g}{formatting.NARROW_SPACE}s"
        ),
    ),
    Field("", "range", cell=_span),
    Field("step", "step", cell=lambda row, _: formatting.ABSENT if (step := _log_step(row)) is None else f"{step:.3g}"),
    Field(
        "missing", "missing", cell=lambda row, system: usual(row.missing, "share", system) if row.missing else "none"
    ),
    Field("bad", "kept out", cell=lambda row, _: f"{row.bad:,}" if row.bad else "none"),
)


def _channels(check: LogCheck, width: int) -> list[RenderableType]:
    if not check.channels:
        return []
    fields = [f for f in _CHANNEL_FIELDS if width >= _ALL_COLUMNS or f.header not in ("step", "kept out")]
    declared = ReportTable("channels", "", tuple(fields), frame_of(check.channels))
    table = _table(len(fields), right=range(1, len(fields)))
    _add(table, [str(field.header) for field in fields], "dim")
    for cells in declared.cells(check.units):
        _add(table, cells)
    return [table]


def _faults(check: LogCheck) -> list[RenderableType]:
    by_step: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for q in sorted((q for q in check.quality if q["fault"]), key=lambda q: (-q["share"], -q["touched"])):
        by_step[q["step"]].append(q)
    if not by_step:
        return []
    lines = []
    for step, entries in list(by_step.items())[:_MOST_FAULTS]:
        touched = ", ".join(t for q in entries if (t := _touched(q)))
        worst = f" {entries[0]['channel']}:" if len(entries) > 1 and entries[0]["channel"] else ""
        lines.append(f"{step.replace('-', ' ')}{': ' if touched else ''}{touched};{worst} {entries[0]['reason']}")
    parts: list[RenderableType] = [_text("Kept out or noticed", "dim"), *_bullets(lines, "·")]
    if len(by_step) > _MOST_FAULTS:
        parts.append(_text(f"    and {len(by_step) - _MOST_FAULTS} kinds more; --json has them all", "dim"))
    return parts


def _touched(q: dict[str, Any]) -> str:
    share = f" ({usual(q['share'], 'share', 'si')})" if q["share"] >= 0.001 else ""
    count = f" {q['touched']:,}{share}" if q["touched"] else ""
    return f"{q['channel']}{count}".strip()


def _crossed(check: LogCheck) -> list[RenderableType]:
    made = sorted(
        (c for c in check.cross_checks if c["status"] != "not-possible"), key=lambda c: c["status"] != "flagged"
    )
    if not made:
        return []
    parts: list[RenderableType] = [_text("Cross checks", "dim")]
    for c in made:
        text = f"{c['name'].replace('-', ' ')} {c['status']}: {c['evidence']}"
        flagged = c["status"] == "flagged"
        if flagged and known_behaviour(c):
            flagged = False
            text += "; such a sensor reads high at rest, and those readings are not used"
        parts += _bullets([text], "!" if flagged else "·", "yellow" if flagged else "")
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
_PHASES = "Phases that the runs suggest. Look at them on a map, then paste into campaign.toml:"


def _mapping(check: LogCheck) -> list[RenderableType]:
    needless = check.mapping_from == "campaign" and not any(c["certain"] and not c["mapped"] for c in check.columns)
    parts = _paste(_LEADS[check.mapping_from], check.mapping_text) if check.mapping_text and not needless else []
    parts += _paste(_SOAKED, check.soak_text) if check.soak_text else []
    return parts + (_paste(_PHASES, check.phases_text) if check.phases_text else [])


def _paste(lead: str, text: str) -> list[RenderableType]:
    return [_text(lead, "dim"), *(_text(line, no_wrap=True, overflow="ignore") for line in text.splitlines())]


def show_draft(text: str) -> None:
    """Print what the logs give of a campaign."""
    lead = (
        "The logs as a campaign: say which configuration was fitted in each run, look at the phases on a map, and put it in "
        "place of the runs in the file that `intake-report new NAME` writes."
    )
    _write(rendered(["", Rule(style="dim"), "", *_paste(lead, text)], _console()))
