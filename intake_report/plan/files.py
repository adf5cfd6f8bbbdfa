"""`intake-report plan`: the files of a plan, put in place in one move: page, sheets, runs to paste, calendar, numbers."""

import argparse
import datetime as dt
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from rich.console import Console

from intake_report.plan.page import basis, review, sheets
from intake_report.plan.plan import Plan, make_plan
from intake_report.plan.schedule import SOAK_CHECK, beside, order_sentences
from intake_report.publish import folders_of, put_in_place, revision_of, scratch_folder
from intake_report.render.blocks import plain
from intake_report.render.document import Attachment, ReportMeta, number
from intake_report.render.html import export_html
from intake_report.render.typst import export_pdf

OCTETS = 75  # of a line at most (RFC 5545, 3.1)


def run(arguments: argparse.Namespace) -> int:
    """Make the plan, write it, and say in short what it says."""
    date = dt.date.fromisoformat(arguments.date) if arguments.date else dt.date.today()
    asked = {name: getattr(arguments, name) for name in ("like", "forecast", "metar", "campaigns", "seed")}
    with Console(stderr=True).status("plan") as status:
        plan = make_plan(arguments.campaign, date, **asked, progress=lambda step: status.update(f"plan: {step}"))
        folder, new = write_plan(plan, arguments.out, arguments.paper)
    for sentence in review(plan)[0].answer:  # type: ignore[union-attr]
        print(plain(sentence, {"sec-instruments": "Instruments"}.__getitem__))
    for run_id, reason in plan.repeat:
        print(f"repeat {run_id}: {reason}")
    print(f"{'written' if new else 'unchanged'}: {folder}")
    return 0


def write_plan(plan: Plan, out: Path, paper: Literal["a4", "letter"]) -> tuple[Path, bool]:
    """Write the plan to `<out>/<campaign id>/<date>[-rN]/`; return the folder, and False where it was there already."""
    home = out.resolve() / plan.campaign.about.id
    names = sorted(folders_of(home, plan.date), key=revision_of)
    for name in names[-1:]:
        again = replace(plan, revision=revision_of(name))
        file = home / name / "plan.json"
        if file.is_file() and file.read_text(encoding="utf-8") == plan_json(again):
            return home / name, False
    plan = replace(plan, revision=1 + max(map(revision_of, names), default=0))
    folder = home / (plan.date if plan.revision == 1 else f"{plan.date}-r{plan.revision}")
    with scratch_folder(home) as scratch:
        made = scratch / "plan"
        made.mkdir()
        texts = {"plan.json": plan_json(plan), "runs.toml": runs_toml(plan), "plan.ics": calendar(plan)}
        document = number((*review(plan), *sheets(plan), *basis(plan)))
        about = plan.campaign.about
        meta = ReportMeta(about.id, f"Plan: {about.title}", plan.date, plan.revision, paper=paper)
        texts["plan.html"] = export_html(document, meta)
        for name, text in texts.items():
            (made / name).write_bytes(text.encode("utf-8"))
        attached = Attachment("plan.json", texts["plan.json"].encode(), "application/json", "The plan in numbers")
        (made / "plan.pdf").write_bytes(export_pdf(document, meta, (attached,), scratch / "pdf"))
        put_in_place(made, folder)
    return folder, True


def plan_json(plan: Plan) -> str:
    """Return plan.json as text."""
    form: dict[str, Any] = {"indent": 1, "ensure_ascii": False, "allow_nan": False, "default": dt.datetime.isoformat}
    return json.dumps(plan.document(), **form) + "\n"


def runs_toml(plan: Plan) -> str:
    """Return the runs that are not in the campaign file yet as `[[run]]` tables, in the order of driving, to be pasted."""
    there = {run.id for run in plan.campaign.runs}
    lines = [f"# Plan of {plan.date}, seed {plan.seed}", *(f"# {note}" for note in order_sentences(plan.runs))]
    lines += ['# Under [plan]: issued = "plan.json", once that file is copied beside the campaign file']
    for run in plan.runs:
        if run.id in there:
            continue
        values = {"id": run.id, "configuration": run.configuration, "block": run.block, "files": list(run.files)}
        if plan.campaign.plan.control:
            values["control"] = [beside(file, "control") for file in run.files]
        start = [] if run.start is None else [f"# planned start: {run.start.isoformat()}; the log's own clock counts"]
        lines += ["", "[[run]]", *(f"{key} = {json.dumps(v, ensure_ascii=False)}" for key, v in values.items()), *start]
    return "\n".join(lines) + "\n"


def calendar(plan: Plan) -> str:
    """Return the runs to be driven, and the soak check of each day, as an iCalendar file (RFC 5545), times in UTC."""
    names = {c.id: c for c in plan.campaign.configurations}
    events = []
    for run in plan.runs:
        if run.start is None or run.end is None:
            continue
        if run.position == 1:
            soak = (run.start - SOAK_CHECK, run.start)
            events.append((f"{run.block}-soak-check", *soak, "Soak check, engine cold", f"Block {run.block}"))
        fitted = names[run.configuration]
        about = f"Run {run.id}, block {run.block}. Fit: {fitted.name}. {'; '.join(fitted.deviations)}"
        events.append((run.id, run.start, run.end, f"{fitted.name} ({run.id})", about))
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//intake-report//plan//EN", "CALSCALE:GREGORIAN"]
    for id, start, end, title, about in events:
        lines += [
            "BEGIN:VEVENT", f"UID:{id}@{plan.campaign.about.id}.intake-report",
            f"DTSTAMP:{plan.date.replace('-', '')}T000000Z", f"DTSTART:{start.astimezone(dt.UTC):%Y%m%dT%H%M%SZ}",
            f"DTEND:{end.astimezone(dt.UTC):%Y%m%dT%H%M%SZ}", f"SUMMARY:{_escaped(title)}",
            f"DESCRIPTION:{_escaped(about)}", "END:VEVENT",
        ]  # fmt: skip
    return "".join(f"{part}\r\n" for line in (*lines, "END:VCALENDAR") for part in _folded(line))


def _escaped(text: str) -> str:
    """Return a TEXT value (RFC 5545, 3.3.11)."""
    return "\\n".join(text.translate({92: "\\\\", 59: "\\;", 44: "\\,"}).splitlines())


def _folded(line: str) -> Iterator[str]:
    """Yield a line in parts of 75 octets at most, each after the first begun by a space; no character is divided."""
    part, size = "", 0
    for sign in line:
        octets = len(sign.encode())
        if size + octets > OCTETS:
            yield part
            part, size = " ", 1
        part, size = part + sign, size + octets
    yield part
