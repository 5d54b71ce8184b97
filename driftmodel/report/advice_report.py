"""The advice as a folder: its report and pictures, table, data, and the sheet for the owner."""

from __future__ import annotations

import csv
import json
import textwrap
from dataclasses import asdict
from io import StringIO
from pathlib import Path

import numpy as np

from driftmodel.advice.records import Advice
from driftmodel.base.delimited import as_text
from driftmodel.base.record_file import Tag
from driftmodel.base.records import Scenario
from driftmodel.base.schema import Figure
from driftmodel.report import advice_words, texts
from driftmodel.report.folder import Page, Section, write_page, write_whole
from driftmodel.report.pictures import LASTING, LASTING_LINE, MONTHS, QUIET, SEASON, SEASON_LINE, ZONE, blank, key_below
from driftmodel.report.sheet import owner_sheet


def write_advice(advice: Advice, scenario: Scenario, out_dir: Path, units: str, tag: Tag | None = None) -> list[Path]:
    """Writes the folder whole or not at all and returns its paths. tag: of a record, for the owner's sheet."""

    def fill(folder: Path) -> None:
        write_page(
            folder,
            advice_page(advice, scenario, units),
            {
                "air": lambda: air_and_band(advice),
                **({"measures": lambda: measures(advice)} if _at_risk(advice) else {}),
                "fluctuations": lambda: fluctuations(advice),
            },
        )
        (folder / "sheet.html").write_text(
            owner_sheet(scenario, advice, tag, "letter" if units == "inch" else "a4"), encoding="utf-8"
        )
        (folder / "measures.csv").write_text(_csv(advice, units), encoding="utf-8")
        data = json.dumps(asdict(advice), indent=2, ensure_ascii=False)
        (folder / "advice.json").write_text(data + "\n", encoding="utf-8")

    return write_whole(out_dir, fill)


def advice_page(advice: Advice, scenario: Scenario, units: str) -> Page:
    """The report's words."""
    measures = tuple(advice_words.measure_words(each, units) for each in advice.measures)
    shorter = tuple(filter(None, (advice_words.sooner_words(advice),)))
    place = (f"Lives in: {scenario.stays[-1].climate.title}",)
    invented = ("Guitar and place are invented, for demonstration.",) if scenario.invented else ()
    return Page(
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
        limits=(advice_words.sure_words(advice), *texts.limits("settling", "chances")),
        captions=texts.captions("advice"),
        files=texts.lies_in("advice"),
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


def air_and_band(advice: Advice) -> Figure:
    """Relative humidity by month, the band to keep tinted, the wood's limits dashed and named at the right."""
    figure, axes = blank(7.2, 3.4)
    month = np.arange(12)
    low, middle, high = np.array([each.humidity_pct for each in advice.months]).T
    axes.axhspan(*advice.keep, color=ZONE, linewidth=0, label="keep it here")
    axes.fill_between(month, low, high, color=SEASON, alpha=0.8, linewidth=0, label="eight days in ten")
    axes.plot(month, middle, color=SEASON_LINE, linewidth=1.8, marker="o", markersize=3.5, label="middle day")
    wood = advice.bands[1]
    for at, words in ((wood.low_pct, "wood takes\na set below"), (wood.high_pct, "wood takes\na set above"),
                      (wood.strength_low_pct, "may split\nbelow")):  # fmt: skip
        if 0.0 < at < 100.0:
            axes.axhline(at, color=LASTING_LINE, linewidth=0.9, linestyle=(0, (6, 3)))
            axes.annotate(words, (1.0, at), xycoords=("axes fraction", "data"), xytext=(5, 0),
                          textcoords="offset points", va="center", fontsize=8.5)  # fmt: skip
    axes.set_ylim(0, 100)
    axes.set_xlim(-0.5, 11.5)
    axes.set_xticks(range(12), MONTHS)
    axes.set_ylabel("Relative humidity around it (%)")
    key_below(figure, 3)
    return figure


def measures(advice: Advice) -> Figure:
    """For the air as it is and each measure: months at risk, dry solid and damp hatched."""
    rows = [("as it is", advice.now)] + [(m.key, m.outcome) for m in advice.measures if m.key != "off the wall"]
    figure, axes = blank(7.2, 0.9 + 0.42 * len(rows))
    place = np.arange(len(rows))
    dry = np.array([len(each.dry_months) for _, each in rows])
    damp = np.array([len(each.damp_months) for _, each in rows])
    axes.barh(place, dry, height=0.6, color=LASTING, edgecolor=LASTING_LINE, linewidth=0.7, label="too dry")
    axes.barh(place, damp, left=dry, height=0.6, color="white", edgecolor=SEASON_LINE, hatch="////", linewidth=0.7,
              label="too damp")  # fmt: skip
    for at, total in enumerate(dry + damp):
        axes.annotate(f"{total}", (total, at), xytext=(4, 0), textcoords="offset points", va="center", fontsize=8.5)
    axes.set_yticks(place, [textwrap.fill(words, 28) for words, _ in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(0, 12.6)
    axes.set_xticks(range(0, 13, 2))
    axes.set_xlabel("Months of the year at risk")
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_color(QUIET)
    key_below(figure, 2)
    return figure


def fluctuations(advice: Advice) -> Figure:
    """A year's daily relative humidity in the band of EN 15757; winter and summer named along the foot."""
    from matplotlib.dates import DateFormatter, MonthLocator

    band = advice.historic
    figure, axes = blank(7.2, 3.0)
    day = np.datetime64(band.first_day) + np.arange(len(band.daily_pct))
    axes.fill_between(day, band.low_pct, band.high_pct, color=ZONE, linewidth=0, label="band of EN 15757")
    axes.plot(day, band.daily_pct, color=SEASON_LINE, linewidth=0.9, label="mean of each day")
    axes.set_ylim(0, 100)
    axes.set_xlim(day[0], day[-1])
    axes.xaxis.set_major_locator(MonthLocator())  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(DateFormatter("%b"))  # type: ignore[no-untyped-call]
    axes.set_ylabel("Relative humidity around it (%)")
    key_below(figure, 2)
    return figure
