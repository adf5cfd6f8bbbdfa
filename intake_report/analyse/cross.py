"""Cross checks of a run with what the campaign knows beside its log: weather, pressure, displacement."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from intake_report.analyse.acceptance import during_run
from intake_report.analyse.ambient import record_series
from intake_report.analyse.inputs import Drive
from intake_report.campaign import Campaign
from intake_report.clean import CleanRun, CrossCheck, cross_checks
from intake_report.results import CrossCheckRow
from intake_report.weather import WeatherRecord


def cross_check(
    campaign: Campaign, run: CleanRun, records: Mapping[str, WeatherRecord], airflow_label: str = "g/s"
) -> tuple[CrossCheck, ...]:
    """Run the cross checks of one run.

    Parameters
    ----------
    campaign : Campaign
        For the order and age limits of its weather sources, and the displacement.
    run : CleanRun
        The run.
    records : mapping of source id to WeatherRecord
        The first that covers the run is taken.
    airflow_label : str
        Unit that the log gave the airflow.
    """
    weather = pressure = None
    for source in campaign.weather:
        record = records.get(source.id)
        series = None if record is None else record_series(run, record, source.max_age)
        if record is None or series is None:
            continue
        if weather is None:
            weather = pd.Series(series.value, index=series.time)
        if pressure is None:
            pressure = during_run(run, record, source.max_age, "station_pressure")
    return cross_checks(
        run,
        weather=weather,
        station_pressure=pressure,
        displacement=campaign.vehicle.displacement,
        airflow_label=airflow_label,
    )


def cross_check_rows(
    campaign: Campaign, drives: tuple[Drive, ...], records: Mapping[str, WeatherRecord]
) -> tuple[CrossCheckRow, ...]:
    """Return the cross checks of all runs; they flag, and alter nothing."""
    return tuple(
        CrossCheckRow(drive.entry.id, found.name, found.channels, found.status, found.evidence)
        for drive in drives
        for found in cross_check(campaign, drive.clean, records, _airflow_label(campaign, drive))
    )


def _airflow_label(campaign: Campaign, drive: Drive) -> str:
    """Return the unit that the campaign's mapping gives the airflow."""
    for target in campaign.log_of(drive.entry).columns.values():
        name, _, unit = target.partition("[")
        if name.strip() == "maf" and unit:
            return unit.rstrip("] ")
    return "g/s"
