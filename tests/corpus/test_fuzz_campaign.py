"""A campaign file with any value in any place: it is refused in sentences, or a whole report comes of it."""

import datetime as dt
import json
import random

import nbformat
import pytest
import roadlog

from intake_report.campaign import load_campaign
from intake_report.errors import CampaignErrors, IntakeReportError
from intake_report.kernel import CAMPAIGN_LINK
from intake_report.provenance import template_path

ENOUGH, FEW = 300, 12
HOSTILE = (
    "", " ", "$x_1$", r"$\foo$", "=1+1", "<b>bold</b>", "a\nb", "x" * 5000, "\N{RIGHT-TO-LEFT OVERRIDE}evil", "\0", "../../etc/passwd",
    "/etc/passwd", "NUL", "CON", ".", "nan degC", "inf K", "1e300 m", "-1e300 s", "-400 degC", "0 km/h", "-5 min", "3 furlong", "{parameter}",
    "[[tab-runs]]", "**x**", "`y`", 0, -1, 10**30, 1e300, -1e-300, True, [], {}, [[]], [{}], ["", ""], None,
    dt.date(1, 1, 1), dt.datetime(9999, 12, 31, 23, 59, 59), dt.datetime(1, 1, 1, tzinfo=dt.UTC), dt.time(0, 0),
)  # fmt: skip


def places(data, path=()):
    """Return the dotted keys of all values of a campaign file."""
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        yield (*path, str(key))
        yield from places(value, (*path, str(key)))


def mutants(count: int):
    rng = random.Random(20260801)
    data = roadlog.campaign(units="us")
    keys = list(places(data))
    for _ in range(count):
        mutant, changes, text = data, [], roadlog.toml(data)
        for _ in range(rng.choice((1, 1, 2))):
            key = ".".join(rng.choice(keys))
            like = [value for value in HOSTILE if isinstance(value, str)]  # most values of the file are texts
            value = rng.choice(HOSTILE if rng.random() < 0.3 else like)
            try:
                mutant = roadlog.changed(mutant, key, value)
                text = roadlog.toml(mutant)
            except (KeyError, IndexError, TypeError, AttributeError):  # the place went with an earlier change
                continue
            changes.append((key, value))
        yield changes, text


def run_cells(file) -> None:
    """Run the cells of the report template in this process, with what they show left out."""
    shown = {"show": lambda *blocks: [json.dumps(block, default=str) for block in blocks]}
    space: dict[str, object] = {}
    for cell in nbformat.read(template_path(), as_version=4).cells:
        if cell.cell_type == "code":
            exec(compile(cell.source, cell.id, "exec"), space)
            space |= shown
            if "parameters" in cell.metadata.get("tags", []):
                space |= {"campaign_file": str(file), "date": "2026-07-01"}


@pytest.mark.slow
def test_any_value_in_any_place_is_refused_in_sentences_or_makes_a_report(tmp_path, part):
    file = roadlog.write(tmp_path / CAMPAIGN_LINK, roadlog.campaign(units="us"))
    outcomes = {"refused": 0, "reported": 0}
    for changes, text in mutants(part(ENOUGH, FEW)):
        file.write_bytes(text.encode("utf-8", "surrogatepass"))
        try:
            run_cells(file)
            outcomes["reported"] += 1
        except IntakeReportError as error:
            for sentence in map(str, error.errors if isinstance(error, CampaignErrors) else (error,)):
                assert sentence.rstrip() and len(sentence) < 2000, changes
                assert sentence.replace("\N{NO-BREAK SPACE}", " ").isprintable(), changes
            outcomes["refused"] += 1
        except Exception as error:
            pytest.fail(f"{type(error).__name__}: {error} — after {changes}")
    print(outcomes)
    assert min(outcomes.values()) > 0


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 20_000, "schema = " + "9" * 6_000, "schema = 1\n[campaign]\nid = 0001-01-01\n", "\ufeff", "\x00", "= 1", "[[run]]\n" * 3,
    ],
    ids=["nested", "long-number", "year-1", "mark", "nul", "no-key", "empty-runs"],
)  # fmt: skip
def test_a_file_that_no_campaign_can_be_is_said_in_sentences(tmp_path, text):
    (tmp_path / "campaign.toml").write_text(text, "utf-8")
    with pytest.raises(IntakeReportError) as caught:
        load_campaign(tmp_path)
    assert str(tmp_path / "campaign.toml") in str(caught.value)
