"""index.html of a night: what it holds, without script, offline, accessible at two widths, sorted by its few lines of script."""

import re

import pytest
from axe import chromium, violations
from bs4 import BeautifulSoup

from intake_report.nightly.find import Trend
from intake_report.nightly.night import trend_picture


@pytest.fixture
def page(nights):
    nights.night()
    (nights.root / "c1" / "log.csv").write_text("broken")
    nights.night()
    return nights.out / "index.html"


def test_it_holds_every_campaign_with_what_a_morning_needs(page):
    text = page.read_text()
    soup = BeautifulSoup(text, "html.parser")
    rows = soup.select("tbody tr")
    assert [row.select_one(".state").text for row in rows] == ["✕ failed", "○ unchanged", "○ unchanged"]
    failed = rows[0].get_text(" ")
    told = ("no rows", "stale", "Trial trial-1 <b>", "Is it closer?", "Yes, by 3 K.", "supported", "no → yes")
    for part in (*told, "−5.4\xa0°F"):  # the campaign is in US units
        assert part in failed
    assert rows[0].select_one("a[href='trial-1/2026-07-01-r1/report.html']")
    assert "<b>" not in text and "http" not in text.replace("http-equiv", "").replace("http://www.w3.org/", "")
    assert soup.select_one("svg")["aria-label"].startswith("Peak over 3 reports: 2026-01-01 −1.8")


def test_a_trend_stays_in_its_picture_and_orders_values():
    points = [{"date": "2026-01-01", "revision": 1, "value": value} for value in (-2.0, 0.0, 4.0)]
    made = Trend(title="t", quantity="temperature_difference", units="si", decimals=1, points=points)
    circles = BeautifulSoup(trend_picture(made), "html.parser").select("circle")
    x, y = ([float(circle[axis]) for circle in circles] for axis in ("cx", "cy"))
    assert x == sorted(x) and y == sorted(y, reverse=True) and min(x + y) > 0 and max(x) < 140 and max(y) < 44
    assert y[1] == pytest.approx(y[0] - (y[0] - y[2]) / 3, abs=0.1)


@pytest.mark.parametrize(("width", "dark"), [(1280, False), (400, True)])
def test_axe_core_finds_nothing(page, width, dark):
    assert violations(page, width, dark=dark) == []


def test_script_sorts_under_the_page_s_own_policy(page):
    press = page.with_name("press.html")
    own = "<script>addEventListener('load',()=>{const b=document.querySelectorAll('thead button')[1];b.click();b.click()})</script>"
    text = re.sub("'sha256-[^']+'", "'unsafe-inline'", page.read_text())  # beside a hash browsers pass over it
    press.write_text(text.replace("</body>", own + "</body>"))
    for file, order in ((page, ["trial-1", "trial-0", "trial-2"]), (press, ["trial-2", "trial-1", "trial-0"])):
        done = chromium("--enable-logging=stderr", "--dump-dom", file.as_uri())
        soup = BeautifulSoup(done.stdout, "html.parser")
        assert [code.text for code in soup.select("tbody code")] == order
        assert len(soup.select("thead button")) == 3  # the script ran, under the policy in the first case
        assert "CONSOLE" not in done.stderr
