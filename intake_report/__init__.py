"""Compare vehicle intake configurations from road logs and report the result with its uncertainty.

``import intake_report as ir`` gives a notebook what it needs: `load_campaign`, `vary`; the five steps `load_logs`,
`clean_logs`, `align_logs`, `measure_runs`, `conclude`; `run_frame`, `overlay`, `values`, `comparisons`, `difference`,
`metric`; `fit_models`, `residuals`, `replay_models`; and `show` for sections of the report. Each is imported when it is first used.
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"
CAMPAIGN_FILE = "campaign.toml"
_SURFACE = {
    "campaign": ("load_campaign", "vary"),
    "analyse": ("load_logs", "clean_logs", "align_logs", "measure_runs", "conclude"),
    "workbook": (
        "run_frame", "overlay", "values", "comparisons", "difference", "metric", "explore_run", "explore_phase",
        "explore_margin", "with_margin", "fit_models", "residuals", "replay_models",
    ),
    "render.html": ("show",),
}  # fmt: skip


def __getattr__(name: str) -> Any:
    for module, names in _SURFACE.items():
        if name in names:
            return getattr(import_module(f"intake_report.{module}"), name)
    raise AttributeError(f"intake_report has no {name!r}; dir(intake_report) lists what there is")


def __dir__() -> list[str]:
    return ["CAMPAIGN_FILE", "__version__", *(name for names in _SURFACE.values() for name in names)]
