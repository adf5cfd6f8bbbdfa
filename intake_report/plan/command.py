"""`intake-report plan`: arguments to the plan and back to the terminal."""

from __future__ import annotations

import argparse
import datetime as dt
from pathlib import Path


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> argparse.ArgumentParser:
    """Add the command to the parser of all commands."""
    plan = commands.add_parser(
        "plan",
        help="plan a campaign: runs needed, order, days, run sheets; or what one under way still needs",
        description="Plan a campaign before fuel is burnt, or say what one under way still needs. What it is planned from "
        "stands under [plan] of the campaign file; nothing is fetched.",
    )
    plan.add_argument(
        "campaign", type=Path, metavar="CAMPAIGN", help="a campaign folder or its campaign.toml; it needs no run yet"
    )
    plan.add_argument("--like", type=Path, metavar="REPORT", help="folder of a report whose runs show how runs scatter")
    plan.add_argument(
        "--forecast", type=Path, metavar="TABLE", help="forecast as CSV: time, temperature, wind, precipitation, cloud"
    )
    plan.add_argument("--metar", type=Path, metavar="FILE", help="METAR reports of like days: hours that fit, by share")
    plan.add_argument(
        "--campaigns",
        type=int,
        default=100,
        metavar="N",
        help="simulated for each design: 100 (rough) … 2000 (default: 100)",
    )
    plan.add_argument("--seed", type=int, help="of the order and the simulation (default: metrics.seed)")
    plan.add_argument("--paper", choices=("a4", "letter"), default="a4", help="of plan.pdf (default: a4)")
    plan.add_argument("--date", type=_day, help="date of the plan, as 2026-07-31 (default: today)")
    plan.add_argument(
        "--out", type=Path, default=Path("build/plans"), help="folder of all plans (default: build/plans)"
    )
    plan.set_defaults(run=run)
    return plan


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"“{text}” is not a date; write it as 2026-07-31") from None


def run(arguments: argparse.Namespace) -> int:
    """Make the plan, write it, and say in short what it says."""
    from rich.console import Console

    from intake_report.plan.files import write_plan
    from intake_report.plan.page import review
    from intake_report.plan.plan import Asked, make_plan
    from intake_report.render.inline import plain

    asked = Asked(
        arguments.date or dt.date.today(), arguments.like, arguments.forecast, arguments.metar, arguments.campaigns,
        arguments.seed,
    )  # fmt: skip
    console = Console(stderr=True)
    with console.status("plan") as status:
        plan = make_plan(arguments.campaign, asked, lambda step: status.update(f"plan: {step}"))
        folder, new = write_plan(plan, arguments.out, arguments.paper)
    for sentence in review(plan)[0].answer:  # type: ignore[union-attr]
        print(plain(sentence, {"sec-instruments": "Instruments"}.__getitem__))
    for run_id, reason in plan.repeat:
        print(f"repeat {run_id}: {reason}")
    print(f"{'written' if new else 'unchanged'}: {folder}")
    return 0
