"""The check as a page for a terminal: verdict first, then why, then the evidence."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePath

from intake_report import formatting
from intake_report.check.drawing import draw
from intake_report.check.model import ChannelCheck, CriterionCheck, LogCheck, QualityLine
from intake_report.check.own import known_behaviour
from intake_report.check.wording import found_text, limit_text, off_text
from intake_report.formatting import duration_text, usual
from intake_report.units import UnitSystem

NARROWEST, WIDEST = 60, 120
_MOST_FAULTS = 8
_ALL_COLUMNS = 78  # narrower terminals go without the step and what was kept out
_STYLES = {
    "accept": "bold green", "accept with limitation": "bold yellow", "repeat the run": "bold red",
    "unreadable": "bold red",
}  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One line with a style as rich names it; "" for plain text."""

    text: str
    style: str = ""


def page(check: LogCheck, width: int, height: float = math.inf) -> list[Line]:
    """Return the whole check.

    Parameters
    ----------
    check : LogCheck
        What to show.
    width : int
        Columns of the terminal; lines of the page stay within it, those to paste are never broken.
    height : float
        Its rows; a page that is longer says its verdict again at the end.
    """
    width = min(max(width, NARROWEST), WIDEST)
    parts = (
        _verdict(check, width),
        _facts(check, width),
        [Line(text) for text in draw(check, width)],
        _criteria(check, width),
        _channels(check, width),
        _faults(check, width),
        _crossed(check, width),
        _notes(check, width),
        _mapping(check, width),
    )
    out: list[Line] = []
    for part in parts:
        if part:
            out += [Line("")] if out else []
            out += part
    if len(out) > height:
        out += [Line(""), *_verdict(check, width)]  # the top has scrolled away
    return out


