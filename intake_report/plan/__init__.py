"""Planning a campaign: which configuration is driven when, and what the planned runs can show."""

from intake_report.plan.campaign import CampaignPlan, PlannedRun, plan_campaign, plan_text
from intake_report.plan.orders import OrderBalance, block_orders, order_balance, williams
from intake_report.plan.power import PlanPower, blocks_needed, detectable_difference, plan_power

__all__ = [
    "CampaignPlan",
    "OrderBalance",
    "PlanPower",
    "PlannedRun",
    "block_orders",
    "blocks_needed",
    "detectable_difference",
    "order_balance",
    "plan_campaign",
    "plan_power",
    "plan_text",
    "williams",
]
