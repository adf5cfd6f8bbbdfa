"""A synthetic executed notebook with every kind of block; the numbers mean nothing."""

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure as MplFigure
from nbformat import v4

from intake_report.render import blocks
from intake_report.render.blocks import literal
from intake_report.render.document import Attachment, Document, ReportMeta
from intake_report.render.figure import FigureOf
from intake_report.render.html import mime_bundle
from intake_report.render.notebook import read_document

mpl.use("Agg")

META = ReportMeta("delivery-van-1", "Intake air temperature of three configurations", "2025-06-03", 2)
RESULTS = '{"metric": {"peak": 41.25, "note": "± 0,4 — ünïcode"}}\n'
CAMPAIGN = b'schema = 1\r\n[campaign]\nid = "delivery-van-1"\n# bytes as they are: \xc3\xa9\n'
ATTACHMENTS = (
    Attachment("results.json", RESULTS.encode(), "application/json", "Every number of the report"),
    Attachment("campaign.toml", CAMPAIGN, "application/toml", "The campaign as described", "source"),
)
LOREM = (
    "The route was driven nine times, three times with each configuration, in an order balanced over three days. "
    "Ambient temperature differed by 2.3 K between the days, so the comparison is made within days. "
)


def drawing(seed: int = 0) -> MplFigure:
    """Return a figure in the manner of the report's own."""
    rng = np.random.default_rng(seed)
    fig = MplFigure(figsize=(7.0, 3.2), layout="constrained")
    ax = fig.subplots()
    for name in ("as sold", "sealed duct", "shielded duct"):
        ax.plot(np.linspace(0, 14, 400), 30 + np.cumsum(rng.normal(0, 0.4, 400)), label=name, lw=1.2)
    ax.axvspan(9, 14, color="0.93")
    ax.set(xlabel="route distance [km]", ylabel="intake air temperature [°C]")
    ax.legend(frameon=False)
    return fig


def figure(label: str, caption: str, seed: int = 0) -> blocks.Figure:
    alt = "Three lines of temperature against route distance; the shaded part is the highway."
    return FigureOf(drawing(seed), label).captioned(caption, alt)


def result_table(rows: int = 9, label: str = "tab-runs") -> blocks.Table:
    rng = np.random.default_rng(3)
    values = [(f"run-{i:02d}", f"config-{i % 3}", *rng.normal(20, 3, 4).round(4).tolist()) for i in range(rows)]
    columns = ("Run", "Configuration", "Peak over ambient [K]", "Mean city [K]", "Soak rate [K/min]", "Recovery [s]")
    return blocks.Table(
        label,
        "Metrics of each run. Intervals are given in [[tab-differences]].",
        tuple(blocks.Column(title, "left" if i < 2 else "right") for i, title in enumerate(columns)),
        tuple((*v[:2], *(f"{x:.1f}" for x in v[2:])) for v in values),
        notes=("Values in K are differences from the station ambient; see [[sec-weather]].",),
        values=(("run", "configuration", "peak_K", "city_K", "soak_K_per_min", "recovery_s"), *values),
    )


