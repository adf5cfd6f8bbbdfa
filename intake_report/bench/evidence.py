"""Restriction, exposure and serviceability of a campaign, read and summarised as its file says."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from intake_report.bench.restriction import (
    RESTRICTION_COLUMNS,
    RestrictionFit,
    RestrictionSet,
    comparable_quote,
    fit_restriction,
    restriction_set,
)
from intake_report.bench.trials import service_times, summarise_exposure
from intake_report.campaign import Campaign
from intake_report.campaign.evidence import Restriction
from intake_report.errors import DataError
from intake_report.loaders import read_columns
from intake_report.report_table import frame_of


@dataclass(frozen=True, eq=False)
class BenchResult:
    """Evidence from off the road; see `summarise_exposure` and `service_times`; remarks are entries without a time.

    `quotes` are percentages of airflow as somebody quotes them, each with what its depressions allow (`standing`).
    """

    restrictions: tuple[RestrictionSet, ...]
    exposures: pd.DataFrame
    services: pd.DataFrame
    remarks: pd.DataFrame
    quotes: pd.DataFrame


def bench_evidence(campaign: Campaign) -> BenchResult | None:
    """Everything the campaign's restriction, exposure and service entries say; None if it has none.

    Raises DataError: anything the readers and summaries refuse; two curves of one configuration from one source.
    """
    if not (campaign.restrictions or campaign.airflows or campaign.exposures or campaign.observations):
        return None
    level, where = campaign.metrics.confidence, "exposure"
    try:
        exposures = summarise_exposure(campaign.exposures, level)
        where = "observation"
        services = service_times(campaign.observations, level)
    except DataError as error:
        raise DataError(error.what, file=campaign.file, where=where, remedy=error.remedy) from None
    baseline, bench = campaign.baseline.id, campaign.bench
    remark = ("configuration", "task", "note")
    remarks = [entry for entry in campaign.observations if entry.time is None or entry.note]
    quoted = ("configuration", "versus", "more", "depression", "versus_depression", "source")
    quotes = [
        {name: getattr(entry, name) for name in quoted}
        | {"versus": entry.versus or baseline, "standing": comparable_quote(entry.depression, entry.versus_depression)}
        for entry in campaign.airflows
    ]
    return BenchResult(
        restrictions=tuple(
            restriction_set(source, fits, baseline, bench.airflow, bench.depression)
            for source, fits in _fits(campaign).items()
        ),
        exposures=exposures,
        services=services,
        remarks=frame_of(({name: getattr(entry, name) for name in remark} for entry in remarks), remark),
        quotes=frame_of(quotes, (*quoted, "standing")),
    )


def _fits(campaign: Campaign) -> dict[str, list[RestrictionFit]]:
    """Return the fitted curves by source."""
    groups: dict[str, list[RestrictionFit]] = {}
    for entry in campaign.restrictions:
        group = groups.setdefault(entry.source, [])
        if any(other.configuration == entry.configuration for other in group):
            raise DataError(
                f"Configuration {entry.configuration} has two restriction curves of one source.",
                file=campaign.file,
                where="restriction",
                remedy="Put their points into one entry, or name different sources.",
            )
        group.append(_fit(campaign, entry))
    return groups


def _fit(campaign: Campaign, entry: Restriction) -> RestrictionFit:
    level = campaign.metrics.confidence
    if entry.file is None:
        points = [(point.airflow, point.drop) for point in entry.points]
        flows, drops = zip(*points, strict=True)
        return fit_restriction(entry.configuration, flows, drops, level=level, file=str(campaign.file))
    path = campaign.folder / entry.file
    table = read_columns(path, entry.columns, RESTRICTION_COLUMNS)
    absent = [name for name in RESTRICTION_COLUMNS if name not in table]
    if absent:
        raise DataError(f"No column is mapped to {absent[0]}.", file=path, remedy="Map airflow and drop.")
    return fit_restriction(entry.configuration, table["airflow"], table["drop"], level=level, file=str(path))
