"""One campaign of a night: rendered if it has to be, and what the index quotes of its report."""

import json
import sys
import time
import traceback
from contextlib import suppress
from pathlib import Path
from typing import Any

from intake_report.campaign import load_campaign
from intake_report.errors import DataError, IntakeReportError, MachineError
from intake_report.kernel import SpareKernel, as_user_error
from intake_report.nightly import find
from intake_report.provenance import issued_reports, read_manifest
from intake_report.publish import Published, publish
from intake_report.render.document import report_date

MOST_POINTS = 20  # reports that a trend goes back
MOST_CHANGES, MOST_WARNINGS = 6, 3  # statements that the index quotes; the report has all


def render_campaign(job: dict[str, Any], spare: SpareKernel | None = None) -> dict[str, Any]:
    """Render one campaign if it has to be, whatever goes wrong, and return the outcome as JSON-able data.

    `job` has `file`, the campaign file; `out`, the folder of all reports; `date`, ISO or empty. The outcome has `state` and
    `reason`; of a report `report`, `summary`, `files`; `whole` and `files` where the campaign is at fault.
    """
    file = Path(job["file"])
    before, more = find.stamps_below(file.parent), {}
    try:
        return _published(file, Path(job["out"]), job["date"], spare)
    except IntakeReportError as error:
        reason = str(error)
        _say(reason)
        if not isinstance(error, MachineError):
            files = {path: find.input_file(file.parent, path) for path in before}
            # surely those that were read; else it is tried again
            rest = None not in before.values() and find.stamps_below(file.parent) == before
            more = {"whole": True, "files": files if rest else {}}
    except Exception as error:  # the boundary: a fault in one campaign must not take the others with it
        traceback.print_exc()
        name = "OSError" if isinstance(error, OSError) else type(error).__name__
        reason = str(as_user_error(name, str(error)))
    return {"state": "failed", "reason": reason, **more}


def _published(file: Path, out: Path, date: str, spare: SpareKernel | None) -> dict[str, Any]:
    from intake_report.analyse.claim_check import campaign_mistakes

    campaign = load_campaign(file, campaign_mistakes)
    home = out / campaign.about.id
    last, today = max((report["date"] for report in issued_reports(home)[0]), default=""), report_date(campaign)
    if not date and last > today:  # the order of the reports would be wrong for ever
        what = f"the last report is dated {last}, after today, {today}: the clock was set back, or that date was given."
        raise MachineError(what, file=home / last, remedy="Set the clock, or render with --date.")
    report = publish(file, out, date, _say, spare=spare)
    _say(f"{report.state}: {report.folder}")
    inputs = read_manifest(report.folder)["made_from"]["inputs"]
    place, manifest = f"{report.campaign}/{report.folder.name}", find.manifest_hash(report.folder)
    issued = find.Issued(folder=place, date=report.date, revision=report.revision, manifest=manifest)
    return {
        "state": report.state,
        "reason": "",
        "report": issued.model_dump(),
        "summary": summary_of(report, home).model_dump(),
        "files": {path: find.input_file(file.parent, path, digest) for path, digest in inputs.items()},
    }


def _say(step: str) -> None:
    print(f"{time.strftime('%H:%M:%S')}  {step}", file=sys.stderr, flush=True)


def summary_of(report: Published, home: Path) -> find.Summary:
    """Return what the index quotes of a report; `home`: folder of all reports of its campaign."""
    import nbformat

    from intake_report.render.blocks import Table
    from intake_report.render.notebook import read_document

    document = read_document(nbformat.read(report.folder / "executed.ipynb", as_version=4))

    results = _results(report.folder)
    blocks = [item.block for item in (*document.items, *document.annex)]
    rows = [row for b in blocks if isinstance(b, Table) and b.label == "tab-changes" for row in b.rows]
    changed = [
        f"{document.plain(subject)}: {document.plain(was)} → {document.plain(now)}" for subject, was, now in rows
    ]
    changed.sort(key=lambda text: (not text.startswith("Claim"), not text.startswith("Run")))
    covers = [item["cover"] for item in sorted(results["limitations"], key=lambda item: item["rank"]) if item["cover"]]
    return find.Summary(
        title=results["title"],
        question=results["question"],
        answer=tuple(document.plain(text) for text in document.cover.answer) if document.cover else (),
        verdicts=tuple(
            find.Verdict(
                text=c["text"] + (f" (judged: {c['judged']})" if c.get("judged") else ""), verdict=c["verdict"]
            )
            for c in results["claims"]
        ),
        changed=tuple(changed[:MOST_CHANGES]),
        warnings=(*report.notes, *dict.fromkeys(covers[:MOST_WARNINGS])),
        trend=_trend(results, home),
    )


def _results(folder: Path) -> dict[str, Any]:
    try:
        document: dict[str, Any] = json.loads((folder / "results.json").read_bytes())
    except (OSError, ValueError):
        raise DataError("the results of a report cannot be read.", file=folder / "results.json") from None
    return document


def _trend(results: dict[str, Any], home: Path) -> find.Trend | None:
    """Return the first deciding difference that has a value over the reports so far; of a candidate of a claim, if any."""
    names = {c["id"]: c["name"] for c in results["configurations"] if c["role"] == "candidate"}
    rows = {(c["key"], c["configuration"]) for c in results["comparisons"] if c["difference"] is not None}
    ids = dict.fromkeys((*(claim["configuration"] for claim in results["claims"]), *names))
    wanted = next(((key, id) for key in results["decides"] for id in ids if id in names and (key, id) in rows), None)
    if wanted is None:
        return None
    points = []
    for issued in issued_reports(home)[0][-MOST_POINTS:]:
        with suppress(DataError, KeyError):  # a report that is damaged, or of another form
            for row in _results(home / issued["folder"])["comparisons"]:
                if (row["key"], row["configuration"]) == wanted:
                    place = {"date": issued["date"], "revision": issued["revision"]}
                    points.append(find.Point(**place, value=row["difference"], low=row["low"], high=row["high"]))
    from intake_report.results.text import DIFFERENCES  # with the scientific libraries, which the night does without

    metric = next(m for m in results["metrics"] if m["key"] == wanted[0])
    return find.Trend(
        title=f"{metric['printed_title']}, {names[wanted[1]]}",
        quantity=DIFFERENCES.get(metric["spec"]["quantity"], metric["spec"]["quantity"]),
        units=results["units"],
        decimals=metric["spec"]["decimals"],
        points=tuple(points),
    )
