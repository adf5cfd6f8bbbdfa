"""One difference from the values of runs: which model, which runs count how much, what is independent of what."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from intake_report import statistics
from intake_report.messages import Part, message
from intake_report.results import MetricResult
from intake_report.statistics import Difference, RunsModel, linked_to

CENSORED = {"not reached": 1, "within at entry": -1}  # "longer than", "sooner than"
MOST_ARRANGEMENTS = 200_000  # beyond it the permutation test has nothing to add to the interval


@dataclass(frozen=True)
class Estimate:
    """A difference from the scatter between runs, and what it rests on.

    `model` is the same comparison as arithmetic on the runs that have a value, None where one side has none. `confounded`: no
    block holds both, and blocks hold several runs. `units` are the independent units of candidate and other: blocks where they
    are compared within or between blocks, else runs. `dealt` is p of an adjusted difference among deals of the runs of each block.
    """

    found: Difference
    model: RunsModel | None
    confounded: bool
    units: tuple[int, int]
    dealt: float | None = None


def reasons_of(values: Sequence[MetricResult], otherwise: str) -> Part:
    """Return why values were not computed, each reason once; `otherwise` where none is given."""
    return statistics.in_one(list(dict.fromkeys(v.reason for v in values if v.reason))) or otherwise


def estimate(
    values: Sequence[MetricResult], configuration: str, versus: str, level: float, names: Mapping[str, str]
) -> Estimate | Part:
    """Compare two configurations in one metric of all runs that take part, or say why that cannot be done.

    Other configurations help to estimate blocks and scatter; notes quote `names` by id. Within blocks where blocks link the two. Where each block holds one of the two only, and several runs of it, the
    runs of a block are no replicates of the configuration: block means are then compared.
    """
    known = [v for v in values if v.status != "not computed"]
    sides = [[v for v in known if v.configuration == c] for c in (configuration, versus)]
    if not all(sides):
        empty = [c for c, side in zip((configuration, versus), sides, strict=True) if not side]
        return reasons_of([v for v in values if v.configuration in empty], "no run is left on one side")
    blocks, ids = [v.block for v in known], [v.configuration for v in known]
    several = None not in blocks and len(set(blocks)) > 1
    apart = several and configuration not in linked_to(versus, ids, blocks)
    units = [len({v.block for v in side}) for side in sides]
    repeated = any(len(side) > n for side, n in zip(sides, units, strict=True))
    if apart and repeated:
        return _nested(sides[0], sides[1], level, names)
    if all(v.status in CENSORED for v in known):
        return "No run reached the mark: no difference of times can be given"
    pair = _label(versus, names), _label(configuration, names)
    times, censored = [_time(v) for v in known], [CENSORED.get(v.status, 0) for v in known]
    found = statistics.compare_censored(times, censored, [_label(c, names) for c in ids], blocks, pair, level)
    # runs of one block share what the day does to their configuration
    by_blocks = found.method == "blocked" or (found.method == "censored" and repeated and several and not apart)
    counts = units if by_blocks else [len(side) for side in sides]
    return Estimate(found, _model(known, configuration, versus, found), False, (counts[0], counts[1]))


def _label(configuration: str, names: Mapping[str, str]) -> str:
    """Return the name that notes quote; the id too where two configurations have one name."""
    name = names[configuration]
    return name if list(names.values()).count(name) == 1 else f"{name} ({configuration})"


def _time(value: MetricResult) -> float:
    number = value.value if value.value is not None else value.bound
    assert number is not None  # "ok" has a value, what is censored a bound
    return number


def _nested(
    candidates: Sequence[MetricResult], others: Sequence[MetricResult], level: float, names: Mapping[str, str]
) -> Estimate | Part:
    """Compare block means; a block in which a run did not reach the margin, or began within it, has none."""
    both = [*candidates, *others]
    if any(v.status in CENSORED for v in both):
        return (
            "blocks hold one of the two configurations only, and not every run reached the margin, or began outside it: "
            "neither block means nor runs can be compared"
        )
    means = [
        [float(np.mean([_time(v) for v in side if v.block == b])) for b in dict.fromkeys(v.block for v in side)]
        for side in (others, candidates)
    ]
    pair = candidates[0].configuration, others[0].configuration
    template = (
        "{confounded}; means of {n} and {n_versus} blocks are compared, since runs of one block are no replicates"
    )
    confounded = statistics.not_linked(_label(pair[1], names), _label(pair[0], names))
    why = message(template, code="block-means", confounded=confounded, n=len(means[1]), n_versus=len(means[0]))
    found = statistics.compare_means(means[0], means[1], level, statistics.Nouns("block"))
    found = replace(found, n_candidate=len(candidates), n_baseline=len(others), notes=(why, *found.notes))
    runs, ids = [v.run for v in both], [v.configuration for v in both]
    model = statistics.two_samples(runs, ids, pair, [str(v.block) for v in both])
    return Estimate(found, model, True, (len(means[1]), len(means[0])))


def _model(known: Sequence[MetricResult], configuration: str, versus: str, found: Difference) -> RunsModel | None:
    """Return the arithmetic of the comparison; of a censored one that of the runs that reached."""
    used = [v for v in known if v.status == "ok"]
    ids, blocks = [v.configuration for v in used], [str(v.block) for v in used]
    if not {configuration, versus} <= set(ids):
        return None
    by_blocks = found.method in ("blocked", "censored", "none") and len(set(blocks)) > 1
    if by_blocks and configuration in linked_to(versus, ids, blocks):
        return statistics.blocked([v.run for v in used], ids, blocks, (configuration, versus))
    pair = [v for v in used if v.configuration in (configuration, versus)]
    return statistics.two_samples([v.run for v in pair], [v.configuration for v in pair], (configuration, versus))


def permutation(values: Sequence[MetricResult], configuration: str, versus: str) -> statistics.PermutationTest | None:
    """Test by dealing the runs of each block anew; None where no block holds both or there are too many ways."""
    pair = [v for v in values if v.configuration in (configuration, versus) and v.status != "not computed"]
    blocks = [v.block for v in pair]
    where = [str(b) for b in blocks] if None not in blocks else ["all"] * len(pair)
    marks = [v.configuration == configuration for v in pair]
    dealt = [[m for m, b in zip(marks, where, strict=True) if b == name] for name in dict.fromkeys(where)]
    if not 1 < statistics.arrangements([(len(one) - sum(one), sum(one)) for one in dealt]) <= MOST_ARRANGEMENTS:
        return None
    times, open_ = [_time(v) for v in pair], [v.status == "not reached" for v in pair]
    scores = statistics.gehan_scores(times, open_, where) if any(open_) else times
    return statistics.permutation_blocked(scores, marks, where)
