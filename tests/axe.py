"""Accessibility of a page, judged by axe-core in headless Chromium: `violations(path, width)`.

The page is shown in a frame of the wanted width, since the browser's own window is never narrower than 500 px. axe-core is a
library for tests only (test extra, package axe-core-python); it runs in a copy of the page without the policy that forbids scripts.
"""

from __future__ import annotations

import base64
import html
import json
import re
import shutil
import subprocess
import tempfile
from importlib.util import find_spec
from pathlib import Path

import pytest

PACKAGES = (
    "axe_playwright_python",
    "axe_core_python",
)  # both carry axe.min.js; the first has the newer rules, if it is there
_POLICY = re.compile(r"<meta[^>]*Content-Security-Policy[^>]*>", re.IGNORECASE)
_RUN = """<!DOCTYPE html><meta charset="utf-8"><title>axe</title>
<style>body {{ margin: 0 }} iframe {{ border: 0; width: {width}px; height: 900px }}</style>
<iframe srcdoc="{page}"></iframe><pre id="answer"></pre>
<script>
const say = (what) => document.getElementById("answer").textContent = btoa(unescape(encodeURIComponent(JSON.stringify(what))));
const frame = document.querySelector("iframe");
frame.onload = () => frame.contentWindow.axe.run({{exclude: ["svg > *"]}}, {{resultTypes: ["violations"]}}).then((found) => {{
  const at = (node) => node.target.join(" ") + ": " + (node.failureSummary || node.any.map((why) => why.message).join("; "));
  const lines = (rules) => rules.flatMap((rule) => rule.nodes.map((node) => rule.id + " at " + at(node)));
  const beyond = frame.contentDocument.documentElement.scrollWidth - {width};
  say({{width: frame.contentWindow.innerWidth, beyond, passes: found.passes.length, violations: lines(found.violations)}});
}}).catch((error) => say({{error: String(error)}}));
</script>"""


def violations(path: Path, width: int, *, dark: bool = False) -> list[str]:
    """Return what axe-core finds wrong with a page that is `width` px wide, one sentence per element.

    A page that is wider than its window counts as a violation too. Skips the test where Chromium is missing.
    """
    browser = shutil.which("chromium")
    if browser is None:
        pytest.skip("chromium is not installed (Debian package chromium): axe-core was not run")
    package = next((spec for name in PACKAGES if (spec := find_spec(name))), None)
    assert package and package.origin, "axe-core is not installed: install the test extra"
    library = (Path(package.origin).parent / "axe.min.js").read_text("utf-8")
    page = _POLICY.sub("", path.read_text("utf-8")) + f"<script>{library}</script>"
    with tempfile.TemporaryDirectory(prefix="axe-") as folder:
        wrapped = Path(folder) / "axe.html"
        wrapped.write_text(_RUN.format(width=width, page=html.escape(page)), "utf-8")
        done = subprocess.run(
            [
                browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
                "--window-size=1400,1000", f"--blink-settings=preferredColorScheme={0 if dark else 1}",
                "--virtual-time-budget=600000", f"--user-data-dir={folder}/profile", "--dump-dom", wrapped.as_uri(),
            ],
            capture_output=True, text=True, timeout=300, check=True,
        )  # fmt: skip
    answer = re.search(r'<pre id="answer">([^<]+)</pre>', done.stdout)
    assert answer, f"axe-core gave no answer: {done.stderr[-2000:]}"
    found = json.loads(base64.b64decode(answer[1]))
    assert "error" not in found, found
    assert found["width"] == width and found["passes"] >= 5, found
    beyond = found["beyond"]
    return [*found["violations"], *([f"the page is {beyond} px wider than its window"] if beyond > 0 else [])]
