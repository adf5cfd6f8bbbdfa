"""What an analyst calls in a notebook: runs as tables, runs over one another, what a change moved, a metric of one's own.

Every temperature and speed in these tables is in the unit of the campaign's reader; `frame.attrs["units"]` names them.
"""

import functools
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from intake_report import formatting
from intake_report.align import Alignment
from intake_report.analyse import Measured, conclude, measure_runs
from intake_report.analyse.common_drive import fitted, thermal_inputs
from intake_report.analyse.inputs import ByRun
from intake_report.campaign import Campaign, vary
from intake_report.channels import CHANNELS
from intake_report.clean import CleanRun
from intake_report.clean.model import interpolate
from intake_report.errors import DataError, nearest
from intake_report.messages import said
from intake_report.metrics import RunSeries
from intake_report.metrics.registry import MetricFunction, reading
from intake_report.metrics.registry import metric as register_metric
from intake_report.plots import drawing, legend, name_axes, shown, styled
from intake_report.render.sections.stated import moved
from intake_report.results import Better, ReportResult
from intake_report.results.text import difference_quantity, metric_title, results_document
from intake_report.thermal import ThermalFit
from intake_report.thermal.model import airflow_law, element, trace
from intake_report.units import UnitSystem, to_display

DELTA, OVER = "temperature_difference", "over_ambient"


def run_frame(measured: Measured, run: str, units: UnitSystem = "si") -> pd.DataFrame:
    """Return one run with every channel on every full second, ready to be plotted; DataError if there is no such run.

    DataFrame (n seconds, channels + 4) by elapsed time [s], units of the columns in ``attrs["units"]``. Channels are interpolated
    between valid true samples, NaN over longer pauses than the channel allows; `over_ambient` of the rebuilt temperature, as the
    metrics see it; `distance` along the route [m]; `phase` and `stop` (names, "" outside).
    """
    series, clean, aligned = measured.series[run], measured.cleaned[run], measured.alignment.run(run)
    time = np.arange(np.floor(float(clean.frame.index[-1]) if len(clean.frame) else 0.0) + 1.0)
    columns: dict[str, Any] = {}
    unit: dict[str, str] = {"distance": "m"}
    sampled = [(n, CHANNELS[n].quantity, *clean.samples(n), CHANNELS[n].max_gap) for n in clean.frame.columns]
    if series.over is not None:
        sampled.append((OVER, DELTA, series.time, series.over, series.max_gap))
    for name, quantity, at, values, gap in sampled:
        columns[name] = to_display(interpolate(at, values, time, gap), quantity, units)
        unit[name] = formatting.unit_of(quantity, units)
    where = aligned.distance
    columns["distance"] = np.interp(time, where.index.to_numpy(dtype=np.float64), where.to_numpy(dtype=np.float64))
    columns["phase"] = _names(time, ((p.start, p.end, p.phase) for p in aligned.phases))
    columns["stop"] = _names(time, ((s.start, s.end, s.place or "stop") for s in aligned.stops))
    frame = pd.DataFrame(columns, index=pd.Index(time, name="time"))
    frame.attrs["units"] = unit
    return frame


def overlay(
    measured: Measured,
    result: ReportResult,
    channel: str = OVER,
    *,
    runs: Sequence[str] = (),
    phase: str = "",
    stop: str = "",
    over: str = "distance",
) -> Figure:
    """Draw one channel of several runs over one another, in the colours of the report.

    `channel`: a column of `run_frame`; `runs`: ids, all of the comparison unless given; `phase`, `stop`: only this phase, or
    the stop at this place, time counted from its beginning; `over` {"distance", "time"}: what runs along the axis.
    DataError: a name that does not exist.
    """
    if over not in ("distance", "time"):
        raise DataError(f"“{over}” is not an axis.", remedy="Draw over “distance” or “time”.")
    used = [run.id for run in result.runs if run.decision != "excluded"]
    parts = {}
    for run in runs or used:
        whole = run_frame(measured, run, result.units)
        inside = [whole[column] == name for column, name in (("phase", phase), ("stop", stop)) if name]
        parts[run] = whole[np.logical_and.reduce(inside)] if inside else whole
        parts[run].attrs = whole.attrs
    known = sorted({name for part in parts.values() for name in part.columns} - {"phase", "stop"})
    if channel not in known:
        raise DataError(f"No run has a channel “{channel}”.", remedy=nearest(channel, known, "There is:"))
    if all(part.empty for part in parts.values()):
        raise DataError(f"No run passes “{phase or stop}”.", remedy="Look at the columns of run_frame for the names.")
    return _overlaid(parts, result, channel, over)


