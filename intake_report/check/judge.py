"""One run of a campaign among the others: on the route, with every acceptance criterion."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from intake_report import formatting
from intake_report.align import AlignedRun, Alignment
from intake_report.align.comparability import Check, Comparability, assess
from intake_report.align.criteria import CRITERIA, AcceptanceLimit
from intake_report.align.facts import Facts
from intake_report.analyse.acceptance import acceptance_limits, conditions_of, quantity_of
from intake_report.analyse.ambient import choose_ambient
from intake_report.analyse.describe import cross_check
from intake_report.analyse.inputs import (
    align_logs,
    align_settings,
    clean_logs,
    load_one,
    pair,
    weather_records,
)
from intake_report.analyse.mistakes import limit_mistakes, refuse
from intake_report.campaign import Campaign, Run
from intake_report.check.campaigns import present
from intake_report.check.model import CriterionCheck, Drive, PairCheck, PhaseTime
from intake_report.check.wording import plain
from intake_report.clean import CleanRun, CrossCheck
from intake_report.errors import IntakeReportError
from intake_report.weather import WeatherRecord

_OWN_QUANTITY = {
    "ambient": "temperature", "start-coolant": "temperature", "start-over-ambient": "temperature_difference",
    "stop-time": "time", "stops": "count", "ramp-acceleration": "acceleration", "time-of-day": "clock", "wind": "speed",
}  # fmt: skip


@dataclass(frozen=True)
class Judged:
    """What the campaign says about one run."""

    drive: Drive
    criteria: tuple[CriterionCheck, ...]
    pairs: tuple[PairCheck, ...]
    limitations: tuple[str, ...]
    notes: tuple[str, ...]
    compared: tuple[str, ...]
    ambient_known: bool


@dataclass
class Court:
    """A campaign with its readable runs; a run is aligned with the others once, however many logs are judged.

    Parameters
    ----------
    campaign : Campaign
        As loaded.
    cleaned : dict of run id to CleanRun
        Filled by `summon`; runs that are checked themselves come in by `admit`, so that no log is read twice.
    """

    campaign: Campaign
    cleaned: dict[str, CleanRun] = field(default_factory=dict)
    unread: dict[str, str] = field(default_factory=dict)
    limits: dict[str, AcceptanceLimit] = field(default_factory=dict)
    records: dict[str, WeatherRecord] = field(default_factory=dict)
    _aligned: dict[tuple[int, ...], Alignment] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Read limits and weather, so that a mistake in them is reported before any log is judged."""
        refuse(limit_mistakes(self.campaign))
        self.limits = acceptance_limits(self.campaign)
        self.records = weather_records(self.campaign)

    def admit(self, run: CleanRun) -> None:
        """Take a run of the campaign that has been cleaned already."""
        self.cleaned[run.run] = run

    def summon(self, leave_out: Sequence[str] = ()) -> None:
        """Read and clean the other runs; one that cannot be read is left out and remembered."""
        for entry in self.campaign.runs:
            if entry.id in self.cleaned or entry.id in self.unread or entry.id in leave_out:
                continue
            if not present(self.campaign, entry):
                continue
            try:
                (self.cleaned[entry.id],) = clean_logs(self.campaign, (load_one(self.campaign, entry),))
            except IntakeReportError as error:
                self.unread[entry.id] = str(error)

    def judge(self, entry: Run, run: CleanRun) -> Judged:
        """Compare one run with the others.

        Parameters
        ----------
        entry : Run
            Its entry in the campaign, or one made up for a candidate.
        run : CleanRun
            Its log.

        Raises
        ------
        DataError
            If no run can be put on a route.
        """
        entries = [e for e in self.campaign.runs if e.id in self.cleaned and e.id != entry.id]
        entries = [e for e in entries if self.cleaned[e.id].has("speed") or self.cleaned[e.id].has("latitude")]
        place = next((i for i, e in enumerate(self.campaign.runs) if e.id == entry.id), len(self.campaign.runs))
        before = sum(1 for e in entries if self.campaign.runs.index(e) < place)
        entries.insert(before, entry)
        runs = tuple(run if e is entry else self.cleaned[e.id] for e in entries)
        campaign = self._with(entries)
        key = tuple(id(one) for one in runs)
        if key not in self._aligned:
            self._aligned[key] = align_logs(campaign, runs)
        alignment = self._aligned[key]
        drives = pair(campaign, runs, alignment)
        ambient = choose_ambient(campaign, drives, self.records)
        conditions = {drive.entry.id: conditions_of(drive, ambient, self.records, self.campaign) for drive in drives}
        others = tuple(e.id for e in entries if e is not entry)
        found = assess(
            alignment, align_settings(campaign), conditions, self.limits, [(entry.id, other) for other in others]
        )
        aligned = alignment.run(entry.id)
        alone = not others and self.campaign.route.reference is None
        return Judged(
            drive=_drive(aligned),
            criteria=tuple(_criterion(c, found, entry.id, alone) for c in found.checks if c.runs == (entry.id,)),
            pairs=tuple(_pair(c, entry.id) for c in found.pairs),
            limitations=tuple(plain(f.text) for f in aligned.findings if not f.hard),
            notes=tuple(plain(note) for note in self._notes(alignment, found, entry, others)),
            compared=others,
            ambient_known=entry.id in ambient.series,
        )

    def _notes(self, alignment: Alignment, found: Comparability, entry: Run, others: Sequence[str]) -> Iterator[str]:
        """Yield how the run was put on the route, which runs it was compared with, and why the rest does not count."""
        yield from alignment.notes
        yield from alignment.run(entry.id).notes
        if others:
            yield f"Compared with {formatting.listing(list(others))}."
        for id, why in found.excluded().items():
            if id in others:
                yield f"The run {id} does not count in the median of the runs: {' '.join(why)}"
        for other in self.campaign.runs:
            if other.id in self.unread:
                yield f"The run {other.id} could not be read: {self.unread[other.id]}"
            elif other.id in self.cleaned and other.id not in (entry.id, *others):
                yield f"The run {other.id} does not count: its log has neither a speed nor a position."
            elif not present(self.campaign, other) and other.id != entry.id:
                yield f"The run {other.id} does not count: its log is not there yet."
        if not self.campaign.route.phases:
            yield (
                "The campaign states no [[route.phase]], so that highway entry, ramp and recovery cannot be judged; the report "
                "proposes phases in its section “The same place”."
            )

    def _with(self, entries: Sequence[Run]) -> Campaign:
        route = self.campaign.route
        if route.reference_run is not None and route.reference_run not in {e.id for e in entries}:
            route = route.model_copy(update={"reference_run": None})
        return self.campaign.model_copy(update={"runs": tuple(entries), "route": route})

    def cross_check(self, run: CleanRun, airflow_label: str) -> tuple[CrossCheck, ...]:
        """Run the cross checks with what the campaign knows: weather, pressure, displacement."""
        return cross_check(self.campaign, run, self.records, airflow_label)


