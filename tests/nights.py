"""A night with a cheap stand-in for the render: reports of one file, made by the rules of the campaign's first line."""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from intake_report.nightly.find import Entry, Status, input_file, manifest_hash, stamps_below
from intake_report.nightly.night import Settings, run_night
from intake_report.provenance import sha256


def plain_campaign(folder: Path, id: str, log: str = "1") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "campaign.toml").write_text(f'[campaign]\nid = "{id}"\n')
    (folder / "log.csv").write_text(log)
    return folder


@dataclass
class Nights:
    """Campaigns below a folder, their reports, and which were rendered."""

    root: Path
    out: Path
    rendered: list[str] = field(default_factory=list)

    def attempt(self, job: dict[str, Any]) -> dict[str, Any]:
        """Publish the log as the report; a log "broken" is at fault, "passing" is the machine's."""
        file, out = Path(job["file"]), Path(job["out"])
        self.rendered.append(file.parent.name)
        log = (file.parent / "log.csv").read_text()
        if log == "passing":
            return {"state": "failed", "reason": "no memory."}
        if log == "broken":
            files = {path: input_file(file.parent, path) for path in stamps_below(file.parent)}
            return {"state": "failed", "reason": f"{file}: no rows.", "whole": True, "files": files}
        id = file.read_text().split('"')[1]
        revision = 1 + len(list((out / id).glob("2*")))
        folder = out / id / f"2026-07-01-r{revision}"
        folder.mkdir(parents=True)
        inputs = {path: sha256((file.parent / path).read_bytes()) for path in ("campaign.toml", "log.csv")}
        (folder / "manifest.json").write_text(json.dumps({"inputs": inputs, "revision": revision}))
        (folder / "report.html").write_text(log)
        point = {"revision": 1, "high": 0.5}
        points = [point | {"date": f"2026-0{n}-01", "value": -float(n), "low": -n - 1} for n in (1, 2, 3)]
        trend = {"title": "Peak", "quantity": "temperature_difference", "units": "us", "decimals": 1, "points": points}
        summary = {
            "title": f"Trial {id} <b>", "question": "Is it closer?", "answer": ["Yes, by 3 K."], "trend": trend,
            "verdicts": [{"text": "It is closer.", "verdict": "supported"}], "changed": ["Claim: it is: no → yes"],
        }  # fmt: skip
        report = {"folder": f"{id}/{folder.name}", "date": "2026-07-01", "revision": revision}
        report["manifest"] = manifest_hash(folder)
        files = {path: input_file(file.parent, path, digest) for path, digest in inputs.items()}
        return {"state": "published", "reason": "", "report": report, "summary": summary, "files": files}

    def night(self, attempt: Callable[[dict[str, Any]], dict[str, Any]] | None = None, **settings: Any) -> Status:
        self.rendered.clear()
        return run_night([self.root], Settings(self.out, **settings), attempt or self.attempt)

    def of(self, status: Status, id: str) -> Entry:
        return next(entry for entry in status.campaigns if entry.id == id)
