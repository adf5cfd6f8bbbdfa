"""Every broken log of the corpus comes to its expected end: read with named notices, or refused in one sentence."""

from pathlib import Path

import pytest

from intake_report.errors import DataError
from intake_report.loaders import read_log
from intake_report.loaders.run import UNEXPECTED
from intake_report.messages import said

from .broken import CASES, Case


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_broken_log(case: Case, tmp_path: Path) -> None:
    if case.file.endswith(".mf4"):
        pytest.importorskip("asammdf", reason="the extra mdf is not installed")
    path = tmp_path / case.file
    path.write_bytes(case.content())
    if case.refusal is not None:
        with pytest.raises(DataError) as caught:
            read_log(path, case.options)
        text = str(caught.value)
        assert case.refusal in text
        assert case.file in text
        assert "\n" not in text
        assert len(text) < 600
        assert UNEXPECTED not in text
    else:
        log = read_log(path, case.options)
        assert case.notices is not None
        codes = {notice.code for notice in log.notices}
        assert set(case.notices) <= codes, codes
        assert not set(case.absent) & codes
        assert all(len(column.values) == len(log.time) for column in log.columns)
        if case.rows is not None:
            assert len(log.time) == case.rows
        assert all(said(notice.text, "si").endswith(".") for notice in log.notices)
