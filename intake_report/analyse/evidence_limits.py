"""Limitations of the evidence beside the road logs; each has a code, a sentence with its numbers, and what removes it."""

from __future__ import annotations

from collections.abc import Iterator

from intake_report import formatting
from intake_report.campaign import Campaign
from intake_report.dyno import DynoResult
from intake_report.formatting import count, listing
from intake_report.messages import said
from intake_report.results import Limitation
from intake_report.results.evidence import Evidence, WeatherEvidence
from intake_report.results.evidence_text import in_turn

EXCLUDED_CHANCE = 0.10  # a bound above it leaves a chance that matters in use (a choice of this package)


def evidence_limitations(campaign: Campaign, evidence: Evidence) -> tuple[Limitation, ...]:
    """Return what the evidence beside the road logs cannot show, in the order of the report's sections."""
    found = list(_weather(campaign, evidence))
    if evidence.dyno is not None:
        found += _dyno(campaign, evidence.dyno)
    found += _bench(campaign, evidence)
    found += _exposure(campaign, evidence)
    if evidence.untested:
        found.append(
            Limitation(
                "not-tested",
                f"Not tested in this campaign: {listing(evidence.untested)}; nothing is said about "
                f"{'it' if len(evidence.untested) == 1 else 'them'}.",
                "Tests of them.",
            )
        )
    return tuple(found)


def _weather(campaign: Campaign, evidence: Evidence) -> Iterator[Limitation]:
    questioned = [n for n in evidence.notices if n.code in ("pressure-questioned", "pressures-differ")]
    if questioned:
        yield Limitation(
            "pressure-questioned",
            f"The station pressure is in question ({said(questioned[0].text, campaign.about.units).rstrip('.')}): air density and density altitude may be off "
            "by as much.",
            "Declare the kind of the pressure and the elevation of its source.",
        )
    contradicted = [n for n in evidence.notices if n.code == "declared-contradicts"]
    if contradicted:
        runs = list(dict.fromkeys(n.source for n in contradicted))
        yield Limitation(
            "weather-contradicts",
            f"{listing(runs)}: {contradicted[0].text}",
            "A note of the driver on rain and road at the time.",
        )
    without = [r.run for r in evidence.weather.runs if r.density is None]
    if without:
        who = "any run" if len(without) == len(evidence.weather.runs) else listing(without)
        yield Limitation(
            "no-density",
            f"Air density is not known for {who}: no source has temperature, station pressure and humidity near it.",
            "Weather reports with their station's elevation, over the time of every run.",
        )
    yield from _forecasts(campaign, evidence.weather)


def _forecasts(campaign: Campaign, weather: WeatherEvidence) -> Iterator[Limitation]:
    beyond = [f for f in weather.forecasts if f.within is False and f.difference is not None]
    if beyond:
        worst = max(beyond, key=lambda f: abs(f.difference or 0.0))
        units = campaign.about.units
        size = formatting.with_unit(worst.difference, "temperature_difference", units, 1, signed=True)
        yield Limitation(
            "forecast-missed",
            f"{listing([f.run for f in beyond])}: mean ambient came otherwise than forecast by more than "
            f"{formatting.margin(weather.forecast_limit, units)} (common practice), at most by {size} in {worst.run}.",
            "Runs on days that come as forecast; the acceptance criterion on ambient decides.",
        )


