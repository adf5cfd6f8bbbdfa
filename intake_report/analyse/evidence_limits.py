"""Limitations of the evidence beside the road logs."""

from collections import Counter
from collections.abc import Iterator, Mapping

from intake_report.analyse.limitations.findings import all_of, declare, limitation
from intake_report.bench import BenchResult
from intake_report.campaign import Campaign
from intake_report.dyno import DynoResult
from intake_report.messages import Count, Interval, Listing, Message, Part, Value, message
from intake_report.report_table import rows_of
from intake_report.results import Limitation
from intake_report.results.evidence import Evidence

EXCLUDED_CHANCE = 0.10  # a bound above it leaves a chance that matters in use (a choice of this package)


declare(
    ("pressure-questioned", 350, "values", "the station pressure is in question",
     "The station pressure is in question: {notice} Air density and density altitude may be off by as much.",
     "Declare the kind of the pressure and the elevation of its source."),
    ("weather-contradicts", 360, "values", "a weather report contradicts what was declared",
     "{runs}: {notice}", "A note of the driver on rain and road at the time."),
    ("no-density", 420, "values", "air density is not known for some runs",
     "Air density is not known for {runs}: no source has temperature, station pressure and humidity near it.",
     "Weather reports with their station's elevation, over the time of every run."),
    ("forecast-missed", 430, "values", "ambient differed from the forecast",
     "{runs}: mean ambient differed from the forecast by more than {limit} (common practice), at most by "
     "{size}{worst}.",
     "Runs on days that come as forecast; the acceptance criterion on ambient decides."),
    ("correction-range", 345, "power", "a power correction is outside its range",
     "{what} ({pulls:pull|pulls} {pulls}).",
     "Pulls in air nearer to the reference state, or a method that covers this one."),
    ("peak-at-edge", 346, "power", "peak power may lie outside the pulls",
     "The highest power of {edge} of {pulls} lies at an end of the common band of engine speed ({band}): their peak "
     "may lie outside it.",
     "Pulls to a higher engine speed; the mean over the band does not depend on it."),
    ("typed-figures", 344, "power", "power and torque were typed from what the dyno printed",
     "Power and torque were typed from what the dyno printed (correction: {printed}). Without curves there is no "
     "common band of engine speed, torque cannot be held against power, and what smoothing did to a peak is not known.",
     "Export of the pulls as curves, uncorrected, with the air of the cell."),
    ("cell-unknown", 343, "power", "the air of the dyno cell is not known",
     "The air of the cell is not known for {pulls:pull|pulls} {pulls}: what its changes did to power stays in the "
     "figures.",
     "Temperature, station pressure and humidity of the cell beside every pull."),
    ("no-baseline-pull", 205, "power", "the baseline was not pulled on the dyno",
     "{baseline} has no pull that counts: no difference of power or torque is given.",
     "Pulls of {baseline} in the same session."),
    ("one-pull", 215, "power", "a configuration has one pull only",
     "{names} {names:has|have} one pull: its scatter is not known.", "Three pulls or more of each configuration."),
    ("no-pull", 445, "power", "some configurations were not pulled",
     "{names} {names:was|were} not pulled.", "Pulls of {names:it|them}."),
    ("pull-order", 130, "power", "configurations were pulled one after the other on the dyno",
     "The configurations were pulled one after the other, not in turn: a drift of the session (heat soak of the dyno "
     "day) cannot be told from a difference between them.",
     "Pulls of the configurations in turn."),
    ("session-drift", 240, "power", "power drifted within the dyno session",
     "{figure:upper} changed by {size} over the range of the {covariate} within the session; the comparison is not "
     "adjusted for it.",
     "Pulls in turn, at equal intervals, with the engine and the rollers at steady temperature."),
    ("driveline-assumed", 347, "power", "engine figures rest on an assumed driveline loss",
     "Engine figures are estimated with {assumption}: they were not measured.",
     "Figures at the wheel, or an engine dyno."),
    ("no-common-airflow", 206, "bench", "restriction curves share no airflow",
     "Restriction ({source}): {reason}", "Curves over one range of airflow."),
    ("one-series", 250, "bench", "restriction was measured in one series only",
     "Restriction and airflow ({source}) are from one series of each of {n}: fit only, no repeat measurement. Their "
     "intervals and percentages do not hold what fitting the part anew, leaks and the bench's own drift would change.",
     "Three series of each configuration, the part taken off and fitted again between them, configurations in turn."),
    ("quoted-airflow", 342, "bench", "airflow is as quoted and was not measured",
     "Airflow of {names} is as quoted and was not measured in this campaign; {unlike} of {n} "
     "{unlike:does|do} not compare like with like.",
     "A flow bench curve of each configuration, or both airflows at one stated depression on one bench."),
    ("no-restriction", 446, "bench", "restriction was not measured of every configuration",
     "Restriction ({source}) was not measured of {names}.", "A curve of every configuration on the same bench."),
    ("restriction-curve", 348, "bench", "a restriction curve is unusual or has few points",
     "Restriction ({source}): {notes}.", "Five points or more per curve."),
    ("few-trials", 349, "bench", "few exposure trials leave a chance open",
     "Trials without an adverse observation ({trials}) leave a chance per trial of up to {chance} at {level} "
     "confidence (one-sided).",
     "More trials: 59 without an adverse observation bound the chance by 5 % at 95 % confidence."),
    ("exposure-partial", 447, "bench", "some configurations had no like exposure trial",
     "No {condition} trial of {names}: {names:it is|they are} not compared here.",
     "Like {condition} trials of every configuration."),
    ("one-timing", 448, "bench", "a task was timed once only",
     "Timed once only: {tasks}.", "Three timings or more by one person."),
    ("not-tested", 490, "bench", "some kinds of test were not made",
     "Not tested in this campaign: {kinds}; nothing is said about {kinds:it|them}.", "Tests of them."),
)  # fmt: skip


