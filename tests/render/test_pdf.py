"""The PDF: links, fonts, widths; hostile text stays text; the same numbers as the HTML; files beside it.

`test_report_texts` looks at a whole report: standards, bookmarks, pages, attachments.
"""

import csv
import io
import json
import re
from base64 import b64decode
from pathlib import Path

import nbformat
import numpy as np
import pytest
import typst
from bs4 import BeautifulSoup
from conftest import Report
from PIL import Image

from intake_report.errors import DataError
from intake_report.render import typst as typst_exporter
from intake_report.render.blocks import Column, Cover, Definitions, Heading, Paragraph, Table
from intake_report.render.document import ReportMeta, number
from intake_report.render.notebook import add_pictures, normalise_notebook, table_csv, write_assets
from intake_report.render.typst import export_pdf, font_folder, text_width

from . import samples


def _export(tmp_path, *blocks, meta=samples.META) -> Report:
    (tmp_path / "report.pdf").write_bytes(export_pdf(samples.document(*blocks), meta, (), tmp_path / "project"))
    return Report(tmp_path)


def _text(report: Report) -> str:
    return "\n".join(report.sheets).replace("\u200b", "")


@pytest.fixture(scope="module")
def made(pdf) -> Report:
    return Report(pdf.parent)


def test_same_arguments_same_bytes_in_another_folder(pdf, tmp_path):
    document = samples.document(*samples.sample_blocks())
    assert export_pdf(document, samples.META, samples.ATTACHMENTS, tmp_path / "elsewhere") == pdf.read_bytes()


def test_references_are_links_inside_the_file_and_attachments_say_what_they_are(made):
    notes = [note.get_object() for page in made.pdf.pages for note in page.get("/Annots", [])]
    links = [note for note in notes if note["/Subtype"] == "/Link"]
    assert len(links) >= 8  # the references of the texts; the list of contents is in the annex
    assert not any("/URI" in link.get("/A", {}) for link in links)
    files = [file.get_object() for file in made.pdf.trailer["/Root"]["/AF"]]
    relations = {file["/UF"]: file["/AFRelationship"] for file in files}
    assert relations == {"results.json": "/Data", "campaign.toml": "/Source"}


def test_header_row_is_repeated_on_every_page_of_a_long_table(made):
    cover, *others = ("delivery-van-1 2025-06-03 revision 2" in text for text in made.sheets)
    assert not cover and all(others)
    spread = [text for text in made.sheets if len(re.findall(r"\brun-\d\d config", text)) > 9]
    assert len(spread) >= 2
    assert all("Configuration" in text and "Recovery [s]" in text for text in spread)


def test_fonts_are_embedded(made):
    fonts = [font.get_object() for page in made.pdf.pages for font in page["/Resources"].get("/Font", {}).values()]
    inner = [font["/DescendantFonts"][0].get_object() for font in fonts]
    assert all({"/FontFile2", "/FontFile3"} & set(font["/FontDescriptor"].get_object()) for font in inner)
    assert any("LibertinusSerif" in font["/BaseFont"] for font in inner)


def test_numbers_are_the_same_in_html_and_pdf(page, made):
    def numbers(text: str) -> set[str]:
        return set(re.findall(r"[−+]?\d+(?:\.\d+)?", text))

    soup = BeautifulSoup(page, "html.parser")
    rows = [[cell.get_text() for cell in row.find_all(["th", "td"])] for row in soup.select("tbody tr")]
    text = re.sub(r"\s+", " ", _text(made))
    assert len(rows) == 9 + 4 + 70
    assert all(" ".join(row) in text for row in rows if row[0].startswith("run-"))
    body = soup.select_one("main")
    for drawing in body.select("svg"):
        drawing.decompose()
    printed = numbers(body.get_text(" "))
    assert len(printed) > 100 and printed <= numbers(text)


def _ink_outside(project: Path) -> list[int]:
    """Return the pages (from 1) with anything printed in the left or right margin of A4."""
    fonts = {"font_paths": [font_folder()], "ignore_system_fonts": True}
    made = typst.compile(project / "main.typ", root=project, format="png", ppi=72, **fonts)
    outside = []
    for index, data in enumerate(made if isinstance(made, list) else [made], start=1):
        pixels = np.asarray(Image.open(io.BytesIO(data)).convert("L"))
        if min(pixels[:, :58].min(), pixels[:, 535:].min()) < 250:  # 62 pt (22 mm) each of 595, less what may overhang
            outside.append(index)
    return outside