def sample_blocks() -> list[blocks.Block]:
    """Return a report that has every kind of block, long texts and long tables."""
    answer = (
        "With the sealed duct the mean over-ambient temperature in the city is **3.4 K lower** (95 % interval 2.1 K to 4.7 K).",
        "After the highway entry it recovers to within 3 °F of ambient 41 s sooner (12 s to 70 s).",
        "The shielded duct shows no difference that the intervals support; see [[sec-results]].",
    )
    terms = (
        ("Over-ambient", "Intake air temperature minus ambient temperature at the same time, in K."),
        ("Recovery time", "Time from the highway entry until the intake air is within a margin of ambient."),
        ("`iat`", "Channel read through the diagnostic port, 1 °C steps, 2.1 s between true samples."),
    )
    titles = ("Metric", "left"), ("Configuration", "left"), ("Difference", "right"), ("What it says", "left")
    differences = tuple(
        (metric, config, "−1.3 K", "The interval excludes zero; supported by three runs in three blocks.")
        for metric in ("Mean over-ambient, city", "Recovery to within 1.67 K")
        for config in ("sealed duct", "shielded duct")
    )
    question = "Does a sealed or a shielded duct keep the intake air closer to ambient than the part as sold?"
    facts = (("Prepared by", "Test engineer"), ("Runs", "9 accepted of 10; 3 configurations in 3 blocks"))
    return [
        blocks.Cover(
            f"{META.title} on a city and highway route", "Delivery van", META.date, "2", question, answer, facts
        ),
        blocks.Heading(1, "Methodology", "sec-method"),
        blocks.Paragraph(LOREM * 2),
        blocks.Definitions(terms),
        blocks.Heading(2, "Alignment of the runs"),
        blocks.Paragraph(LOREM * 2),
        blocks.ItemList(("Coverage of the route at least 95 %.", "Start **within 5 K** of the block's mean.")),
        blocks.ItemList(("Warm up.", "Drive the route.", "Read the log while all is still instrumented."), True),
        blocks.Callout("caution", "Public roads", ("A second person operates the logger. Local rules come first.",)),
        blocks.Heading(1, "Weather conditions", "sec-weather"),
        blocks.Paragraph(LOREM),
        blocks.Heading(1, "Results", "sec-results"),
        blocks.Paragraph("[[fig-iat]] shows every run; [[tab-runs]] gives the metrics. " + LOREM * 2),
        figure("fig-iat", "Intake air temperature against route distance, all runs, highway shaded.", 1),
        blocks.Paragraph(LOREM * 2),
        result_table(),
        blocks.Heading(2, "Differences between configurations"),
        blocks.Table("tab-differences", "Differences.", tuple(blocks.Column(*title) for title in titles), differences),
        figure("fig-recovery", "Recovery after the highway entry, aligned at the entry.", 2),
        blocks.Callout("limitation", "One vehicle", ("It holds for the vehicle tested.", "It says nothing of others.")),
        blocks.Heading(2, "Every stop"),
        blocks.Paragraph("All stops are listed in [[tab-stops]]."),
        result_table(70, "tab-stops"),
        blocks.Callout("note", "Rounding", ("Numbers are rounded once, at the end.",)),
        blocks.Heading(1, "Provenance"),
        blocks.Paragraph("Made with the inputs whose SHA-256 is `" + "0123456789abcdef" * 4 + "`."),
        blocks.Preformatted("intake-report render data/delivery-van-1 --date 2025-06-03\n  --out build"),
        blocks.Data("results.json", "application/json", RESULTS),
    ]


def notebook(*shown: blocks.Block) -> object:
    """Return an executed notebook that shows these blocks, one cell each."""
    outputs = [v4.new_output("display_data", data=mime_bundle(block)) for block in shown]
    first = [v4.new_code_cell("# parameters\nCAMPAIGN = 'x'"), v4.new_markdown_cell("For the analyst.")]
    return v4.new_notebook(cells=[*first, *(v4.new_code_cell("show_it()", outputs=[output]) for output in outputs)])


def document(*shown: blocks.Block) -> Document:
    """Return the report that such a notebook holds."""
    return read_document(notebook(*shown))


def table(shown, label: str) -> blocks.Table:
    """Return the table of this label among blocks."""
    return next(block for block in shown if isinstance(block, blocks.Table) and block.label == label)


HOSTILE = (
    '#eval("x")',
    "<script>alert(1)</script>",
    ']] ) } $ \\ \\u{41} " #[',
    "😀 👩‍👧 日本語",
    "W" * 300,
    "a/b/c/" * 40,
    "`code` **bold",
    "k\x00\x07z",
    "12.\u202e5 K",
    "<!-- --> &amp; %s {{ 7*7 }} {% x %} [[tab-gone]]",
)
# As the PDF shows them: what its fonts lack is written as a code point.
SHOWN = list(HOSTILE)
SHOWN[3], SHOWN[7:9] = "😀 [U+1F469][U+1F467] [U+65E5][U+672C][U+8A9E]", ("k\ufffd\ufffdz", "12.5 K")


def hostile_blocks() -> list[blocks.Block]:
    """Return every kind of block with text that tries to be something else."""
    texts = tuple(map(literal, HOSTILE))
    pairs = tuple((text, text) for text in texts)
    columns = (blocks.Column(texts[0]), blocks.Column(texts[4]), blocks.Column(texts[2], "right"))
    return [
        blocks.Cover(texts[1], texts[0], META.date, "1", texts[4], texts, pairs),
        *(blocks.Heading(1, text) for text in texts),
        *(blocks.Paragraph(text) for text in texts),
        blocks.ItemList(texts),
        blocks.Definitions(pairs),
        blocks.Preformatted("\n".join(HOSTILE)),
        blocks.Callout("note", texts[2], texts),
        blocks.Table("tab-hostile", texts[4], columns, tuple((text,) * 3 for text in texts), notes=texts),
        FigureOf(drawing(1), "fig-hostile").captioned(texts[3], "".join(HOSTILE)),
    ]
