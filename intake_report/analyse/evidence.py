"""Evidence beside the road logs, joined: weather, air, dyno, restriction, exposure, service."""

from __future__ import annotations

import pandas as pd

from intake_report.analyse.air_evidence import air_evidence
from intake_report.analyse.inputs import Drive
from intake_report.analyse.road_airflow import road_airflow
from intake_report.bench import BenchResult, bench_evidence, theoretical_volume_flow
from intake_report.campaign import Campaign
from intake_report.dyno import DynoResult, dyno_evidence
from intake_report.metrics import RunSeries
from intake_report.results.evidence import Evidence, EvidenceNotice, TheoreticalAirflow, WeatherEvidence

# What a campaign may test beside the road, and how a reader calls it.
KINDS = ("power on a dyno", "restriction", "wet exposure", "dusty exposure", "hot exposure", "time to service")


def gather_evidence(
    campaign: Campaign,
    drives: tuple[Drive, ...],
    series: tuple[RunSeries, ...],
    weather: WeatherEvidence,
    notices: tuple[EvidenceNotice, ...],
    conditions: pd.DataFrame,
) -> Evidence:
    """Read and summarise everything that the campaign has beside its road logs.

    Parameters
    ----------
    campaign : Campaign
        Pulls, restriction, exposure and service entries.
    drives : tuple of Drive
        All runs.
    series : tuple of RunSeries
        Those that take part in the comparison, as the metrics see them.
    weather, notices, conditions
        Air and ambient of all runs, and what was noticed in the weather sources.

    Raises
    ------
    DataError
        If a pull, a curve or a trial cannot be used; the file and the line or key are named.
    """
    dyno, bench = dyno_evidence(campaign), bench_evidence(campaign)
    tested = _tested(campaign)
    used = {run.run for run in series}
    if dyno is not None:
        notices += tuple(EvidenceNotice("dyno", "pull", note) for note in dyno.notes)
    return Evidence(
        weather=weather,
        air=air_evidence(campaign, series, conditions, weather.runs),
        dyno=dyno,
        bench=bench,
        road=road_airflow(campaign, tuple(drive for drive in drives if drive.entry.id in used), weather.runs),
        theoretical=_theoretical(campaign, dyno, bench),
        tested=tested,
        untested=tuple(kind for kind in KINDS if kind not in tested),
        notices=notices,
    )


def _tested(campaign: Campaign) -> tuple[str, ...]:
    has = {
        "power on a dyno": bool(campaign.pulls),
        "restriction": bool(campaign.restrictions),
        "time to service": any(o.time is not None for o in campaign.observations),
    } | {f"{entry.condition} exposure": True for entry in campaign.exposures}
    return tuple(kind for kind in KINDS if has.get(kind))


def _theoretical(campaign: Campaign, dyno: DynoResult | None, bench: BenchResult | None) -> TheoreticalAirflow | None:
    """Return what the engine displaces at the highest engine speed that all pulls reach."""
    displacement = campaign.vehicle.displacement
    if dyno is None or not displacement:
        return None
    airflow = theoretical_volume_flow(displacement, dyno.grid.high)
    common = next((s.airflow for s in bench.restrictions if s.airflow is not None), None) if bench else None
    return TheoreticalAirflow(dyno.grid.high, airflow, None if common is None else 100.0 * common / airflow)