@pytest.mark.parametrize("columns, rows", [(30, 8), (7, 200), pytest.param(30, 500, marks=pytest.mark.slow)], ids=str)
def test_wide_and_long_tables_stay_on_the_page_and_lose_nothing(columns, rows, tmp_path, part):
    values = np.random.default_rng(1).normal(1000, 99, (part(rows, 200), columns - 1))
    titles = tuple(Column(f"Q{i} [K/min]", "right" if i else "left") for i in range(columns))
    cells = tuple((f"run-{number}", *(f"{value:.3f}" for value in row)) for number, row in enumerate(values))
    table = Table("tab-wide", "Wide.", titles, cells)
    words = set(_text(_export(tmp_path, Heading(1, "Wide"), table)).split())
    assert {cell for row in table.rows for cell in row} <= words
    assert _ink_outside(tmp_path / "project") == []


def test_a_row_is_divided_between_pages_only_where_none_holds_it(tmp_path):
    rows = tuple((f"row-{n}", f"begin{n} " + "word " * (100 + n) + f"end{n}") for n in range(60))
    table = Table("tab-rows", "Rows.", (Column("a"), Column("b")), rows)
    sheets = [sheet.split() for sheet in _export(tmp_path, Heading(1, "Rows"), table).sheets]
    assert len(sheets) > 3
    assert all(any({f"begin{n}", f"end{n}"} <= set(sheet) for sheet in sheets) for n in range(60))
    endless = Table("tab-rows", "Rows.", (Column("a"), Column("b")), (("one", "first " + "word " * 3000 + "last"),))
    (tmp_path / "endless").mkdir()
    words = _text(_export(tmp_path / "endless", Heading(1, "Rows"), endless)).split()
    assert words.count("word") == 3000 and "last" in words


def test_long_words_and_texts_stay_in_their_columns(tmp_path):
    long = "W" * 300
    table = Table(
        "tab-long", long, (Column("a"), Column(long), Column("n", "right"), Column("Text")),
        ((long, "logs/" + "part_of_a_name/" * 9, "12.5", samples.LOREM),) * 2,
    )  # fmt: skip
    cover = Cover(long, long, "2025-01-01", "1", long, (long,), ((long, long),))
    headings = Heading(1, long), Heading(2, long)
    _export(tmp_path, cover, *headings, Paragraph(f"`{long}`"), table, Definitions(((long, long),)))
    assert _ink_outside(tmp_path / "project") == []


def test_margin_check_sees_what_sticks_out(tmp_path, monkeypatch):
    monkeypatch.setattr(typst_exporter, "breakable", lambda text, longest=14: text)
    _export(tmp_path, Paragraph("W" * 300))
    assert _ink_outside(tmp_path / "project") != []


def test_width_estimate_is_on_the_wide_side(tmp_path):
    """The estimate against the compiler's own measure of the same words in the same face."""
    words = [
        "Configuration", "Intake", "ambient", "temperature", "[K/min]", "−12.3", "1234.567", "2025-06-03", "run-07",
        "WIDE-CAPS", "0123456789abcdef", "±0.4 to 1.7", "Überlänge", "kPa", "not reached", "mmmm", "illicit",
    ]  # fmt: skip
    array = ", ".join(typst_exporter.string(word) for word in words)
    (tmp_path / "m.typ").write_text(
        '#set text(font: ("Libertinus Serif", "DejaVu Sans"), size: 100pt, fallback: false, number-width: "tabular")\n'
        f"#context [#metadata(({array}).map(it => measure(it).width / 100pt))<m>]",
        "utf-8",
    )
    found = json.loads(typst.query(tmp_path / "m.typ", "<m>", field="value", one=True, font_paths=[font_folder()]))
    for word, measured in zip(words, found, strict=True):
        assert measured <= text_width(word) <= 1.45 * measured + 0.1, (word, measured, text_width(word))


def test_hostile_text_is_text(tmp_path):
    text = re.sub(r"\s+", "", _text(_export(tmp_path, *samples.hostile_blocks())))
    for hostile, shown in zip(samples.HOSTILE, samples.SHOWN, strict=True):
        assert text.count(re.sub(r"\s+", "", shown)) >= 5, hostile


def test_no_page_ends_with_a_heading_or_a_table_caption(tmp_path):
    blocks = []
    for index in range(60):  # places of the headings drift over the page
        blocks.append(Heading(1 + index % 3, f"Heading-{index}"))
        blocks += [Paragraph("words " * (7 + 11 * (index % 7)))] * (index % 4)
        if index % 4 != 1:
            rows = tuple((str(i), "1.0") for i in range(3 + index % 5))
            blocks.append(Table(f"tab-{index}", "Caption.", (Column("n"), Column("x", "right")), rows))
    sheets = _export(tmp_path, *blocks).sheets[1:]
    assert len(sheets) > 8
    for text in sheets:
        last = [line for line in text.splitlines() if line.strip() and not line.startswith("page ")][-1]
        assert "Heading-" not in last and "Caption." not in last and last.strip() != "n x"


