"""The pulls of a campaign, read and analysed as its file says."""

from __future__ import annotations

from intake_report.campaign import Campaign
from intake_report.dyno.pulls import Pull, parse_driveline_loss
from intake_report.dyno.session import DynoResult, DynoSettings, WarmUpRule, analyse_pulls
from intake_report.dyno.table import read_pull


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
        aspiration=section.aspiration or campaign.vehicle.aspiration or "natural",
        grid=section.grid,
        smoothing=section.smoothing or 0.0,
        warm_up=WarmUpRule(first=section.warm_up_pulls),
        driveline_loss=parse_driveline_loss(section.driveline_loss) if section.driveline_loss else None,
        elevation=elevation,
        level=campaign.metrics.confidence,
    )


def dyno_evidence(campaign: Campaign, elevation: float | None = None) -> DynoResult | None:
    """Everything the pulls of a campaign say; None if it has none.

    Raises
    ------
    DataError
        Anything `read_pulls` or `session.analyse_pulls` refuses.
    """
    if not campaign.pulls:
        return None
    return analyse_pulls(read_pulls(campaign, elevation), campaign.baseline.id, dyno_settings(campaign, elevation))