def evidence_limitations(campaign: Campaign, evidence: Evidence) -> tuple[Limitation, ...]:
    """Return what the evidence beside the road logs cannot show, in the order of the report's sections."""
    names = {c.id: c.name for c in campaign.configurations}
    limits = list(_weather(evidence))
    if evidence.dyno is not None:
        limits += dyno_limitations(evidence.dyno, names)
    if evidence.bench is not None:
        limits += [*_bench(evidence.bench, names), *_trials(evidence.bench, names)]
    if evidence.untested:
        limits.append(limitation("not-tested", kinds=Listing(evidence.untested)))
    return tuple(limits)


def _weather(evidence: Evidence) -> Iterator[Limitation]:
    if questioned := [n for n in evidence.notices if n.code in ("pressure-questioned", "pressures-differ")]:
        yield limitation("pressure-questioned", notice=questioned[0].text)
    if contradicted := [n for n in evidence.notices if n.code == "declared-contradicts"]:
        runs = all_of(notice.source for notice in contradicted)
        yield limitation("weather-contradicts", runs=runs, notice=contradicted[0].text)
    if without := [r.run for r in evidence.weather.runs if r.density is None]:
        every = len(without) == len(evidence.weather.runs)
        yield limitation("no-density", runs="any run" if every else all_of(without))
    if beyond := [f for f in rows_of(evidence.weather.forecasts) if f.within is False]:
        worst = max(beyond, key=lambda f: abs(f.difference or 0.0))
        size = Value(worst.difference, "temperature_difference", 1, signed=True)
        limit = Value(evidence.weather.forecast_limit, "margin")
        where = message(" in {run}", run=worst.run) if len(beyond) > 1 else ""
        yield limitation("forecast-missed", runs=all_of(f.run for f in beyond), limit=limit, size=size, worst=where)