def test_letter_paper(tmp_path):
    meta = ReportMeta("c", "T", "2025-01-02", paper="letter")
    assert _export(tmp_path, Paragraph("x"), meta=meta).pdf.pages[0].mediabox[2:] == [612, 792]


def test_compiler_warning_is_an_error(tmp_path, monkeypatch):
    style = tmp_path / "report.typ"
    style.write_text(typst_exporter.STYLE.read_text("utf-8").replace('("Libertinus Serif",', '("Nowhere Serif",'))
    monkeypatch.setattr(typst_exporter, "STYLE", style)
    with pytest.raises(DataError, match="unknown font family: nowhere serif") as caught:
        _export(tmp_path, Paragraph("x"))
    assert "\n" not in str(caught.value)


def test_data_and_assets(sample, tmp_path):
    assert {block.name: block.text for block in sample.data} == {"results.json": samples.RESULTS}
    write_assets(sample, tmp_path)
    assert {path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*.*")} == {
        "figures/fig-iat.svg", "figures/fig-iat.png", "figures/fig-recovery.svg", "figures/fig-recovery.png",
        "tables/tab-runs.csv", "tables/tab-differences.csv", "tables/tab-stops.csv",
    }  # fmt: skip
    add_pictures(made := samples.notebook(*samples.sample_blocks()), tmp_path)
    data = [output.get("data", {}) for cell in made.cells for output in cell.get("outputs", ())]
    pixels = [kinds["image/png"] for kinds in data if "image/png" in kinds]
    assert len(pixels) == 2 and pixels[0] != pixels[1]
    for name, text in zip(("fig-iat", "fig-recovery"), pixels, strict=True):
        data = (tmp_path / f"figures/{name}.png").read_bytes()
        assert data.startswith(b"\x89PNG") and b64decode(text) == data
    lines = (tmp_path / "tables/tab-runs.csv").read_bytes().split(b"\r\n")
    assert lines[0] == b"run,configuration,peak_K,city_K,soak_K_per_min,recovery_s"
    assert re.fullmatch(rb"run-00,config-0,(\d+\.\d{1,4},?){4}", lines[1]) and lines[-1] == b""


def test_csv_quotes_by_the_standard():
    # RFC 4180, section 2: fields with commas, quotes or line ends are quoted, quotes doubled; lines end in CR LF.
    table = Table("t", "c", (Column("a"), Column("b")), (("x, **y**", 'say "z"'), ("[[t]]", "é")))
    assert table_csv(table, number([table])) == 'a,b\r\n"x, y","say ""z"""\r\nTable 1,é\r\n'


def test_normalised_notebook_is_the_same_on_every_run():
    def run(seed: int):
        book = samples.notebook(Paragraph("x"))
        book.metadata["papermill"] = {"duration": seed}
        for index, cell in enumerate(book.cells):
            cell["id"] = f"{seed}-{index}"
            cell.metadata["execution"] = {"iopub.execute_input": f"2025-01-0{seed}"}
        texts = [("stderr", text) for text in (("a", "b") if seed == 1 else ("ab",))]
        for name, text in [*texts, ("stdout", f"/tmp/ipykernel_{seed}/1.py")]:
            book.cells[0].outputs.append(nbformat.v4.new_output("stream", name=name, text=text))
        return book

    first, second = run(1), run(2)
    assert first != second
    assert normalise_notebook(first) == normalise_notebook(second)
    assert first.cells[0]["id"] == "1-0"  # the argument is left alone


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("=1+1", "'=1+1"), ("+cmd|' /C calc'!A0", "'+cmd|' /C calc'!A0"), ("-2+3", "'-2+3"), ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t=1"), ("-2.5", "-2.5"), ("+1.3\u00a0%", "+1.3\u00a0%"), ("-4.0 K", "-4.0 K"), (-2.5, "-2.5"), ("1=1", "1=1"),
    ],
)  # fmt: skip
def test_a_cell_is_never_a_formula_of_a_spreadsheet(cell, written):
    table = Table(label="tab-x", caption="x", columns=(Column("a"),), rows=(("x",),), values=(("a",), (cell,)))
    assert list(csv.reader(io.StringIO(table_csv(table, number([table])), newline=""))) == [["a"], [written]]
