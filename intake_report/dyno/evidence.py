"""The pulls of a campaign, read and analysed as its file says."""

from __future__ import annotations

from intake_report.campaign import Campaign
from intake_report.dyno.pulls import Pull, parse_driveline_loss
from intake_report.dyno.session import DynoResult, DynoSettings, WarmUpRule, analyse_pulls
from intake_report.dyno.table import read_pull
from intake_report.errors import DataError


def read_pulls(campaign: Campaign, elevation: float | None = None) -> tuple[Pull, ...]:
    """Read all pulls of a campaign.

    Parameters
    ----------
    elevation : float, optional
        Of the test cell [m], to question pressures reduced to sea level.

    Raises
    ------
    DataError
        Anything `table.read_pull` refuses, with the file.
    """
    return tuple(
        read_pull(
            campaign.folder / entry.file,
            entry.columns,
            id=entry.id,
            configuration=entry.configuration,
            measured_at=entry.measured_at,
            order=entry.order,
            session=entry.session or "",
            time=entry.time,
            cell_temperature=entry.cell_temperature,
            cell_pressure=entry.cell_pressure,
            cell_humidity=entry.cell_humidity,
            warm_up=entry.warm_up,
            elevation=elevation,
        )
        for entry in campaign.pulls
    )


def dyno_settings(campaign: Campaign, elevation: float | None = None) -> DynoSettings:
    """Return how the campaign wants its pulls to be treated; aspiration from [dyno], else [vehicle], else natural."""
    section = campaign.dyno
    return DynoSettings(
        correction=section.correction,
        air=section.air,
        aspiration=section.aspiration or campaign.vehicle.aspiration or "natural",
        grid=section.grid,
        smoothing=section.smoothing or 0.0,
        warm_up=WarmUpRule(section.warm_up_pulls, section.least_coolant),
        driveline_loss=parse_driveline_loss(section.driveline_loss) if section.driveline_loss else None,
        fuel_per_cycle=section.fuel_per_cycle,
        elevation=elevation,
        level=campaign.metrics.confidence,
    )


def dyno_evidence(campaign: Campaign, elevation: float | None = None) -> DynoResult | None:
    """Everything the pulls of a campaign say; None if it has none.

    Parameters
    ----------
    elevation : float, optional
        Of the test cell [m], where [dyno] does not state it.

    Raises
    ------
    DataError
        Anything `read_pulls` or `session.analyse_pulls` refuses, with the file and the pull or the table [dyno].
    """
    if not campaign.pulls:
        return None
    stated = campaign.dyno.elevation
    height = elevation if stated is None else stated
    pulls = read_pulls(campaign, height)
    try:
        return analyse_pulls(pulls, campaign.baseline.id, dyno_settings(campaign, height))
    except DataError as error:
        if error.file is not None:
            raise
        raise DataError(error.what, file=campaign.file, where="dyno", remedy=error.remedy) from None