def dyno_limitations(dyno: DynoResult, names: Mapping[str, str]) -> Iterator[Limitation]:
    """Yield what the pulls cannot show; `names` of all configurations by their ids, in order."""
    by_reason: dict[Message, list[str]] = {}
    for row in rows_of(dyno.figures):
        for reason in row.limitations:
            by_reason.setdefault(reason, []).append(row.pull)
    for reason, pulls in by_reason.items():
        yield limitation("correction-range", what=reason, pulls=all_of(pulls))
    if dyno.grid is None:
        yield limitation("typed-figures", printed=dyno.printed)
        if unknown := dyno.figures.loc[dyno.figures["cell_temperature"].isna(), "pull"].tolist():
            yield limitation("cell-unknown", pulls=all_of(unknown))
    elif edge := int(dyno.figures["peak_at_edge"].sum()):
        band = Interval(dyno.grid.low, dyno.grid.high, "engine_speed", 0)
        yield limitation("peak-at-edge", edge=edge, pulls=Count(len(dyno.figures), "pull"), band=band)
    counts = Counter(dyno.figures["configuration"].tolist())
    if dyno.baseline not in counts:
        yield limitation("no-baseline-pull", baseline=names[dyno.baseline])
    if single := [names[id] for id, n in counts.items() if n == 1]:
        yield limitation("one-pull", names=all_of(single))
    without = [name for id, name in names.items() if id not in counts]
    if without and dyno.baseline in counts:
        yield limitation("no-pull", names=all_of(without))
    if not dyno.in_turn and len(counts) > 1:
        yield limitation("pull-order")
    for drift in (drift for drift in dyno.drifts if drift.detected):
        size = Value(drift.over_span, drift.of, 2, signed=True)
        yield limitation("session-drift", figure=drift.figure, size=size, covariate=drift.covariate)
    if dyno.assumption:
        yield limitation("driveline-assumed", assumption=dyno.assumption)


def _bench(bench: BenchResult, names: Mapping[str, str]) -> Iterator[Limitation]:
    if quotes := list(rows_of(bench.quotes)):
        unlike = sum(quote.standing.code != "equal" for quote in quotes)
        of = all_of(names[quote.configuration] for quote in quotes)
        yield limitation("quoted-airflow", names=of, unlike=unlike, n=Count(len(quotes), "percentage"))
    for curves in bench.restrictions:
        source = curves.source or "bench"
        if curves.airflow is None:
            yield limitation("no-common-airflow", source=source, reason=curves.reason)
        yield limitation("one-series", source=source, n=Count(len(curves.fits), "configuration"))
        fitted = {fit.configuration: fit.note for fit in curves.fits}
        if missing := [name for id, name in names.items() if id not in fitted]:
            yield limitation("no-restriction", source=source, names=all_of(missing))
        if notes := [message("{name}: {note}", name=names[id], note=note) for id, note in fitted.items() if note]:
            yield limitation("restriction-curve", source=source, notes=all_of(notes, ";"))


def _trials(bench: BenchResult, names: Mapping[str, str]) -> Iterator[Limitation]:
    rows = list(rows_of(bench.exposures))
    if open_ := [e for e in rows if e.k == 0 and e.high > EXCLUDED_CHANCE]:
        template, chances = "{name}: {k} of {n} {condition}", [100.0 * e.high for e in open_]
        trials = [message(template, name=names[e.configuration], k=e.k, n=e.n, condition=e.condition) for e in open_]
        chance: Part = Interval(min(chances), max(chances), "ratio", 0)
        if round(min(chances)) == round(max(chances)):
            chance = Value(max(chances), "ratio", 0)
        level = Value(100.0 * open_[0].level, "ratio", 0)
        yield limitation("few-trials", trials=all_of(trials, ";"), chance=chance, level=level)
    for condition in dict.fromkeys(e.condition for e in rows):
        tried = {e.configuration for e in rows if e.condition == condition}
        if missing := [name for id, name in names.items() if id not in tried]:
            yield limitation("exposure-partial", condition=condition, names=all_of(missing))
    if once := [s for s in rows_of(bench.services) if s.n == 1]:
        tasks = (message("“{task}” on {name}", task=s.task, name=names[s.configuration]) for s in once)
        yield limitation("one-timing", tasks=all_of(tasks))
