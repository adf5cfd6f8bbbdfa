"""Accessibility of the pages by axe-core at the width of a desk and of a telephone."""

from axe import violations

FAULTY = """<!DOCTYPE html><html><head><title>x</title></head><body><main><h1>x</h1><p style="color: #ccc; background: #fff">pale</p>
<img src="data:,"><div style="width: 30rem">wide</div></main></body></html>"""


def test_the_instrument_sees_what_is_wrong(tmp_path):
    page = tmp_path / "faulty.html"
    page.write_text(FAULTY)
    found = violations(page, 400)
    assert {line.split()[0] for line in found} == {"html-has-lang", "color-contrast", "image-alt", "the"}
    assert not any(line.startswith("the page") for line in violations(page, 1280))
