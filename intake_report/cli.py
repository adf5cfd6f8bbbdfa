"""Arguments to the functions of the package."""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import re
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import nullcontext, suppress
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from intake_report import CAMPAIGN_FILE, __version__
from intake_report.errors import CampaignError, DataError, IntakeReportError

if TYPE_CHECKING:
    from rich.console import Console

    from intake_report.publish import Published

DONE, FAILED, USAGE, STOPPED = 0, 1, 2, 130


def _checked(
    kind: Callable[[str], Any], what: str, fits: Callable[[Any], bool] = lambda _: True
) -> Callable[[str], Any]:
    """Return what reads an argument, or says that it is not what it has to be."""

    def read(text: str) -> Any:
        with suppress(ValueError):
            if fits(value := kind(text)):
                return value
        raise argparse.ArgumentTypeError(f"“{text}” is not {what}")

    return read


_date = _checked(lambda text: text and dt.date.fromisoformat(text).isoformat(), "a date; write it as 2026-07-31")
_positive = _checked(float, "a number above 0", lambda number: 0.0 < number < 1e6)
_seed = _checked(int, "a whole number of 0 or more", lambda number: 0 <= number <= 2**63)
_there = _checked(Path, "a file or folder that is there", Path.exists)
_count = _checked(int, "a whole number from 1 to 999", lambda number: 0 < number < 1000)

Argument = tuple[str, dict[str, Any]]
EITHER = "either"  # marks arguments of which only one may be given


def _argument(name: str, help: str, **more: Any) -> Argument:
    return name, {"help": help, **more}


def _path(name: str, help: str, **more: Any) -> Argument:
    return _argument(name, help, type=Path, **more)


def _dated(what: str) -> Argument:
    return _argument("--date", f"date of {what}, as 2026-07-31 (default: today)", type=_date, default="")