def _drive(aligned: AlignedRun) -> Drive:
    distance = aligned.distance.dropna()
    return Drive(
        distance=float(distance.iloc[-1] - distance.iloc[0]) if len(distance) else None,
        coverage=float(aligned.coverage),
        stops=len(aligned.stops),
        stopped=float(sum(stop.duration for stop in aligned.stops)),
        highway_entry=None if aligned.highway_entry is None else float(aligned.highway_entry),
        phases=tuple(PhaseTime(s.phase, float(s.start), float(s.end), s.complete) for s in aligned.phases),
    )


def _criterion(check: Check, found: Comparability, run: str, alone: bool) -> CriterionCheck:
    spec, facts = CRITERIA[check.code], found.facts[run]
    outcome, value, reason = check.outcome, check.value, plain(check.reason)
    if alone and check.code in ("coverage", "cross-track"):
        # the path was drawn from this very run
        outcome, value, reason = "unknown", None, "the route is known from this run alone"
    return CriterionCheck(
        code=check.code,
        title=check.title,
        group="route" if spec.scope == "run" else "alike",
        quantity=quantity_of(check.code),
        sense=spec.sense,
        limit=float(check.limit),
        value=None if value is None else float(value),
        own=_own(check.code, facts),
        own_quantity=_OWN_QUANTITY.get(check.code, ""),
        hard=check.hard,
        outcome=outcome,
        reason=reason,
    )


def _own(code: str, facts: Facts) -> float | None:
    value = facts.by_code.get(code) if code in _OWN_QUANTITY else None
    return None if value is None else float(value)


def _pair(check: Check, run: str) -> PairCheck:
    other = next(id for id in check.runs if id != run)
    value = None if check.value is None else float(check.value)
    return PairCheck(check.code, other, quantity_of(check.code), float(check.limit), value, check.outcome)
