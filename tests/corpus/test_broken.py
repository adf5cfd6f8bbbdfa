"""Every broken log of the corpus comes to its expected end: read with named notices, or refused in one sentence."""

import json
import warnings

import pytest

from intake_report.check.chain import check_logs
from intake_report.check.logs import to_json
from intake_report.check.page import show
from intake_report.errors import DataError
from intake_report.loaders import ReadOptions, read_log
from intake_report.loaders.run import UNEXPECTED
from intake_report.messages import said

from .broken import CASES, Case

# The few that are bombs or very wide take seconds
SLOW = {"10,000 columns", "endless line further down", "gzip bomb", "zip bomb", "zstandard bomb"}


@pytest.fixture
def path(case: Case, tmp_path):
    (tmp_path / case.file).write_bytes(case.content())
    return tmp_path / case.file


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_broken_log(case: Case, path):
    if case.file.endswith(".mf4"):
        pytest.importorskip("asammdf", reason="the extra mdf is not installed")
    if case.refusal is not None:
        with pytest.raises(DataError) as caught:
            read_log(path, case.options)
        text = str(caught.value)
        assert case.refusal in text and case.file in text
        assert "\n" not in text and len(text) < 600 and UNEXPECTED not in text
        return
    log = read_log(path, case.options)
    codes = {notice.code for notice in log.notices}
    assert set(case.notices) <= codes and not set(case.absent) & codes, codes
    assert all(len(column.values) == len(log.time) for column in log.columns)
    assert case.rows in (None, len(log.time))
    assert all(said(notice.text, "si").endswith(".") for notice in log.notices)


@pytest.mark.parametrize(
    "case", [pytest.param(case, marks=pytest.mark.slow if case.name in SLOW else (), id=case.name) for case in CASES]
)
def test_check_answers_a_broken_log_with_a_verdict(case: Case, path, capsys):
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        (check,) = check_logs([path])
    assert check.reasons and not any("fault of the program" in reason for reason in check.reasons)
    assert json.loads(to_json(check))["verdict"] == check.verdict
    show(check)
    assert capsys.readouterr().out
    if case.refusal is not None and case.options == ReadOptions():
        assert check.verdict == "unreadable" and case.refusal in check.reasons[0] and case.file in check.reasons[0]
