"""Which run of a campaign a log is."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from intake_report.campaign import CAMPAIGN_FILE, Campaign, Run, load_campaign
from intake_report.errors import CampaignError, CampaignErrors


@dataclass(frozen=True)
class Case:
    """One run to be judged.

    Parameters
    ----------
    files : tuple of Path
        The log or the parts of the run.
    entry : Run or None
        Its entry in the campaign, or one made up for a candidate; None without a campaign.
    found_by : str
        "file", "name", "option", "candidate" or "".
    notes : tuple of str
        What to say about it.
    """

    files: tuple[Path, ...]
    entry: Run | None = None
    found_by: str = ""
    notes: tuple[str, ...] = ()


def open_campaign(path: Path) -> tuple[Campaign, tuple[str, ...]]:
    """Read a campaign that is under way: logs, weather and bench files may not be there yet.

    Returns
    -------
    campaign, notes
        Without the weather sources whose file is absent, and a sentence on each of them.

    Raises
    ------
    CampaignError
        If anything else is wrong with it.
    """
    try:
        return load_campaign(path), ()
    except CampaignError as error:
        file = path / CAMPAIGN_FILE if path.is_dir() else path
        campaign = _unchecked(file) if file.is_file() else None
        if campaign is None:
            raise
        errors = error.errors if isinstance(error, CampaignErrors) else (error,)
        absent = _absent(campaign)
        rest = tuple(e for e in errors if not any(f"“{name}” does not exist" in e.what for name in absent))
        if rest:
            raise (rest[0] if len(rest) == 1 else CampaignErrors(rest)) from None
        return _without_weather(campaign, absent)


def _unchecked(file: Path) -> Campaign | None:
    """Return the campaign without asking for its files; None where it breaks a rule, which is then reported."""
    try:
        campaign = Campaign.model_validate(tomllib.loads(file.read_text("utf-8-sig")))
    except ValueError:  # of TOML, of the encoding or of the model
        return None
    campaign._file = file.resolve()
    campaign._given = file
    return campaign


def _absent(campaign: Campaign) -> set[str]:
    """Return the files that a check can do without and that are not there; how to read a log is not among them."""
    logs = [campaign.log, *(run.log for run in campaign.runs if run.log)]
    needed = {campaign.route.reference, *(log.dbc for log in logs)}
    return {f for f in campaign.input_paths() if f not in needed and not (campaign.folder / f).is_file()}


def _without_weather(campaign: Campaign, absent: set[str]) -> tuple[Campaign, tuple[str, ...]]:
    gone = [source for source in campaign.weather if source.file in absent]
    notes = [f"The weather source {source.id} is left out: {source.file} is not there yet." for source in gone]
    ambient = campaign.ambient
    if ambient.reference in {source.id for source in gone}:
        ambient = ambient.model_copy(update={"reference": "auto"})
        notes.append("It is the campaign's ambient reference; ambient is judged by what else was recorded.")
    kept = tuple(source for source in campaign.weather if source not in gone)
    return campaign.model_copy(update={"weather": kept, "ambient": ambient}), tuple(notes)


def present(campaign: Campaign, run: Run) -> bool:
    """Tell whether all logs of a run are there."""
    return all((campaign.folder / file).is_file() for file in run.files)


def find_run(campaign: Campaign, id: str) -> Run:
    """Return the run with this id.

    Raises
    ------
    CampaignError
        If there is none; the nearest is suggested.
    """
    for run in campaign.runs:
        if run.id == id:
            return run
    ids = [run.id for run in campaign.runs]
    near = difflib.get_close_matches(id, ids, n=1, cutoff=0.5)
    remedy = f"Did you mean “{near[0]}”?" if near else f"The campaign has: {', '.join(ids)}."
    raise CampaignError(f"there is no run “{id}”.", file=campaign.file, where="--run", remedy=remedy)


def cases(paths: Sequence[Path], campaign: Campaign | None, run: str | None) -> list[Case]:
    """Sort the logs given on the command line into runs.

    Parameters
    ----------
    paths : sequence of Path
        As given.
    campaign : Campaign or None
        None: each log is a run of its own.
    run : str or None
        Id of the run that all of them are (parts).

    Raises
    ------
    CampaignError
        If there is no such run.
    """
    if campaign is None:
        return [Case((path,)) for path in paths]
    if run is not None:
        entry = find_run(campaign, run)
        stated = [(campaign.folder / file).resolve() for file in entry.files]
        given = [path.resolve() for path in paths]
        notes: tuple[str, ...] = ()
        if set(given) != set(stated) and present(campaign, entry):
            notes = (f"Judged in place of {', '.join(entry.files)}, which the campaign names for {run}.",)
        return [Case(tuple(paths), entry, "option", notes)]
    out: list[Case] = []
    done: set[str] = set()
    for path in paths:
        case = _case(path, campaign)
        if case.found_by == "file" and case.entry is not None:
            if case.entry.id in done:
                continue  # another part of a run that has been judged as a whole
            done.add(case.entry.id)
        out.append(case)
    return out


def _case(path: Path, campaign: Campaign) -> Case:
    here = path.resolve()
    for run in campaign.runs:
        stated = [(campaign.folder / file).resolve() for file in run.files]
        if here in stated:
            if len(stated) == 1 or not all(part.is_file() for part in stated):
                return Case((path,), run, "file")
            parts = tuple(campaign.folder / file for file in run.files)
            return Case(parts, run, "file", (f"{path.name} is one of {len(parts)} parts; the whole run is judged.",))
    for run in campaign.runs:
        if [Path(file).name for file in run.files] == [path.name] and not present(campaign, run):
            note = f"Taken for the planned run {run.id} by its file name; --run states another."
            return Case((path,), run, "name", (note,))
    template = campaign.runs[0]
    id = _free(path.name.partition(".")[0] or "candidate", {run.id for run in campaign.runs})
    # model_copy does not validate: the path may lie outside the campaign's folder, since nothing is published from it
    entry = template.model_copy(
        update={
            "id": id,
            "files": (str(here),),
            "control": (),
            "block": None,
            "start": None,
            "exclude": None,
            "log": None,
            "rain": None,
        }
    )
    note = "Not a run of this campaign: judged as a candidate against the others; --run states which it is."
    beside = next((r.id for r in campaign.runs if here in [(campaign.folder / f).resolve() for f in r.control]), None)
    if beside is not None:
        note = f"The control drive beside {beside}: judged like a candidate against the campaign's runs."
    return Case((path,), entry, "candidate", (note,))


def _free(name: str, taken: set[str]) -> str:
    while name in taken:
        name += "-candidate"
    return name
