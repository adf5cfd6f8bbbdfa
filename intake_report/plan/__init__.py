"""A campaign before fuel is burnt: runs needed, order, window, run sheets; and one under way: what is still needed.

Only what reads the arguments is imported here.
"""

from __future__ import annotations

import argparse
import datetime as dt


def run(arguments: argparse.Namespace) -> int:
    """Make the plan, write it, and say in short what it says."""
    from rich.console import Console

    from intake_report.plan.files import write_plan
    from intake_report.plan.page import review
    from intake_report.plan.plan import make_plan
    from intake_report.render.inline import plain

    date = dt.date.fromisoformat(arguments.date) if arguments.date else dt.date.today()
    asked = {name: getattr(arguments, name) for name in ("like", "forecast", "metar", "campaigns", "seed")}
    console = Console(stderr=True)
    with console.status("plan") as status:
        plan = make_plan(arguments.campaign, date, **asked, progress=lambda step: status.update(f"plan: {step}"))
        folder, new = write_plan(plan, arguments.out, arguments.paper)
    for sentence in review(plan)[0].answer:  # type: ignore[union-attr]
        print(plain(sentence, {"sec-instruments": "Instruments"}.__getitem__))
    for run_id, reason in plan.repeat:
        print(f"repeat {run_id}: {reason}")
    print(f"{'written' if new else 'unchanged'}: {folder}")
    return 0
