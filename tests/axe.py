"""A page in headless Chromium: `violations` by axe-core, what it asks for when `opened`, and `asked` for anything else.

The page is shown in a frame of the wanted width, since the browser's own window is never narrower than 500 px. axe-core is a
library for tests only (test extra, package axe-core-python); it runs in a copy of the page without the policy that forbids scripts.
"""

import base64
import html
import json
import re
import shutil
import subprocess
import tempfile
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

# both carry axe.min.js; the first has newer rules, if it is there
PACKAGES = ("axe_playwright_python", "axe_core_python")
_POLICY = re.compile(r"<meta[^>]*Content-Security-Policy[^>]*>", re.IGNORECASE)
_QUIET = """--headless --no-sandbox --disable-gpu --no-first-run
--disable-background-networking --disable-component-update --disable-sync --disable-quic"""
_RUN = """<!DOCTYPE html><meta charset="utf-8"><title>asked</title>
<style>body {{ margin: 0 }} iframe {{ border: 0; width: {width}px; height: 900px }}</style>
<iframe srcdoc="{page}"></iframe><pre id="answer"></pre>
<script>
const say = (what) => document.getElementById("answer").textContent = btoa(unescape(encodeURIComponent(JSON.stringify(what))));
const frame = document.querySelector("iframe");
frame.onload = async () => {{
  try {{ say(await ((page) => {question})(frame.contentWindow)); }} catch (error) {{ say({{error: String(error)}}); }}
}};
</script>"""
_VIOLATIONS = """page.axe.run({exclude: ["svg > *"]}, {resultTypes: ["violations"]}).then((found) => {
  const at = (node) => node.target.join(" ") + ": " + node.failureSummary;
  const lines = found.violations.flatMap((rule) => rule.nodes.map((node) => rule.id + " at " + at(node)));
  return {passes: found.passes.length, lines, beyond: page.document.documentElement.scrollWidth - page.innerWidth};
})"""


def violations(path: Path, width: int, *, dark: bool = False) -> list[str]:
    """Return what axe-core finds wrong with a page that is `width` px wide, one sentence per element.

    A page that is wider than its window counts as a violation too. Skips the test where Chromium is missing.
    """
    package = next((spec for name in PACKAGES if (spec := find_spec(name))), None)
    assert package and package.origin, "axe-core is not installed: install the test extra"
    library = (Path(package.origin).parent / "axe.min.js").read_text("utf-8")
    found = asked(path, width, _VIOLATIONS, script=library, dark=dark)
    assert found["passes"] >= 5, found
    beyond = found["beyond"]
    return [*found["lines"], *([f"the page is {beyond} px wider than its window"] if beyond > 0 else [])]


def chromium(*options: str) -> subprocess.CompletedProcess[str]:
    """Run Chromium with an empty profile; skips the test, and says so, where there is none: the only place that decides this."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("chromium is not installed (Debian package chromium): the page was not opened in a browser")
    with tempfile.TemporaryDirectory(prefix="profile-", ignore_cleanup_errors=True) as profile:
        command = [program, *_QUIET.split(), f"--user-data-dir={profile}", *options]
        return subprocess.run(command, capture_output=True, text=True, timeout=300, check=True)


def opened(path: Path) -> tuple[list[str], str, str]:
    """Return the addresses that a page asks for, the lines of the browser's console, and the final document."""
    with tempfile.TemporaryDirectory(prefix="opened-") as folder:
        log = Path(folder) / "log.json"
        done = chromium("--enable-logging=stderr", f"--log-net-log={log}", "--dump-dom", path.as_uri())
        net = json.loads(log.read_text("utf-8"))
    start, own = net["constants"]["logEventTypes"]["URL_REQUEST_START_JOB"], "not an origin"
    # the browser's own calls (time, updates) have no page as their initiator
    jobs = [event["params"] for event in net["events"] if event["type"] == start and "params" in event]
    asked = [job["url"] for job in jobs if job.get("initiator", own) != own]
    return asked, "\n".join(line for line in done.stderr.splitlines() if "CONSOLE" in line), done.stdout


def asked(path: Path, width: int, question: str, *, script: str = "", dark: bool = False) -> Any:
    """Return the answer of a page that is `width` px wide to a JavaScript expression of its window, `page`.

    `script` is run in the page before. Skips the test where Chromium is missing.
    """
    page = _POLICY.sub("", path.read_text("utf-8")) + f"<script>{script}</script>"
    with tempfile.TemporaryDirectory(prefix="asked-") as folder:
        wrapped = Path(folder) / "asked.html"
        wrapped.write_text(_RUN.format(width=width, page=html.escape(page), question=question), "utf-8")
        scheme = f"--blink-settings=preferredColorScheme={0 if dark else 1}"
        window = ("--window-size=1400,1000", "--virtual-time-budget=600000")
        done = chromium(*window, scheme, "--dump-dom", wrapped.as_uri())
    answer = re.search(r'<pre id="answer">([^<]+)</pre>', done.stdout)
    assert answer, f"the page gave no answer: {done.stderr[-2000:]}"
    found = json.loads(base64.b64decode(answer[1]))
    assert not (isinstance(found, dict) and "error" in found), found
    return found
