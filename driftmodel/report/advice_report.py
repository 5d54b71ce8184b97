"""The advice as a folder: report, pictures, table, data, and the sheet for the owner."""

from __future__ import annotations

import csv
import json
from io import StringIO
from pathlib import Path

from driftmodel.advice.records import Advice
from driftmodel.base.cells import as_text
from driftmodel.base.record_file import Tag
from driftmodel.base.records import Scenario
from driftmodel.report import advice_figures, advice_words
from driftmodel.report.captions import LIMITS
from driftmodel.report.folder import write_whole
from driftmodel.report.leaf import Leaf, Section, write_leaf
from driftmodel.report.sheet import owner_sheet

CAPTIONS = {
    "air": (
        "The air, and the band to keep",
        "Relative humidity around it by month where it lives last, and what its wood bears where it is held fast.",
    ),
    "measures": ("What each measure leaves", "Months of the year in which action or wood is at risk."),
    "fluctuations": (
        "Short fluctuations",
        "A year of the air around it, day by day, in the band of EN 15757: the running mean of a month, and about it "
        "what was usual here, never tighter than ten percent.",
    ),
}
FILES = {
    "sheet.html": "one page for the owner, to print",
    "air.png, measures.png, fluctuations.png": "the figures above, as pictures",
    "measures.csv": "the table of measures",
    "advice.json": "all of it, metric, for machines",
}


def write_advice(advice: Advice, scenario: Scenario, out_dir: Path, units: str, tag: Tag | None = None) -> list[Path]:
    """Writes the folder whole or not at all and returns its paths. tag: of a record, for the owner's sheet."""

    def fill(folder: Path) -> None:
        write_leaf(
            folder,
            advice_leaf(advice, scenario, units),
            {
                "air": lambda: advice_figures.air_and_band(advice),
                **({"measures": lambda: advice_figures.measures(advice)} if _at_risk(advice) else {}),
                "fluctuations": lambda: advice_figures.fluctuations(advice),
            },
        )
        (folder / "sheet.html").write_text(
            owner_sheet(scenario, advice, tag, "letter" if units == "inch" else "a4"), encoding="utf-8"
        )
        (folder / "measures.csv").write_text(_csv(advice, units), encoding="utf-8")
        data = json.dumps(advice_words.advice_json(advice), indent=2, ensure_ascii=False)
        (folder / "advice.json").write_text(data + "\n", encoding="utf-8")

    return write_whole(out_dir, fill)


def advice_leaf(advice: Advice, scenario: Scenario, units: str) -> Leaf:
    """The report's words."""
    measures = tuple(advice_words.measure_words(each, units) for each in advice.measures)
    shorter = tuple(filter(None, (advice_words.sooner_words(advice),)))
    place = (f"Lives in: {scenario.stays[-1].climate.title}",)
    invented = ("Guitar and place are invented, for demonstration.",) if scenario.invented else ()
    return Leaf(
        over="Humidity care",
        title=advice.title,
        under=(scenario.summary, *place, *invented),
        mood="leave" if advice.kind == "steady" else "regrade",
        head=advice_words.HEADS[advice.kind],
        lead=advice_words.best_words(advice),
        facts=(
            ("Keep", advice_words.keep_words(advice)),
            ("At risk", advice_words.risk_words(advice)),
            ("As it is", advice_words.now_words(advice, units)),
        ),
        sections=(
            Section("The air and the wood", (advice_words.wood_words(advice),), ("air",)),
            Section(
                "What each measure does",
                (*measures, *shorter),
                ("measures",) if _at_risk(advice) else (),
                (("measures-done", advice_words.measure_table(advice, units)),),
            ),
            Section("Cold walls and windows", (advice_words.surface_words(advice),)),
            Section("Short fluctuations", (advice_words.historic_words(advice),), ("fluctuations",)),
        ),
        limits=(advice_words.sure_words(advice), *LIMITS[:1], *LIMITS[3:]),
        captions=CAPTIONS,
        files=FILES,
        foot=f"seed {advice.seed}, {advice.draws} runs",
    )


def _at_risk(advice: Advice) -> bool:
    """Whether any month is at risk, as it is or with a measure: else there is nothing to draw."""
    outcomes = [advice.now, *(each.outcome for each in advice.measures)]
    return any(each.months_outside for each in outcomes)


def _csv(advice: Advice, units: str) -> str:
    table = advice_words.measure_table(advice, units)
    text = StringIO()
    csv.writer(text, lineterminator="\n").writerows(
        [as_text(cell) for cell in row] for row in (table.heads, *table.rows)
    )
    return text.getvalue()
