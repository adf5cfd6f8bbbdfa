"""What is known of one log on its way to a verdict; whatever goes wrong with it stays with it."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from intake_report import loaders
from intake_report.check import logs as looking
from intake_report.check import page
from intake_report.check.logs import CriterionCheck, LogCheck
from intake_report.clean import CleanRun, CrossCheck
from intake_report.errors import IntakeReportError
from intake_report.formatting import usual
from intake_report.loaders import Proposal, RawLog, ReadOptions
from intake_report.messages import said

_EITHER = "One of the two is wrong: correct the unit under [log.columns], or the label in the logger."
Crossed = Callable[[CleanRun], Sequence[CrossCheck]]


@dataclass
class Work:
    """What is known of a log so far; `failed` is the sentence that ended it."""

    check: LogCheck
    debug: bool
    logs: tuple[RawLog, ...] = ()
    proposals: tuple[Proposal, ...] = ()
    run: CleanRun | None = None
    ambient_elsewhere: bool = False
    failed: str = ""

    @contextmanager
    def attempt(self) -> Iterator[None]:
        """Take one step; where it fails, what is known so far stays: a fault with one log must not take the others with it."""
        try:
            yield
        except Exception as error:
            if self.debug:
                raise
            fault = f"A fault of the program ({type(error).__name__}: {error}); --debug shows where."
            text = str(error) if isinstance(error, IntakeReportError) else fault
            self.failed = self.failed or " ".join(text.split())

    def learn(self, **known: object) -> None:
        """Add what is known to the check."""
        self.check = replace(self.check, **known)  # type: ignore[arg-type]

    def read(self, files: Sequence[Path], options: ReadOptions, start: datetime | None = None) -> None:
        """Read the log or the parts of the run, and propose what its columns are."""
        with self.attempt():
            self.logs = loaders.read_parts(files, options, start)
            first = self.logs[0]
            begin = first.origin and first.origin + timedelta(seconds=float(first.time[0]))
            kinds = " + ".join(dict.fromkeys(log.format for log in self.logs))
            rows = sum(len(log.time) for log in self.logs)
            self.learn(format=kinds, rows=rows, start=begin and begin.isoformat(timespec="seconds"))
            self.proposals = loaders.propose_mapping(first) if first.format != "gpx" else ()
            self.learn(columns=looking.describe_columns(self.proposals, None, table=True)[0])

    def look(self, mapping: Mapping[str, str], cleaned: Callable[[], CleanRun], crossed: Crossed) -> None:
        """Map and clean the log; add its channels, faults, cross checks and timeline."""
        with self.attempt():
            run, units = cleaned(), self.check.units
            self.run = run
            start = self.check.start if run.start is None else run.start.isoformat(timespec="seconds")
            told, checks = looking.DESCRIBES, crossed(run)
            quality = ({**vars(q), "reason": said(q.reason, units), "fault": q.step not in told} for q in run.quality)
            numbers = ({name: n for name, n in c.numbers.items() if np.isfinite(n)} for c in checks)
            crossing = zip(checks, numbers, strict=True)
            self.learn(
                start=start,
                duration=looking.duration_of(run),
                channels=looking.describe_channels(run, mapping),
                quality=tuple(quality),
                timeline=looking.timeline(run),
                soak_text=looking.soak_check_text(run, start),
                cross_checks=tuple({**vars(c), "numbers": n, "evidence": said(c.evidence, units)} for c, n in crossing),
            )

    def concluded(self) -> LogCheck:
        """Apply the criteria of the log itself and give the verdict."""
        if self.run is not None and not self.failed:
            with self.attempt():
                return self._verdict(self.run)
        return replace(self.check, verdict="unreadable", reasons=(self.failed,))

    def _verdict(self, run: CleanRun) -> LogCheck:
        known = self.check
        own = looking.log_criteria(run, known.cross_checks, self.ambient_elsewhere, known.units)
        criteria = (*own, *known.criteria)
        entered = tuple(c.reason for c in criteria if c.outcome == "fail" and c.code in looking.ENTERED)
        failed = [(c.hard, sentence(c, known)) for c in criteria if c.outcome == "fail"]
        hard = tuple(text for is_hard, text in failed if is_hard)
        soft = [text for is_hard, text in failed if not is_hard]
        labels = (q.reason for q in run.quality if q.step == loaders.UNIT_OVERRIDDEN)
        overridden = (f"{said(label, known.units)} {_EITHER}" for label in labels)
        limitations = tuple(dict.fromkeys((*overridden, *soft, *known.limitations)))
        known = replace(known, criteria=criteria, limitations=limitations)
        if entered:
            return replace(known, verdict="correct the entry", reasons=entered)
        if hard:
            return replace(known, verdict="repeat the run", reasons=hard)
        if limitations:
            return replace(known, verdict="accept with limitation", reasons=limitations)
        met = sum(c.outcome == "pass" for c in criteria)
        alone = f"The log meets all {met} criteria that need no campaign; route and comparability were not judged."
        accepted = alone if known.campaign is None else f"All {met} criteria that could be applied are met."
        return replace(known, verdict="accept", reasons=(accepted,))


def sentence(check: CriterionCheck, known: LogCheck) -> str:
    """Return one sentence on a criterion that was not met, with the run that is farthest in it."""
    if check.complete or (check.quantity == "count" and check.limit == 0.0 and check.group == "route" and check.reason):
        return check.reason
    if check.code == "rain":
        return "Rain: not as on the other runs."
    found, value, limit = page.texts_of(check, known.units)
    if check.group != "alike":
        return f"{check.title}: {found} (limit {limit}). {check.reason if check.group == 'log' else ''}".strip()
    apart = (p for p in known.pairs if p["code"] == check.code)
    pair = max(apart, key=lambda p: p["value"] or 0.0, default=None)
    farthest = f"; farthest from {pair['other']}, {usual(pair['value'], pair['quantity'], known.units)}" if pair else ""
    own = f" {found}," if found else ""
    return f"{check.title}:{own} {value} from the median of the runs (limit {limit}){farthest}."