_REPORTS = Path("build/reports")
_OUT = "folder of all reports (default: build/reports)"
# Name, module and function that runs it, help, what the description adds to it (or the whole, where it is a sentence), arguments.
COMMANDS: tuple[tuple[str, str, str, str, tuple[Argument, ...]], ...] = (
    ("render", "cli:_render", "render campaigns to dated HTML and PDF reports", "; a report that was issued is never overwritten.", (
        _path("campaigns", f"a campaign folder, its {CAMPAIGN_FILE}, or a folder above", nargs="+", metavar="CAMPAIGN"),
        _dated("the report"),
        _path("--out", "folder of all reports (default: build/reports; of drafts: build/drafts)"),
        _argument("--edition", "customer: beside the full report an extract without internal notes, names, files and quality log",
                  choices=("full", "customer"), default="full", either=True),
        _argument("--draft", "to build/drafts, marked DRAFT, without a revision number, in place of the draft before",
                  action="store_true", either=True),
        _argument("--moved", "the campaign folder was moved: its reports go on where they are", action="store_true"),
    )),
    ("nightly", "nightly/night:run", "render every campaign below a folder that changed, each on its own",
     ", and write index.html, status.json and junit.xml. Exit status: 0 all good, 1 some failed, 2 wrong usage, 130 stopped.", (
        _argument("roots", "a campaign folder, or a folder above", type=_there, nargs="+", metavar="ROOT"),
        _path("--out", "folder of all reports, index.html and status.json (default: build/reports)", default=_REPORTS),
        _argument("--jobs", "campaigns rendered at the same time (default: 1)", type=_count, default=1),
        _argument("--time-limit", "time limit of one campaign in minutes (default: 15)", type=_positive, default=15.0,
                  metavar="MINUTES"),
        _argument("--memory-limit", "data that each process of a campaign may have (default: 4)", type=_positive, default=4.0,
                  metavar="GIB"),
        _argument("--dask", "render on this dask.distributed cluster, whose machines see the same files, in place of --jobs",
                  default="", metavar="ADDRESS"),
        _dated("the reports"),
    )),
    ("archive", "nightly/archive:run_archive", "put a report and its inputs into one zip", ", to keep or to hand on.", (
        _path("campaign", "a campaign folder or its campaign file", metavar="CAMPAIGN"),
        _path("--out", _OUT, default=_REPORTS),
        _path("--to", "the zip (default: <id>-<date>.zip here)", metavar="FILE"),
        _argument("--lock", "the lock of the environment, kept in the archive (default: .ci/requirements.lock, where it is)",
                  type=_there),
    )),
    ("reproduce", "nightly/archive:run_reproduce", "make the report of an archive again and compare every file",
     "; exit status 1 if a file differs. An archive is data: nothing in it is run.",
     (_path("archive", "a zip that archive wrote", metavar="ARCHIVE"),)),
    ("verify", "cli:_verify", "tell whether issued reports are still what was issued",
     ", by the hashes of their manifests; exit status 1 if a file differs.",
     (_path("folder", "a report, or a folder above", metavar="FOLDER"),)),
    ("schema", "cli:_schema", "print the JSON Schema of the campaign file", ", so that an editor completes and checks it.",
     (_argument("--status", "of status.json instead, which nightly writes", action="store_true"),)),
    ("new", "cli:_new", "begin a campaign: a folder with a campaign file", " in which all that it may hold has a comment.",
     (_path("folder", "folder to make; its name is the id of the campaign", metavar="NAME"),)),
    ("metrics", "cli:_metrics", "list the metrics that claims may name",
     ": id, which way is better, what a claim has to state beside it, definition.", ()),
    ("demo", "cli:_demo", "write the simulated demo campaigns", ", with known true values, each into its folder.",
     (_path("folder", "folder to write the campaigns into"),)),
    ("check", "check/chain:run", "say whether a log is good enough, while the vehicle is still instrumented",
     "Say what a log is and whether the run can be accepted. Exit status: 0 every log accepted, with or without limitation; "
     "1 a run has to be repeated or a log is unreadable; 2 wrong usage or a mistake in the campaign.", (
        _path("logs", "a log file; with --run, the parts of the run", nargs="+", metavar="LOG"),
        _path("--campaign", "the campaign that the run belongs to: its folder or campaign.toml"),
        _argument("--run", "the run of the campaign that the log is", dest="run_id", metavar="ID"),
        _argument("--json", "one JSON object per log and line, for machines", action="store_true"),
    )),
    ("plan", "plan/plan:run", "plan a campaign: runs needed, order, days, run sheets; or what one under way still needs",
     "Plan a campaign before fuel is burnt, or say what one under way still needs. What it is planned from stands under [plan] "
     "of the campaign file; nothing is fetched.", (
        _path("campaign", "a campaign folder or its campaign.toml; it needs no run yet", metavar="CAMPAIGN"),
        _path("--like", "folder of a report whose runs show how runs scatter", metavar="REPORT"),
        _path("--forecast", "forecast as CSV: time, temperature, wind, precipitation, cloud", metavar="TABLE"),
        _path("--metar", "METAR reports of like days: hours that fit, by share", metavar="FILE"),
        _argument("--campaigns", "simulated for each design: 100 (rough) … 2000 (default: 100)", type=int, default=100,
                  metavar="N"),
        _argument("--seed", "of the order and the simulation (default: metrics.seed)", type=_seed),
        _argument("--paper", "of plan.pdf (default: a4)", choices=("a4", "letter"), default="a4"),
        _dated("the plan"),
        _path("--out", "folder of all plans (default: build/plans)", default=Path("build/plans")),
    )),
)  # fmt: skip


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status: 0 done, 1 a campaign failed, 2 wrong usage."""
    arguments = parser().parse_args(argv)
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, signal.default_int_handler)  # asked to stop: as by Ctrl-C
    module, _, function = arguments.command.replace("/", ".").partition(":")
    try:
        return int(getattr(import_module(f"intake_report.{module}"), function)(arguments))
    except IntakeReportError as error:
        if arguments.debug:
            raise
        print(f"intake-report: {error}", file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        print("intake-report: stopped.", file=sys.stderr)
        return STOPPED


def parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    top = argparse.ArgumentParser(
        prog="intake-report", description="Compare vehicle intake configurations from road logs, with uncertainty."
    )
    top.add_argument("--version", action="version", version=f"intake-report {__version__}")
    commands = top.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for name, run, help, more, arguments in COMMANDS:
        about = more if more[:1].isupper() else f"{help[0].upper()}{help[1:]}{more}"
        one = commands.add_parser(name, help=help, description=about)
        one.set_defaults(command=run)
        either = one.add_mutually_exclusive_group() if any(EITHER in settings for _, settings in arguments) else one
        for flag, settings in arguments:
            place = either if EITHER in settings else one
            place.add_argument(flag, **{key: value for key, value in settings.items() if key != EITHER})
        one.add_argument("--debug", action="store_true", help="show the traceback of an error")
    return top


class _Outcome(NamedTuple):
    campaign: str
    state: str
    detail: str
    notes: tuple[str, ...] = ()


def _render(arguments: argparse.Namespace) -> int:
    from rich.console import Console

    console, owners = Console(stderr=True), dict[str, Path]()
    outcomes, todo = list[_Outcome](), dict[Path, Path]()  # campaign file as resolved → as given
    for path in arguments.campaigns:
        try:
            for file in _find_campaigns(path):
                todo.setdefault(file.resolve(), file)
        except CampaignError as error:  # a path that is not there must not stop the others
            outcomes.append(_Outcome(path.name, "failed", str(error)))
    left = list(todo.values())
    with suppress(KeyboardInterrupt):
        while left:
            outcomes.append(_render_one(left[0], arguments, console, owners))
            del left[0]
    outcomes += [_Outcome(file.parent.name, "stopped", "no report was made or changed") for file in left]
    _say(outcomes)
    return STOPPED if left else FAILED if any(outcome.state == "failed" for outcome in outcomes) else DONE


def _find_campaigns(path: Path) -> list[Path]:
    """Return the campaign files that `path` stands for: itself, the one in it, or all below it; CampaignError if none."""
    if path.suffix.lower() == ".toml" and path.is_file():
        return [path]
    if path.is_file():
        above = next((f", {folder}" for folder in path.parents if (folder / CAMPAIGN_FILE).is_file()), "")
        what = f"this is no campaign file; name the campaign folder{above}."
        raise CampaignError(what, file=path, remedy=f"A log alone: intake-report check {path}.")
    below = [path / CAMPAIGN_FILE] if (path / CAMPAIGN_FILE).is_file() else sorted(path.rglob(CAMPAIGN_FILE))
    if not below:
        what = "there is no campaign file here or below." if path.is_dir() else "there is no such file or folder."
        raise CampaignError(what, file=path, remedy=f"Name a folder with a {CAMPAIGN_FILE}.")
    return below


def _render_one(path: Path, arguments: argparse.Namespace, console: Console, owners: dict[str, Path]) -> _Outcome:
    """Render one campaign; whatever goes wrong with it stays with it."""
    from rich.live import Live

    name = path.parent.name
    live = Live(console=console, transient=True, auto_refresh=False) if console.is_terminal else None
    step = (lambda text: live.update(f"{name}: {text}", refresh=True)) if live else (lambda _: None)
    try:
        # no thread turns a spinner: a process with threads does not fork its kernel, and loads everything twice
        with live or nullcontext():
            report = _published(path, arguments, owners, step)
    except Exception as error:  # the boundary: a fault in one campaign must not take the others with it
        if arguments.debug:
            traceback.print_exc()
        if not isinstance(error, IntakeReportError):
            fault = f"a fault of the program ({type(error).__name__}: {error}); --debug shows where."
            return _Outcome(name, "failed", fault)
        # the notebook knows only whole paths: the campaign's folder as the user named it
        given = "" if path.parent == Path() else f"{path.parent}{os.sep}"
        return _Outcome(name, "failed", str(error).replace(f"{path.parent.resolve()}{os.sep}", given))
    return _Outcome(report.campaign, report.state, str(report.folder), (*report.notes, *_notes(report)))


def _published(
    path: Path, arguments: argparse.Namespace, owners: dict[str, Path], progress: Callable[[str], None]
) -> Published:
    """Render one campaign as the arguments ask: issued, with its customer edition, or as a draft.

    Raises CampaignError: one of the `owners`, rendered before by the same command, has its id.
    """
    from intake_report.campaign import load_campaign
    from intake_report.publish import publish, publish_draft, publish_extract

    try:
        id = load_campaign(path).about.id
    except CampaignError:  # with what only the analysis finds: all mistakes at once
        from intake_report.analyse.claim_check import campaign_mistakes

        id = load_campaign(path, campaign_mistakes).about.id
    owner = owners.setdefault(id, path.resolve())
    if owner != path.resolve():  # a draft would replace the other's, a copy pass for a report that is there
        what = f"the id “{id}” is that of {owner} too."
        raise CampaignError(what, file=path, where="campaign.id", remedy="Give each its own id.")
    if arguments.draft:
        out = arguments.out or Path("build/drafts")
        return publish_draft(path, out, arguments.date, progress, arguments.debug)
    full = publish(path, arguments.out or _REPORTS, arguments.date, progress, arguments.debug, arguments.moved)
    return full if arguments.edition == "full" else publish_extract(full, path, progress)


def _notes(report: Published) -> Iterator[str]:
    """Yield what the terminal says of a report that is there: nothing compared, phases that wait to be stated."""
    file = report.folder / "results.json"
    if not file.is_file():
        return
    results = json.loads(file.read_text(encoding="utf-8"))
    if not any(c["difference"] is not None for c in (*results["comparisons"], *results["direct"])):
        ranked = sorted(results["limitations"], key=lambda limitation: limitation["rank"])
        reasons = (*(item["cover"] for item in ranked), *(c["note"] for c in results["comparisons"]))
        why = next(filter(None, reasons), "see its limitations")
        yield f"{report.state}, but nothing could be compared: {why}"
    if not results["phases"] and "highway" in ((results.get("places") or {}).get("proposed") or ""):
        found = "the runs share a highway and no [[route.phase]] is stated"
        yield f"{found}: the report proposes phases to paste, in its section “The same place”"


def _say(outcomes: list[_Outcome]) -> None:
    """Say what happened: errors on standard error, the reports on standard output, a table when there are several."""
    width, several = max(len(outcome.campaign) for outcome in outcomes), len(outcomes) > 1
    for outcome in outcomes:
        lines = outcome.detail.splitlines()
        for line in lines if outcome.state == "failed" else ():
            print(f"intake-report: {line}", file=sys.stderr)
        if several:
            print(f"{outcome.campaign:<{width}}  {outcome.state:<9}  {lines[0]}")
        elif outcome.state != "failed":
            print(f"{outcome.state}: {outcome.detail}")
    for outcome in outcomes:
        for note in outcome.notes:
            print(f"{outcome.campaign}: {note}" if several else note)


def _verify(arguments: argparse.Namespace) -> int:
    from intake_report.provenance import damages, report_folders

    folders = report_folders(arguments.folder)
    if not folders:
        raise DataError("there is no report here or below.", file=arguments.folder, remedy="Name a folder of reports.")
    status = DONE
    for folder in folders:
        sentences = list(damages(folder))
        print(f"{'damaged' if sentences else 'as issued'}: {folder}")
        for sentence in sentences:
            print(f"intake-report: {sentence}", file=sys.stderr)
            status = FAILED
    return status


def _schema(arguments: argparse.Namespace) -> int:
    from intake_report.campaign import Campaign
    from intake_report.nightly.find import Status

    model = Status if arguments.status else Campaign
    print(json.dumps(model.model_json_schema(by_alias=True), indent=2, ensure_ascii=False))
    return DONE


def _new(arguments: argparse.Namespace) -> int:
    from intake_report.campaign import draft_campaign
    from intake_report.campaign.sections import ID, RESERVED

    folder: Path = arguments.folder
    if not re.fullmatch(ID, folder.name) or RESERVED.fullmatch(folder.name):
        what = f"“{folder.name}” is not an id: use letters, digits, “_”, “.”, “-”, at most 64, no name of a device."
        raise CampaignError(what, file=folder, remedy="Name the folder so.")
    if folder.exists():
        raise CampaignError("this is there already.", file=folder, remedy="Name a folder that is not there.")
    (folder / "logs").mkdir(parents=True)
    file = folder / CAMPAIGN_FILE
    file.write_text(draft_campaign(folder.name), "utf-8")
    print(file)
    return DONE


def _metrics(_: argparse.Namespace) -> int:
    from rich.console import Console
    from rich.padding import Padding

    from intake_report.messages import said
    from intake_report.metrics import PULL_METRICS, REGISTRY

    console = Console(highlight=False, markup=False)
    console.print("id  (better; to state in a claim)")
    for spec in (*(metric.spec for metric in REGISTRY.values()), *PULL_METRICS.values()):
        to_state = "" if spec.parameter == "none" else f"; {spec.parameter}"
        console.print(f"{spec.id}  ({spec.better}{to_state})", style="bold")
        console.print(Padding(said(spec.definition, "si"), (0, 0, 0, 4)))
    return DONE


def _demo(arguments: argparse.Namespace) -> int:
    from intake_report.demo.campaign_files import write_campaign
    from intake_report.demo.scenario import SCENARIOS

    for scenario in SCENARIOS.values():
        print(write_campaign(scenario, arguments.folder / scenario.id))
    return DONE
