"""All configurations on one common drive: models fitted to the measured runs, replayed, validated, compared."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from intake_report import thermal
from intake_report.analyse.claims import direct_comparisons
from intake_report.analyse.compare import INDICATION, compare
from intake_report.analyse.zeroing import channel_step
from intake_report.campaign import Campaign, CommonDriveSection
from intake_report.errors import DataError, placed
from intake_report.messages import Interval, Listing, Message, Part, Value, message
from intake_report.metrics import RunSeries, Span
from intake_report.results import CommonDriveResult, Comparison, Metrics, RunCurve
from intake_report.thermal import CommonDrive, ThermalFit, model
from intake_report.thermal.model import STEP, DriveInput
from intake_report.units import to_internal

if TYPE_CHECKING:
    from intake_report.analyse import Measured

STANDING = 0.5  # m/s
# m/s, K beyond what was driven, from which on a replay is called extrapolated (own choice)
FASTER, OTHER_AIR = 10.0 / 3.6, 5.0
POINTS = 400  # of a curve
FASTEST = 100.0  # m/s; a faster trace has a wrong unit
NO_DRIVE = message("no common drive", "no-common-drive")


def common_drive(
    campaign: Campaign, measured: Measured, used: set[str], metrics: Metrics, compared: Sequence[Comparison] = ()
) -> CommonDriveResult | None:
    """Return the comparison on the campaign's common drive; None where the campaign asks for none.

    `used`: runs that take part; `compared`: the measured differences, whose metrics are asked of the models too.
    """
    if (settings := campaign.common_drive) is None:
        return None
    inputs, notes = thermal_inputs(campaign, measured, used)
    fits, reasons = fitted(campaign, inputs)
    notes += reasons
    if len(fits) < 2 or campaign.baseline.id not in {f.configuration for f in fits}:
        few = message("fewer than two configurations, or not the baseline, could be modelled", "few-models")
        return CommonDriveResult(NO_DRIVE, notes=(*notes, few))
    series = {run.run: run for run in measured.series}
    common, label = _chosen(campaign, settings, fits, series)
    # a trace has neither phases nor an entry
    known = {c.key for c in compared if c.difference is not None and not settings.file}
    keys = tuple(k for k in metrics if k.spec.headline and (k.parameter.kind == "none" or k.key in known))
    replayed = thermal.replay(fits, common, series, keys, np.random.default_rng([campaign.metrics.seed, 15]))
    validation = thermal.leave_one_out(fits)
    single = tuple(f.configuration for f in fits if len(f.drives) < 2)
    failed = _failed(settings, validation)
    rows = compare(campaign, keys, replayed.values, replayed.draws)
    resting = campaign.model_copy(update={"claims": tuple(c for c in campaign.claims if c.common_drive)})
    direct = direct_comparisons(resting, keys, replayed.values, rows, replayed.draws)
    withheld = {*single, *failed}
    rows = tuple(
        replace(row, call="indication", verdict=INDICATION) if withheld & {row.configuration, row.versus} else row
        for row in rows
        if row.difference is not None
    )
    if failed:
        names = Listing(tuple(campaign.configuration(id).name for id in failed))
        template = "the model fails its validation for {names}: its numbers decide nothing"
        notes += (message(template, "failed", names=names),)
    drives, there = [one for f in fits for one in f.drives], _stopped(common.drive)
    stood = [(f.configuration, float(np.mean([_stopped(one) for one in f.drives])), there) for f in fits]
    some = np.unique(np.linspace(0, common.drive.time.size - 1, POINTS).round().astype(np.intp))
    shown = tuple((common.drive.time - common.drive.time[0])[some].tolist())
    over = {id: (values - common.drive.ambient)[some] for id, values in replayed.temperature.items()}
    return CommonDriveResult(
        drive=label,
        comparisons=rows,
        values=replayed.values,
        curves=tuple(RunCurve("", id, shown, tuple(values.tolist())) for id, values in over.items()),
        validation=validation,
        parameters=_parameters(fits),
        what_if=thermal.what_if(fits, common, model.airflow_law(drives)),
        standing=pd.DataFrame(stood, columns=["configuration", "measured", "common"]),
        failed=failed,
        direct=direct,
        claims=tuple(claim.id for claim in resting.claims),
        single=single,
        beyond=tuple(x for f in fits for x in beyond(campaign.configuration(f.configuration).name, f, common.drive)),
        headless=sum(not one.heading_known for one in drives),
        notes=notes,
    )


def thermal_inputs(
    campaign: Campaign, measured: Measured, used: set[str]
) -> tuple[dict[str, DriveInput], tuple[Part, ...]]:
    """Return what drives the model in each run that takes part, by run, and what was refused or assumed."""
    weather = {run.run: run for run in measured.weather.runs}
    found: dict[str, DriveInput] = {}
    notes: list[Part] = []
    for series in (one for one in measured.series if one.run in used):
        clean, air, wind = measured.cleaned[series.run], weather.get(series.run), None
        if air is not None and air.wind_speed is not None and air.wind_direction is not None:
            wind = (air.wind_speed / 3.6, air.wind_direction)
        shift = measured.zeroing.correction(campaign, "iat", channel_step(campaign, clean, "iat"))
        made = model.drive_input(series, clean, measured.alignment.reference.path, wind, shift)
        if isinstance(made, tuple):
            found[series.run] = made[0]
            notes += made[1]
        else:
            notes.append(made)
    return found, tuple(notes)


def fitted(campaign: Campaign, inputs: dict[str, DriveInput]) -> tuple[list[ThermalFit], tuple[Part, ...]]:
    """Return the fit of each configuration, in campaign order, and why one has none."""
    fits: list[ThermalFit] = []
    notes: list[Part] = []
    for configuration in campaign.configurations:
        drives = [drive for drive in inputs.values() if drive.configuration == configuration.id]
        reason = model.lacking(drives) if drives else message("no run of it can be modelled", "no-run")
        if reason is None:
            fits.append(thermal.fit(drives))
        else:
            notes.append(message("{name}: {reason}", reason.code, name=configuration.name, reason=reason))
    return fits, tuple(notes)


def _chosen(
    campaign: Campaign, settings: CommonDriveSection, fits: Sequence[ThermalFit], series: dict[str, RunSeries]
) -> tuple[CommonDrive, Part]:
    effects = {one.run: own for f in fits for one, own in zip(f.drives, f.effects, strict=True)}
    drives = {one.run: one for f in fits for one in f.drives}
    if settings.file:
        template = "the speed trace {file}, in calm air at the mean ambient of the runs"
        own = _from_file(campaign, settings, list(drives.values()))
        return own, message(template, "speed-file", file=settings.file)
    run = settings.run
    if run is not None and run not in drives:
        raise DataError(f"run “{run}” is not among those modelled.", file=campaign.file, where="common_drive.run",
                        remedy="Name one that takes part, or none.")  # fmt: skip
    if run is None:
        order = sorted(drives.values(), key=lambda one: (_stopped(one), one.run))
        run = order[(len(order) - 1) // 2].run
    stated = "stated in the campaign" if settings.run else "the median in standing time"
    label = message("run {run} ({stated}), in its wind and ambient", "run", run=run, stated=stated)
    return CommonDrive(drives[run], series[run], effects[run]), label


def _from_file(campaign: Campaign, settings: CommonDriveSection, drives: Sequence[DriveInput]) -> CommonDrive:
    path = campaign.folder / str(settings.file)
    remedy = "Give a table of time and speed that starts at rest or not, in rising time."
    wrong = partial(DataError, file=path, where="common_drive", remedy=remedy)
    try:
        table = pd.read_csv(path, encoding="utf-8-sig")
    except (ValueError, UnicodeError) as error:
        raise wrong(f"the file is no table: {error}.") from None
    columns = {"time": np.empty(0), "speed": np.empty(0)}
    for header, meaning in settings.columns.items():
        name, _, unit = meaning.partition(" [")
        if header not in table or name not in columns:
            raise wrong(f"there is no column “{header}”, or “{name}” is neither time nor speed.")
        numbers = pd.to_numeric(table[header], errors="coerce").to_numpy(dtype=np.float64)
        with placed(file=path, where="common_drive"):
            columns[name] = to_internal(numbers, unit.rstrip("]"), name)
    time, speed = columns["time"], columns["speed"] / 3.6
    if time.size < 2 or time.size != speed.size or not np.isfinite([time, speed]).all():
        raise wrong("time or speed is missing in a row.")
    if np.any(np.diff(time) <= 0.0) or time[-1] - time[0] < STEP or speed.min() < 0.0 or speed.max() > FASTEST:
        raise wrong(f"time does not rise by {STEP:g} s or more, or a speed is impossible.")
    ambient = float(np.mean([np.mean(one.ambient) for one in drives]))
    drive = model.trace("common", time, speed, model.airflow_law(drives), ambient)
    still = np.diff(np.concatenate([[0], (drive.speed < STANDING).astype(int), [0]]))
    ends = zip(np.flatnonzero(still > 0), np.flatnonzero(still < 0) - 1, strict=True)
    stops = tuple(Span(float(drive.time[a]), float(drive.time[b])) for a, b in ends)
    distance = np.cumsum(drive.speed) * STEP
    series = RunSeries("common", "", None, drive.time, drive.ambient, drive.ambient, distance, stops)
    return CommonDrive(drive, series, np.array([0.0, 0.0, 0.0, 0.0, 0.0, *drives[0].expected[5:]]))


def beyond(name: str, fitted: ThermalFit, common: DriveInput) -> Iterator[Message]:
    """Yield what the common drive has that the runs of a configuration did not meet."""
    fastest = max(float(one.speed.max()) for one in fitted.drives)
    if common.speed.max() > fastest + FASTER:
        values = {"there": Value(common.speed.max() * 3.6, "speed", 0), "here": Value(fastest * 3.6, "speed", 0)}
        yield message("{there} where runs of {name} reached {here}", "faster", name=name, **values)
    low = min(float(one.ambient.min()) for one in fitted.drives) - OTHER_AIR
    high = max(float(one.ambient.max()) for one in fitted.drives) + OTHER_AIR
    mean = float(np.mean(common.ambient))
    if not low <= mean <= high:
        met = Interval(low + OTHER_AIR, high - OTHER_AIR, "temperature", 0)
        template = "air of {mean} where runs of {name} met {met}"
        yield message(template, "other-air", mean=Value(mean, "temperature", 0), name=name, met=met)


def _stopped(drive: DriveInput) -> float:
    return STEP * float(np.sum(drive.speed < STANDING))


def _failed(settings: CommonDriveSection, validation: pd.DataFrame) -> tuple[str, ...]:
    """Return configurations beyond a limit in the mean over their runs."""
    squared = validation.assign(square=validation["rms"] ** 2).groupby("configuration", sort=False)
    off = squared[["square", "peak_bias", "coverage"]].mean()
    beyond = (off["square"] ** 0.5 > settings.largest_rms) | (off["peak_bias"].abs() > settings.largest_peak_bias)
    return tuple(off.index[beyond | (off["coverage"] < settings.least_coverage)])


def _parameters(fits: Sequence[ThermalFit]) -> pd.DataFrame:
    rows = []
    for f in fits:
        # e^u of a value whose logarithm has the uncertainty u
        factors = np.exp(np.sqrt(np.diag(f.covariance))[: model.SPREAD.size]).tolist()
        for c, value, factor in zip(model.COEFFICIENTS, model.natural(f.shape).tolist(), factors, strict=True):
            rows.append((f.configuration, c.name, c.unit, c.meaning, value, factor, c.name not in f.not_excited))
    return pd.DataFrame(rows, columns=["configuration", "name", "unit", "meaning", "value", "factor", "excited"])