@styled
def _overlaid(parts: dict[str, pd.DataFrame], result: ReportResult, channel: str, over: str) -> Figure:
    look, figure, (panel,) = drawing(result, 3.2, "")
    for run, part in parts.items():
        id = next(one.configuration for one in result.runs if one.id == run)
        if channel not in part or part.empty:
            continue
        along = part["distance"] / 1000.0 if over == "distance" else (part.index - part.index[0])
        style = {"color": look.colour[id], "ls": look.dash[id], "label": result.name_of(id)}
        panel.plot(along, part[channel], gid=run, **style)
    titles = {OVER: "Over-ambient temperature", **{name: known.label for name, known in CHANNELS.items()}}
    unit = next(part.attrs["units"].get(channel, "") for part in parts.values())
    axis = "Route distance [km]" if over == "distance" else "Time [s]"
    name_axes(panel, axis, f"{titles.get(channel, channel)} [{unit}]", "both")
    legend(figure, panel)
    return figure


def values(result: ReportResult) -> pd.DataFrame:
    """Return every metric (rows) in every run of the comparison (columns) in the reader's unit; NaN without a value."""
    own = {(v.run, v.key): v.value for v in result.values}  # noqa: PD011 - no pandas object
    runs = [run.id for run in result.runs if any(id == run.id for id, _ in own)]
    rows = []
    for key in result.metrics:
        unit = formatting.unit_of(key.spec.quantity, result.units)
        found = shown((own.get((run, key.key)) for run in runs), key.spec.quantity, result)
        rows.append((metric_title(key, result.units), unit, *found))
    return pd.DataFrame(rows, pd.Index([key.key for key in result.metrics], name="metric"), ["title", "unit", *runs])


def comparisons(result: ReportResult) -> pd.DataFrame:
    """Return every compared difference with its interval in the reader's unit, and its verdict in words."""
    rows = []
    for c in result.comparisons:
        key = result.metric(c.key)
        numbers = shown((c.difference, c.low, c.high), difference_quantity(key), result)
        rows.append((metric_title(key, result.units), result.name_of(c.configuration), *numbers, c.verdict))
    return pd.DataFrame(rows, columns=["metric", "configuration", "difference", "low", "high", "verdict"])


def difference(result: ReportResult, other: ReportResult) -> pd.DataFrame:
    """Return what `other` states otherwise than `result`: runs, differences, claims, limitations; empty for nothing."""
    before, now = (results_document(each, "", 1) for each in (result, other))
    return pd.DataFrame(moved(before, now, other), columns=["subject", "before", "now"])


def fit_models(campaign: Campaign, measured: Measured) -> dict[str, ThermalFit]:
    """Return the thermal model of each configuration, fitted to its runs that are not excluded; DataError if none can be."""
    inputs, refused = thermal_inputs(campaign, measured, {run.id for run in campaign.runs if not run.exclude})
    fits, reasons = fitted(campaign, inputs)
    if not fits:
        why = "; ".join(said(note, campaign.about.units) for note in (*refused, *reasons))
        remedy = "Log ambient, speed and intake air temperature."
        raise DataError(f"No configuration can be modelled: {why}.", remedy=remedy)
    return {f.configuration: f for f in fits}


def residuals(fits: dict[str, ThermalFit]) -> pd.DataFrame:
    """Return the readings beside the models on their own drives: run, configuration, time [s], read, modelled, residual [K]."""
    parts = []
    for f in fits.values():
        for i, drive in enumerate(f.drives):
            modelled = np.interp(drive.reading_time, drive.time, f.own(i))
            columns = {"time": drive.reading_time, "read": drive.reading, "modelled": modelled}
            frame = pd.DataFrame({"run": drive.run, "configuration": f.configuration, **columns})
            parts.append(frame.assign(residual=drive.reading - modelled))
    return pd.concat(parts, ignore_index=True)


def replay_models(fits: dict[str, ThermalFit], drive: str | pd.DataFrame, ambient: float = 25.0) -> pd.DataFrame:
    """Return the modelled over-ambient temperature [K] of each configuration (columns) on one drive.

    `drive`: id of a run, or a table with index time [s] and column "speed" [km/h], in calm air of `ambient` [°C]. Mean over the
    runs of a configuration; wind and start of the under-hood air are those of the run, or as expected before any.
    """
    drives = {one.run: (one, own) for f in fits.values() for one, own in zip(f.drives, f.effects, strict=True)}
    if isinstance(drive, str):
        if drive not in drives:
            raise DataError(f"No model rests on a run “{drive}”.", remedy=nearest(drive, list(drives), "There is:"))
        on, own = drives[drive]
    else:
        speed = drive["speed"].to_numpy(dtype=np.float64) / 3.6
        law = airflow_law([one for one, _ in drives.values()])
        on = trace("own", drive.index.to_numpy(dtype=np.float64), speed, law, ambient)
        own = on.expected
    columns = {}
    for id, f in fits.items():
        effects = f.effects.copy()
        effects[:, 3:6] = own[3:6]
        shape = np.broadcast_to(f.shape, (len(effects), f.shape.size))
        columns[id] = element(shape, effects, on).mean(axis=0) - on.ambient
    return pd.DataFrame(columns, index=pd.Index(on.time, name="time"))


