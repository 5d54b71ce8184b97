"""A comparison as a folder: report, small multiples, the difference and its uncertainty, tables, data."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from driftmodel.base.cells import csv_text
from driftmodel.base.records import Scenario
from driftmodel.report import compare_figures, compare_words
from driftmodel.report.captions import LIMITS
from driftmodel.report.folder import write_whole
from driftmodel.report.leaf import Leaf, Section, write_leaf

if TYPE_CHECKING:
    from xarray import Dataset

CAPTIONS = {
    "year": (
        "The action in an average year",
        "Where each lives last, the lasting drift left out; one scale for all. The band holds four times in five, the "
        "dotted line is the middle of the first. Dashed: the first scenario's rule.",
    ),
    "air": ("The air around each", "Relative humidity, mean of each month."),
    "chance": ("How likely, by when", "The chance that a regrade has fallen due by the end of each year."),
    "differences": (
        "What changes, and how surely",
        "Each against the first, run by run on the same draws and weather. The line holds the difference of four runs "
        "in five; the dot is the mean, and its own uncertainty is the short thick bar (two standard errors each way).",
    ),
}
FOR_GOOD = (
    "The wider the range of humidity a guitar goes through under its strings, and the damper and warmer it stands, the "
    "more it settles for good: places differ in how far, not only in when."
)
BRACES = (
    "Lower braces all over let the region of the sound hole dip, and with it the action, in this model and in an "
    "independent one; weaker braces behind the bridge alone raise it, which is what the bench tells of lower braces "
    "(lever: braces behind the bridge). A belly that comes of glue, heat and age is not modelled."
)
FILES = {
    "year.png, air.png, chance.png, differences.png": "the figures above, as pictures",
    "comparison.csv": "every outcome of every scenario: mean, 10, 50, 90 % and differences, metric",
    "comparison.nc": "the comparison as NetCDF, metric: every outcome of every run",
}


def write_comparison(table: Dataset, scenarios: Sequence[Scenario], out_dir: Path, units: str) -> list[Path]:
    """Writes the folder whole or not at all and returns its paths. table: of outlook.compare.compare."""
    rule = scenarios[0].rule

    def fill(folder: Path) -> None:
        limits = (rule.action_low_mm, rule.action_high_mm)
        write_leaf(
            folder,
            comparison_leaf(table, scenarios, units),
            {
                "year": lambda: compare_figures.small_multiples(table, units, limits),
                "air": lambda: compare_figures.airs(table),
                "chance": lambda: compare_figures.chances(table),
                "differences": lambda: compare_figures.differences(table, units),
            },
        )
        frame = compare_words.comparison_frame(table)
        (folder / "comparison.csv").write_text(csv_text(frame), encoding="utf-8")
        table.to_netcdf(folder / "comparison.nc", engine="h5netcdf")

    return write_whole(out_dir, fill)


def comparison_leaf(table: Dataset, scenarios: Sequence[Scenario], units: str) -> Leaf:
    """The report's words."""
    first = scenarios[0]
    invented = ("Guitars and places are invented, for demonstration.",) if any(s.invented for s in scenarios) else ()
    return Leaf(
        over="What if",
        title=first.title,
        under=(f"Against {compare_words.listed(compare_words.short_names(table)[1:])}.", *invented),
        mood="leave",
        head=compare_words.headline(table, units),
        lead=compare_words.lead(table),
        facts=tuple(compare_words.plain_differences(table, units)),
        sections=(
            Section("Through the year", (), ("year", "air")),
            Section(
                "What changes",
                (),
                ("differences", "chance"),
                (("compared", compare_words.comparison_table(table, units)),),
            ),
        ),
        limits=(*LIMITS, FOR_GOOD, BRACES),
        captions=CAPTIONS,
        files=FILES,
        foot=f"seed {table.attrs['seed']}, {table.attrs['draws']} runs of {table.attrs['horizon_years']} years",
    )
