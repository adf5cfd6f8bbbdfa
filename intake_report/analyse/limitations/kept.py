"""Plan and deed: limitations of a campaign that names the plan which it follows."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from intake_report.analyse.limitations.findings import Findings, all_of, kind
from intake_report.campaign import Campaign
from intake_report.errors import CampaignError
from intake_report.messages import Count
from intake_report.results import Limitation

KEYS = frozenset({"id", "configuration", "block", "position", "files"})  # of a run in plan.json


def read_issued(campaign: Campaign) -> dict[str, Any] | None:
    """Return the plan.json that the campaign follows; None without one. CampaignError if it is no plan of this campaign."""
    if campaign.plan.issued is None:
        return None
    what, file = "this is no plan of this campaign.", campaign.folder / campaign.plan.issued
    try:
        found: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
        if found["campaign"] == campaign.about.id and all(run.keys() >= KEYS for run in found["runs"]):
            return found
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        what = "this is no plan of a campaign."
    remedy = "Copy the plan.json of build/plans beside the campaign file, unchanged."
    raise CampaignError(what, file=file, where="plan.issued", remedy=remedy) from None


ORDER = kind("plan-order", 262, "comparison", "runs were not driven in the planned order",
    "The order of the plan was not kept in {blocks}: an order that is chosen on the day may follow what favours a "
    "configuration.",
    "The planned order, or a plan made anew before the next block.",
)  # fmt: skip
LEFT_OUT = kind("plan-left-out", 264, "comparison", "not all planned runs are in the comparison",
    "{count} of the plan ({runs}) {is_not} in the comparison: the plan fixed the number of runs, and a comparison "
    "before they are driven is a look that raises the risk of a wrong verdict.",
    "The runs that are left.",
)  # fmt: skip
ADDED = kind("plan-added", 266, "comparison", "runs were added to the plan, or moved between blocks",
    "{count} ({runs}) {is_not} as the plan has {them}: added, in another configuration or in another block.",
    "A plan made anew before runs are added.",
)  # fmt: skip
LOOKS = kind("plan-looks", 268, "comparison", "the comparison was seen before the planned runs were complete",
    "The comparison was seen {looks} before the planned runs were complete: p-values and verdicts count as one look, "
    "so that the risk of a wrong one is higher than stated.",
    "Fixed design: one comparison, after all planned runs.",
)  # fmt: skip


def plan_kept(f: Findings) -> Iterator[Limitation]:
    """What differs between the plan and what was driven."""
    if f.campaign.plan.looks:
        yield LOOKS(looks=Count(f.campaign.plan.looks, "time"))
    issued = read_issued(f.campaign)
    if issued is None:
        return
    planned = {run["id"]: run for run in issued["runs"]}
    used = {run.id: run for run in f.used}
    blocks = []
    for block in dict.fromkeys(run["block"] for run in issued["runs"]):
        there = [used[id] for id, run in planned.items() if run["block"] == block and id in used]
        starts = [run.start for run in sorted(there, key=lambda run: planned[run.id]["position"]) if run.start]
        if starts != sorted(starts):
            blocks.append(str(block))
    if blocks:
        yield ORDER(blocks=all_of(blocks))
    left = [id for id in planned if id not in used]
    if left:
        yield LEFT_OUT(
            count=Count(len(left), "run"), runs=all_of(left), is_not="is not" if len(left) == 1 else "are not"
        )
    added = [
        id
        for id, run in used.items()
        if id not in planned or (run.configuration, run.block) != (planned[id]["configuration"], planned[id]["block"])
    ]
    if added:
        one = len(added) == 1
        yield ADDED(
            count=Count(len(added), "run"),
            runs=all_of(added),
            is_not="is not" if one else "are not",
            them="it" if one else "them",
        )