def _dyno(campaign: Campaign, dyno: DynoResult) -> Iterator[Limitation]:
    units = campaign.about.units
    by_text: dict[str, list[str]] = {}
    for entry in dyno.corrections:
        for limitation in entry.correction.limitations:
            by_text.setdefault(said(limitation, units), []).append(entry.pull)
    for text, pulls in by_text.items():
        yield Limitation(
            "correction-range",
            f"{text} ({'pull' if len(pulls) == 1 else 'pulls'} {listing(pulls)})",
            "Pulls in air nearer to the reference state, or a method that covers this one.",
        )
    edge = [f.pull for f in dyno.figures if f.peak_at_edge]
    if edge:
        yield Limitation(
            "peak-at-edge",
            f"The highest power of {len(edge)} of {count(len(dyno.figures), 'pull')} lies at an end of the common band of engine "
            f"speed ({dyno.grid.low:.0f} to {dyno.grid.high:.0f} rpm): their peak may lie outside it.",
            "Pulls to a higher engine speed; the mean over the band does not depend on it.",
        )
    counts: dict[str, int] = {}
    for figure in dyno.figures:
        counts[figure.configuration] = counts.get(figure.configuration, 0) + 1
    if dyno.baseline not in counts:
        yield Limitation(
            "no-baseline-pull",
            f"{campaign.baseline.name} has no pull that counts: no difference of power or torque is given.",
            f"Pulls of {campaign.baseline.name} in the same session.",
        )
    single = [campaign.configuration(id).name for id, n in counts.items() if n == 1]
    if single:
        yield Limitation(
            "one-pull",
            f"{listing(single)} {'has' if len(single) == 1 else 'have'} one pull: its scatter is not known.",
            "Three pulls or more of each configuration.",
        )
    untold = [id for id in (c.id for c in campaign.configurations) if id not in counts]
    if untold and dyno.baseline in counts:
        names = [campaign.configuration(id).name for id in untold]
        yield Limitation(
            "no-pull", f"{listing(names)} {'was' if len(names) == 1 else 'were'} not pulled.", "Pulls of it."
        )
    for drift in dyno.drifts:
        if drift.covariate == "pull order" and not in_turn(dyno) and len(counts) > 1:
            yield Limitation(
                "pull-order",
                "The configurations were pulled one after the other, not in turn: a drift of the session (heat soak of the dyno "
                "day) cannot be told from a difference between them.",
                "Pulls of the configurations in turn.",
            )
        if drift.detected and drift.over_span is not None:
            size = formatting.with_unit(drift.over_span, "power", units, 2, signed=True)
            yield Limitation(
                "session-drift",
                f"Mean power changed by {size} over the range of the {drift.covariate} within the session; the comparison is not "
                "adjusted for it.",
                "Pulls in turn, at equal intervals, with the engine and the rollers at steady temperature.",
            )
    if "estimated" in dyno.basis:
        yield Limitation(
            "driveline-assumed",
            f"Engine figures are {dyno.basis.partition(', ')[2]}: they were not measured.",
            "Figures at the wheel, or an engine dyno.",
        )


def _bench(campaign: Campaign, evidence: Evidence) -> Iterator[Limitation]:
    if evidence.bench is None:
        return
    for found in evidence.bench.restrictions:
        source = found.source or "bench"
        if found.airflow is None:
            yield Limitation(
                "no-common-airflow", f"Restriction ({source}): {found.reason}", "Curves over one range of airflow."
            )
        if found.fits:
            yield Limitation(
                "one-series",
                f"Restriction and airflow ({source}) are from one series of each of {count(len(found.fits), 'configuration')}: fit "
                "only, no repeat measurement. Their intervals and percentages do not hold what fitting the part anew, leaks and "
                "the bench's own drift would change.",
                "Three series of each configuration, the part taken off and fitted again between them, configurations in turn.",
            )
        missing = [c.name for c in campaign.configurations if all(f.configuration != c.id for f in found.fits)]
        if missing:
            yield Limitation(
                "no-restriction",
                f"Restriction ({source}) was not measured of {listing(missing)}.",
                "A curve of every configuration on the same bench.",
            )
        notes = [f"{campaign.configuration(f.configuration).name}: {f.note}" for f in found.fits if f.note]
        if notes:
            yield Limitation(
                "restriction-curve", f"Restriction ({source}): {'; '.join(notes)}.", "Five points or more per curve."
            )


def _exposure(campaign: Campaign, evidence: Evidence) -> Iterator[Limitation]:
    if evidence.bench is None:
        return
    found = evidence.bench.exposures
    open_ = [e for e in found if e.bound.k == 0 and e.bound.high > EXCLUDED_CHANCE]
    if open_:
        parts = [
            f"{campaign.configuration(e.configuration).name}: {e.bound.k} of {e.bound.n} {e.condition}" for e in open_
        ]
        chances = [100.0 * e.bound.high for e in open_]
        low, high = (formatting.number(chance, 0) for chance in (min(chances), max(chances)))
        yield Limitation(
            "few-trials",
            f"Trials without an adverse observation ({'; '.join(parts)}) leave a chance per trial of up to "
            f"{low if low == high else f'{low} to {high}'} % at {formatting.number(100.0 * open_[0].bound.level, 0)} % confidence "
            "(one-sided).",
            "More trials: 59 without an adverse observation bound the chance by 5 % at 95 % confidence.",
        )
    for condition in dict.fromkeys(e.condition for e in found):
        missing = [
            c.name
            for c in campaign.configurations
            if all(e.configuration != c.id for e in found if e.condition == condition)
        ]
        if missing:
            yield Limitation(
                "exposure-partial",
                f"No {condition} trial of {listing(missing)}: {'it is' if len(missing) == 1 else 'they are'} not compared in this.",
                f"Like {condition} trials of every configuration.",
            )
    single = [s for s in evidence.bench.services if s.minutes.n == 1]
    if single:
        names = [f"“{s.task}” on {campaign.configuration(s.configuration).name}" for s in single]
        yield Limitation("one-timing", f"Timed once only: {listing(names)}.", "Three timings or more by one person.")