def summary(checks: Sequence[LogCheck], width: int) -> list[Line]:
    """Return one line per log, for several logs."""
    width = min(max(width, NARROWEST), WIDEST)
    names = [_name(check) for check in checks]
    longest = min(max(len(name) for name in names), width // 3)
    out = [Line(f"{len(checks)} logs", "bold")]
    for name, check in zip(names, checks, strict=True):
        head = f"{_cut(name, longest):<{longest}}  {check.verdict:<22}  "
        why = check.reasons[0] if check.reasons and check.verdict != "accept" else ""
        out.append(Line(_cut(head + why, width).rstrip(), _STYLES[check.verdict].removeprefix("bold ")))
    return out


def _name(check: LogCheck) -> str:
    return check.run or PurePath(check.files[0]).name


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"


def _verdict(check: LogCheck, width: int) -> list[Line]:
    what = [_name(check)]
    if check.found_by == "candidate":
        what.append(f"candidate for {check.campaign}")
    word = "cannot be judged" if check.verdict == "unreadable" and check.format else check.verdict
    out = [Line(_cut(f"{word.upper()}   {', '.join(what)}", width), _STYLES[check.verdict])]
    for reason in check.reasons:
        out += _bullet(reason, width)
    if check.verdict == "repeat the run" and check.limitations:
        out.append(Line("  Besides:", "dim"))
        for limitation in check.limitations:
            out += _bullet(limitation, width)
    return out


def _bullet(text: str, width: int, mark: str = "•") -> list[Line]:
    return [Line(line) for line in textwrap.wrap(text, width, initial_indent=f"  {mark} ", subsequent_indent="    ")]


def _facts(check: LogCheck, width: int) -> list[Line]:
    if not check.format:
        return []
    rows = f"{check.rows:,} row{'' if check.rows == 1 else 's'}"
    head = [", ".join(PurePath(file).name for file in check.files), check.format, rows]
    if check.start:
        date, _, clock = check.start.partition("T")
        head.append(f"{date} {clock[:5]} {_offset(clock[8:])}".strip())
    else:
        head.append("no date")
    if check.duration is not None:
        head.append(duration_text(check.duration))
    if len(check.files) > 1:
        head.append(f"{len(check.files)} parts")
    lines = [_joined(head, width)]
    if check.configuration:
        lines.insert(0, _joined([check.configuration, *([f"block {check.block}"] if check.block else [])], width))
    if check.drive is not None:
        drive = check.drive
        road = [f"{usual(drive.coverage, 'share', check.units)} of the route"]
        if drive.distance is not None:
            road.insert(0, f"{usual(drive.distance, 'distance', check.units)} on the route")
        road.append(f"{formatting.count(drive.stops, 'stop')}, {duration_text(drive.stopped)} stopped")
        if drive.highway_entry is not None:
            road.append(f"highway entry after {duration_text(drive.highway_entry)}")
        if check.compared:
            road.append(f"beside {formatting.count(len(check.compared), 'other run')}")
        lines.append(_joined(road, width))
    return [Line(text) for line in lines for text in line]


def _offset(text: str) -> str:
    return "UTC" if text in ("+00:00", "Z") else text.replace("-", formatting.MINUS)


def _joined(items: Iterable[str], width: int) -> list[str]:
    """Join items with middle dots, breaking only between them."""
    lines: list[str] = []
    for item in items:
        if lines and len(lines[-1]) + 3 + len(item) <= width:
            lines[-1] += f" · {item}"
        else:
            lines.append(item)
    return lines


def _table(head: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[bool], width: int) -> Iterator[str]:
    """Yield a table; the first column gives way where the width does not suffice."""
    widths = [max(len(row[i]) for row in (head, *rows)) for i in range(len(head))]
    over = sum(widths) + 2 * (len(widths) - 1) - width
    if over > 0:
        widths[0] = max(widths[0] - over, 8)
    for row in (head, *rows):
        cells = [_cut(row[0], widths[0]), *row[1:]]
        text = "  ".join(f"{c:>{w}}" if r else f"{c:<{w}}" for c, w, r in zip(cells, widths, right, strict=True))
        yield text.rstrip()


def _criteria(check: LogCheck, width: int) -> list[Line]:
    known = sorted(
        (c for c in check.criteria if c.outcome != "unknown"), key=lambda c: (c.outcome == "pass", not c.hard)
    )
    if not known:
        return []
    rows = [_criterion(c, check.units, width < 90) for c in known]
    head: tuple[str, ...] = ("criterion", "found", "off by", "limit", "")
    right: tuple[bool, ...] = (False, True, True, True, False)
    if not any(c.group == "alike" for c in known):
        head, right = (*head[:2], *head[3:]), (*right[:2], *right[3:])
        rows = [(*row[:2], *row[3:]) for row in rows]
    lines = list(_table(head, rows, right, width))
    out = [Line(lines[0], "dim")]
    for criterion, text in zip(known, lines[1:], strict=True):
        style = "" if criterion.outcome == "pass" else ("red" if criterion.hard else "yellow")
        out.append(Line(text, style))
    if any(c.group == "alike" for c in known):
        said = "“off by” is the difference from the median of the campaign's runs."
        out += [Line(t, "dim") for t in textwrap.wrap(said, width)]
    reasons: dict[str, list[str]] = {}
    for c in check.criteria:
        if c.outcome == "unknown":
            reasons.setdefault(c.reason.rstrip(".") or "not known", []).append(c.title)
    if reasons:
        text = "Not judged: " + "; ".join(f"{', '.join(titles)} ({why})" for why, titles in reasons.items()) + "."
        out += [Line(t, "dim") for t in textwrap.wrap(text, width, subsequent_indent="  ")]
    return out


def _criterion(check: CriterionCheck, system: UnitSystem, short: bool) -> tuple[str, ...]:
    verdict = "met" if check.outcome == "pass" else ("REPEAT" if check.hard else "limitation")
    title = check.title.replace(" the ", " ") if short else check.title
    if check.code == "rain" and check.value is not None:
        return title, "", "the same" if check.value == 0 else "another", "the same", verdict
    return title, found_text(check, system), off_text(check, system), limit_text(check, system), verdict


def _channels(check: LogCheck, width: int) -> list[Line]:
    if not check.channels:
        return []
    rows = [_channel(c, check.units) for c in check.channels]
    head = ("channel", "every", "range", "step", "missing", "kept out")
    keep = (0, 1, 2, 3, 4, 5) if width >= _ALL_COLUMNS else (0, 1, 2, 4)
    rows = [tuple(row[i] for i in keep) for row in rows]
    lines = list(_table([head[i] for i in keep], rows, (False, *[True] * (len(keep) - 1)), width))
    return [Line(lines[0], "dim"), *(Line(text) for text in lines[1:])]


def _channel(c: ChannelCheck, system: UnitSystem) -> tuple[str, ...]:
    every = formatting.ABSENT if c.interval is None else f"{c.interval:.2g}\N{NO-BREAK SPACE}s"
    decimals = _decimals(c)
    low, high = (formatting.bare(v, c.quantity, system, decimals) for v in (c.low, c.high))
    span = formatting.ABSENT if c.low is None else f"{low} to {high}{_unit(c, system)}"
    step = formatting.ABSENT if c.step is None else f"{_step(c, system):.3g}"
    return (
        c.label,
        every,
        span,
        step,
        "none" if c.missing == 0.0 else usual(c.missing, "share", system),
        "none" if c.bad == 0 else f"{c.bad:,}",
    )


def _decimals(c: ChannelCheck) -> int:
    if c.channel in ("latitude", "longitude"):
        return 4
    return {"number": 2, "mass_flow": 1, "fuel_rate": 1, "voltage": 1}.get(c.quantity, 0)


def _unit(c: ChannelCheck, system: UnitSystem) -> str:
    unit = formatting.unit_of(c.quantity, system)
    return unit if unit == "°" else f"\N{NO-BREAK SPACE}{unit}" if unit else ""


def _step(c: ChannelCheck, system: UnitSystem) -> float:
    from intake_report.units import to_display

    quantity = "temperature_difference" if c.quantity == "temperature" else c.quantity
    return float(to_display(c.step or 0.0, quantity, system))


def _faults(check: LogCheck, width: int) -> list[Line]:
    by_step: dict[str, list[QualityLine]] = {}
    for q in sorted((q for q in check.quality if q.fault), key=lambda q: (-q.share, -q.touched)):
        by_step.setdefault(q.step, []).append(q)
    if not by_step:
        return []
    out = [Line("Kept out or noticed", "dim")]
    for step, found in list(by_step.items())[:_MOST_FAULTS]:
        touched = ", ".join(t for q in found if (t := _touched(q)))
        worst = f" {found[0].channel}:" if len(found) > 1 and found[0].channel else ""
        out += _bullet(
            f"{step.replace('-', ' ')}{': ' if touched else ''}{touched};{worst} {found[0].reason}", width, "·"
        )
    if len(by_step) > _MOST_FAULTS:
        out.append(Line(f"    and {len(by_step) - _MOST_FAULTS} kinds more; --json has them all", "dim"))
    return out


def _touched(q: QualityLine) -> str:
    share = f" ({usual(q.share, 'share', 'si')})" if q.share >= 0.001 else ""
    count = f" {q.touched:,}{share}" if q.touched else ""
    return f"{q.channel}{count}".strip()


def _crossed(check: LogCheck, width: int) -> list[Line]:
    made = [c for c in check.cross_checks if c.status != "not-possible"]
    if not made:
        return []
    out = [Line("Cross checks", "dim")]
    for c in sorted(made, key=lambda c: c.status != "flagged"):
        flagged = c.status == "flagged"
        text = f"{c.name.replace('-', ' ')} {c.status}: {c.evidence}"
        if flagged and known_behaviour(c):
            flagged = False
            text += "; such a sensor reads high at rest, and those readings are not used"
        out += [Line(line.text, "yellow" if flagged else "") for line in _bullet(text, width, "!" if flagged else "·")]
    return out


def _notes(check: LogCheck, width: int) -> list[Line]:
    told = [q.reason for q in check.quality if not q.fault and q.step == "time-zone-assumed"]
    notes = [*check.notes, *told]
    return [line for note in dict.fromkeys(notes) for line in _bullet(note, width, "·")]


def _mapping(check: LogCheck, width: int) -> list[Line]:
    if not check.mapping_text:
        return []
    if check.mapping_from == "campaign":
        certain = [c for c in check.columns if not c.mapped and c.certain]
        if not certain:
            return []
        said = "Columns that the campaign does not map. To use them, add under [log.columns] of campaign.toml:"
    elif check.mapping_from == "proposal":
        said = (
            "Which column is which channel was guessed from headers, units and values, for this look only. "
            "Check it, then paste into campaign.toml:"
        )
    else:
        said = (
            "The campaign's mapping does not fit this log. A proposal to check, for [log.columns] of campaign.toml, or for "
            "[run.log.columns] below this [[run]] where only its log differs:"
        )
    return [
        *(Line(text, "dim") for text in textwrap.wrap(said, width)),
        *(Line(text) for text in check.mapping_text.splitlines()),
    ]
