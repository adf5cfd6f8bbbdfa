"""Limitations of differences that are adjusted for covariates, and of covariates that cannot be used."""

from __future__ import annotations

from collections.abc import Iterator

from intake_report.analyse.limitations.findings import Findings, kind
from intake_report.messages import Listing, Value, message
from intake_report.results import Limitation
from intake_report.results.compared import COVARIATES
from intake_report.results.text import title_of

UNEXPLAINED = 0.05  # p below which one straight line for all configurations is in doubt

REFUSED = kind("covariate-refused", 285, "values", "some differences are not adjusted for the state at the start",
    "{parts}.",
    "The same state before every run (temperatures, standing time), or more runs of each configuration in each block.",
)  # fmt: skip
FORM = kind("covariate-form", 262, "values", "a covariate does not act alike in all runs",
    "The adjustment takes one straight line for all configurations, which is in doubt in {parts}: the adjusted "
    "difference holds for an average start only.",
    "The same state before every run, so that nothing has to be adjusted for.",
)  # fmt: skip
STANDING = kind("start-adjusted", 320, "values", "what a hot bay did before the start is not counted",
    "Differences adjusted for the temperature at the start leave out what a configuration does while the vehicle "
    "stands in its own heat before a run. That is part of its effect unless every start was brought to the same "
    "condition; the unadjusted difference holds it.",
    "Every run started from the same condition.",
)  # fmt: skip


def refused(f: Findings) -> Iterator[Limitation]:
    """Covariates of headline metrics that are not used."""
    reasons = {
        (title_of(f.headline[c.key]), f.name(c.configuration), why)
        for c in f.comparisons
        if c.key in f.headline
        for why in c.refused
    }
    parts = [message("{title}, {name}: {why}", title=t, name=n, why=why) for t, n, why in sorted(reasons, key=str)]
    if parts:
        yield REFUSED(parts=Listing(tuple(parts), ";"))


def form(f: Findings) -> Iterator[Limitation]:
    """Adjustments whose straight line is bent, or differs between configurations."""
    parts = []
    for c in f.comparisons:
        for fit in c.covariates[:1] if c.key in f.headline else ():
            for p, what in ((fit.curved, "it bends"), (fit.unequal, "slopes of the configurations differ")):
                if p is not None and p < UNEXPLAINED:
                    template = "{title}, {name} ({what}, p {p})"
                    title, name = title_of(f.headline[c.key]), f.name(c.configuration)
                    parts.append(message(template, title=title, name=name, what=what, p=Value(p, "p")))
    if parts:
        yield FORM(parts=Listing(tuple(parts)))


def start_adjusted(f: Findings) -> Iterator[Limitation]:
    """Headline differences adjusted for a temperature that the bay may have given the intake before the start."""
    names = {fit.name for c in f.comparisons if c.key in f.headline for fit in c.covariates}
    if any(COVARIATES[name][1] == "temperature_difference" for name in names):
        yield STANDING()


PREDICATES = (refused, form, start_adjusted)
