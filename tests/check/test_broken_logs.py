"""Every broken log of the corpus gets an answer: a verdict with a sentence, never a traceback."""

from __future__ import annotations

import json
import warnings

import pytest
from corpus.broken import CASES

from intake_report.check.chain import check_logs
from intake_report.check.model import to_json
from intake_report.check.page import show
from intake_report.loaders import ReadOptions

# The few that are bombs or very wide take seconds
SLOW = {"10,000 columns", "endless line further down", "gzip bomb", "zip bomb", "zstandard bomb"}


@pytest.mark.parametrize(
    "case", [pytest.param(case, marks=pytest.mark.slow if case.name in SLOW else (), id=case.name) for case in CASES]
)
def test_broken_log(case, tmp_path, capsys):
    path = tmp_path / case.file
    path.write_bytes(case.content())
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        (check,) = check_logs([path])
    assert check.reasons and not any("fault of the program" in reason for reason in check.reasons)
    assert json.loads(to_json(check))["verdict"] == check.verdict
    show(check)
    assert capsys.readouterr().out
    if case.refusal is not None and case.options == ReadOptions():
        assert check.verdict == "unreadable" and case.refusal in check.reasons[0]
        assert case.file in check.reasons[0]
