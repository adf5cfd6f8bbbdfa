"""Figure of the acceptance criteria; like `plots`, it computes nothing and sets no global state."""

from __future__ import annotations

from typing import TYPE_CHECKING

from intake_report.plots import _figure, _wrapped, styled
from intake_report.report_table import rows_of
from intake_report.results import ReportResult

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@styled
def acceptance_figure(result: ReportResult) -> Figure:
    """Draw all runs against all acceptance criteria at a glance."""
    runs = [run.id for run in result.runs]
    criteria = list(dict.fromkeys((c.code, c.title) for c in rows_of(result.criteria)))
    titles = [_wrapped(title, 26) for _, title in criteria]
    figure = _figure(1.9 + 0.2 * len(runs))
    panel = figure.subplots()
    marks = {True: ("o", "#3f8f5b"), None: ("_", "#999999")}
    for criterion in rows_of(result.criteria):
        x = [code for code, _ in criteria].index(criterion.code)
        y = len(runs) - 1 - runs.index(criterion.run)
        failed = ("X", "#b3261e") if criterion.hard else ("D", "#c77700")
        marker, colour = failed if criterion.passed is False else marks[criterion.passed]
        panel.plot(x, y, marker=marker, color=colour, ms=6)
    panel.set_xticks(range(len(criteria)), titles, fontsize=7.2, linespacing=0.95)
    panel.xaxis.tick_top()
    panel.tick_params(axis="x", rotation=90)
    for label in panel.get_xticklabels():
        label.set(ha="left", va="center", rotation_mode="anchor")
    panel.set_yticks(range(len(runs)), list(reversed(runs)))
    panel.set_xlim(-0.6, len(criteria) - 0.4)
    panel.set_ylim(-0.7, len(runs) - 0.3)
    panel.spines[["left", "bottom"]].set_visible(False)
    panel.tick_params(length=0)
    panel.grid(axis="y", lw=0.4)
    return figure