def metric(
    title: str,
    quantity: str,
    *,
    better: Better = "lower",
    decimals: int = 1,
    needs: tuple[str, ...] = ("over-ambient",),
    words: tuple[str, str] = ("lower", "higher"),
) -> Callable[[Callable[[RunSeries], float]], MetricFunction]:
    """Register a function of this notebook as a metric of everything measured from then on, in its tables, figures, comparisons.

    ``function(series: RunSeries) -> float`` in the internal unit of `quantity`, a key of `units.QUANTITIES`; its name is the
    id, its docstring the definition. `title`: as tables print it; `better` {"lower", "higher", "neither"}; `decimals`: printed;
    `needs`: channels without which it cannot be computed, "over-ambient" for IAT and an ambient reference; `words`: verdict
    where a configuration is better, and worse. Instruments are not drawn through it. Running the cell again replaces it; a
    published report never holds it: rendering starts afresh.
    """

    def register(function: Callable[[RunSeries], float]) -> MetricFunction:
        @functools.wraps(function)
        def evaluated(series: RunSeries, _: object) -> Any:
            return reading(function(series))

        return register_metric(
            title=title, quantity=quantity, better=better, decimals=decimals, words=words, needs=needs, assessed=False,
            definition="" if function.__doc__ else "Defined in the notebook.", source="defined in the notebook of this analysis",
        )(evaluated)  # fmt: skip

    return register


def _names(time: np.ndarray, spans: Any) -> np.ndarray:
    names = np.full(time.shape, "", dtype=object)
    for start, end, name in spans:
        names[(time >= start) & (time <= end)] = name
    return names


def _chosen(draw: Callable[..., Any], label: str, **choices: Any) -> Any:
    """Return controls for the arguments of `draw`, and what it returns shown for the first of each; needs the extra `explore`."""
    import ipywidgets  # type: ignore[import-untyped]
    from IPython.display import display

    def show(**chosen: Any) -> None:
        display(draw(**chosen))  # type: ignore[no-untyped-call]

    return ipywidgets.interact_manual.options(manual_name=label)(show, **choices)


def explore_run(measured: Measured, result: ReportResult) -> Any:
    """Return controls that draw one channel of one run over its speed."""

    def draw(run: str, channel: str) -> Any:
        frame, titles = run_frame(measured, run, result.units), [f"{run}: {channel}", "speed"]
        return frame.plot(y=[channel, "speed"], subplots=True, figsize=(8, 4), title=titles, legend=False)[0].figure

    runs = [series.run for series in measured.series]
    channels = [name for name in run_frame(measured, runs[0]).columns if name not in ("phase", "stop", "speed")]
    return _chosen(draw, "Draw", run=runs, channel=channels)


def explore_phase(measured: Measured, result: ReportResult) -> Any:
    """Return controls that draw all runs over one another, whole or in one phase."""
    phases = [("the whole route", ""), *((phase.name, phase.id) for phase in result.phases)]
    draw = functools.partial(overlay, measured, result)
    return _chosen(draw, "Draw", phase=phases, over=["distance", "time"])


def with_margin(campaign: Campaign, cleaned: ByRun[CleanRun], alignment: Alignment, kelvins: float) -> ReportResult:
    """Return the result with one more recovery margin [K]; the campaign file stays as it is."""
    margins = [f"{margin:g} K" for margin in (*campaign.metrics.recovery_margins, kelvins)]
    varied = vary(campaign, {"metrics.recovery_margins": margins})
    return conclude(varied, measure_runs(varied, cleaned, alignment))


def explore_margin(campaign: Campaign, cleaned: ByRun[CleanRun], alignment: Alignment) -> Any:
    """Return controls that measure again with one more recovery margin and show the recoveries."""

    def draw(kelvins: float) -> pd.DataFrame:
        return values(with_margin(campaign, cleaned, alignment, kelvins)).filter(like="recovery", axis=0)

    return _chosen(draw, "Measure", kelvins=(1.0, 6.0, 0.5))
