"""The folder of a demand forecast: tables, workbook, pictures and one page; written whole or not at all."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from driftmodel.base import __version__
from driftmodel.base.delimited import csv_text
from driftmodel.base.schema import DataFrame
from driftmodel.fleet.backtest import backtest_words, verdict
from driftmodel.fleet.fit_check import alerts
from driftmodel.fleet.tables import write_faults
from driftmodel.report import demand_words as words
from driftmodel.report import texts
from driftmodel.report.demand_figures import demand_figures
from driftmodel.report.demand_numbers import DemandBook, places_ahead
from driftmodel.report.demand_workbook import lag_note, stock_note, workbook
from driftmodel.report.folder import check_folder, render, write_whole
from driftmodel.report.pictures import draw, our_style
from driftmodel.report.tables import Table

PAGE = "demand.html"
REJECTS = "rejects.csv"
REJECTS_HEAD = "file,row,column,reason,value"
#: never carried over from an earlier forecast in the same folder
OURS = frozenset({REJECTS, "backtest.png", "scores.png", "policy.csv", "what-if.csv"})
MOST_TABLE_ROWS = 24
MOST_DUE_SHOWN = 15


def check_demand_folder(out: Path) -> None:
    """Raises BadInput if `out` cannot take a demand forecast. A folder with nothing but our list of rejects can."""
    if not _only_rejects(out):
        check_folder(out, PAGE)


def _only_rejects(out: Path) -> bool:
    try:
        return [path.name for path in out.iterdir()] == [REJECTS] and (out / REJECTS).read_text(
            encoding="utf-8"
        ).startswith(REJECTS_HEAD)
    except (OSError, UnicodeDecodeError):
        return False


def write_demand(book: DemandBook, out_dir: Path) -> list[Path]:
    """Writes all of it and returns the paths, as folder.write_whole does. Raises BadInput as check_folder does."""
    if _only_rejects(out_dir):
        (out_dir / REJECTS).unlink()
    return write_whole(out_dir, lambda folder: _fill(folder, book), PAGE, OURS)


def _fill(folder: Path, book: DemandBook) -> None:
    import pandas as pd

    drawings, told = {}, texts.captions("demand")
    with our_style():
        for name, figure in demand_figures(book).items():
            picture, drawings[name] = draw(figure, name, told)
            (folder / f"{name}.png").write_bytes(picture)
    _csv(book.monthly, folder / "demand.csv")
    book.monthly.to_parquet(folder / "demand.parquet", engine="pyarrow", index=False)
    _csv(pd.DataFrame(book.due).round(6), folder / "due.csv")
    _csv(pd.DataFrame(book.stock).round(6), folder / "stock.csv")
    for name, rows in (("policy.csv", book.prices), ("what-if.csv", book.what_ifs)):
        if rows:
            _csv(pd.DataFrame(rows).round(6).assign(currency=book.currency), folder / name)
    _csv(pd.DataFrame(book.roll).round(6).assign(currency=book.currency), folder / "roll-forward.csv")
    if book.demand.fleet.faults:
        write_faults(book.demand.fleet.faults, folder / REJECTS)
    (folder / "demand.xlsx").write_bytes(workbook(book))
    (folder / PAGE).write_text(page(book, drawings), encoding="utf-8")


def _csv(frame: DataFrame, file: Path) -> None:
    file.write_text(csv_text(frame), encoding="utf-8")


def page(book: DemandBook, drawings: dict[str, str]) -> str:
    """The forecast as one HTML page: style and drawings inside, no script, nothing fetched."""
    settings = book.demand.fleet.settings
    shown = {
        name: meaning
        for name, meaning in texts.lies_in("demand").items()
        if name != REJECTS or book.demand.fleet.faults
    }
    return render(
        "demand.html",
        drawings=drawings,
        title=settings.title,
        invented=settings.invented,
        months=len(book.months),
        known=f"Known to the end of {words.month_words(book.demand.cube.attrs['cutoff'])}; {words.sold_words(book)}.",
        headline=f"About {words.whole(book.ahead['regrades'][1])} regrades in the next {book.span} months",
        lead=_lead(book),
        facts=_facts(book),
        captions=texts.captions("demand"),
        places=_places(book),
        monthly=_monthly(book),
        stock=_stock(book),
        roll=_roll(book),
        rates=_rates(book),
        waiting=_waiting(book),
        due=_due(book),
        claims=[words.multiplier_words(row) for row in sorted(book.multipliers, key=lambda row: -row["expected"])[:24]],
        lag=lag_note(book),
        backtest=[] if book.backtest is None else backtest_words(book.backtest).splitlines(),
        definitions=texts.definitions(**settings.habits.model_dump()),
        limits=texts.said("demand_limits"),
        caution=texts.said("demand_caution"),
        files=shown,
        version=__version__,
        seed=settings.seed,
        samples=settings.samples,
        draws=settings.draws,
        members=settings.members,
    )


def _lead(book: DemandBook) -> str:
    low, _, high = book.ahead["regrades"]
    return (
        f"From {words.span_words(book)}, four times in five between {words.whole(low)} and {words.whole(high)}; "
        f"in cover {words.band_words(book.ahead['in_cover'])}, costing {book.currency} "
        f"{words.band_words(book.ahead['cost'])} with the seasonal complaints. {verdict(book.backtest)}"
    )


def _facts(book: DemandBook) -> list[tuple[str, str]]:
    month, band = book.busiest
    facts = [
        *(("Alert", line) for line in alerts(book.demand)),
        ("Out of cover", f"{words.band_words(book.ahead['out_of_cover'])} regrades, not in the cost above."),
        (
            "Seasonal complaints",
            f"{words.band_words(book.ahead['seasonal'])} visits on top: the action moved with the season and comes "
            "back. No spacer is needed.",
        ),
        ("Technician hours", f"{words.band_words(book.ahead['hours'])} h, in cover and seasonal."),
        ("Cost still to come", _remaining(book)),
        ("Rates", words.rates_words(book)),
        ("Busiest month", f"{words.month_words(month)}: {words.band_words(band)} regrades reported."),
        *((words.spacers_of(each), words.centre_words(book, each)) for each in book.spares[:4]),
        ("No spacer mends it", words.unmended_words(book)),
        *([("Price of cover", words.price_words(book))] if book.prices else []),
        *(("What if", line) for line in words.what_if_words(book)),
        (
            "Not yet reported",
            f"{words.band_words(book.not_yet_reported_band)} units are due for a regrade today and nobody has said so "
            "yet.",
        ),
        ("Rows read", " ".join(words.rows_words(book))),
    ]
    if beyond := words.beyond_words(book):
        facts.append(("Beyond the physics", beyond))
    return facts


def _remaining(book: DemandBook) -> str:
    return (
        f"{book.currency} {words.band_words(book.remaining)} to the end of cover of units sold by now, with seasonal "
        "visits; "
        "units still to be sold are not in it."
    )


def _places(book: DemandBook) -> Table:
    rows = places_ahead(book.demand, book.span)
    shown = rows[:MOST_TABLE_ROWS]
    more = f" The {len(shown)} largest of {len(rows)}." if len(rows) > len(shown) else ""
    return Table(
        f"Regrades reported in the next {book.span} months, in and out of cover.{more}",
        ("Region", "Design", "Units sold", "P10", "P50", "P90"),
        tuple(
            (region, design, words.whole(sold), *(words.whole(value) for value in band))
            for region, design, sold, band in shown
        ),
        (2, 3, 4, 5),
    )


def _monthly(book: DemandBook) -> Table:
    every = book.monthly[book.monthly["level"] == "fleet"].head(MOST_TABLE_ROWS)

    def band(row: Any, name: str) -> str:
        low, middle, high = (words.whole(row[f"{name}_p{q}"]) for q in (10, 50, 90))
        return f"{middle} ({low}–{high})"

    rows = tuple(
        (
            str(row["month"]), band(row, "regrades"), band(row, "in_cover"), words.whole(row["seasonal_p50"]),
            words.whole(row["hours_p50"]), band(row, "cost"),
        )
        for _, row in every.iterrows()
    )  # fmt: skip
    more = f" The first {len(rows)} of {len(book.months)} months." if len(book.months) > len(rows) else ""
    return Table(
        f"The whole fleet: P50 and, in brackets, P10 to P90. Columns of P50 do not add up to the year's.{more}",
        ("Month", "Regrades", "In cover", "Seasonal", "Hours (h)", f"Cost ({book.currency})"),
        rows,
        (1, 2, 3, 4, 5),
    )


def _stock(book: DemandBook) -> Table:
    rows = [row for row in book.stock if row["on_the_shelf"] or row["order_now"] or row["expected_use"] >= 0.5]
    return Table(
        stock_note(book),
        ("Centre", "Grade", "To hold", "For open jobs", "On hand", "On order", "Order now", "Expected use"),
        tuple(
            (
                row["centre"], row["grade"], str(row["on_the_shelf"]), str(row["for_open_jobs"]),
                *("-" if row[name] is None else str(row[name]) for name in ("on_hand", "on_order")),
                str(row["order_now"]), f"{row['expected_use']:.1f}",
            )
            for row in rows[:MOST_TABLE_ROWS]
        ),
        (2, 3, 4, 5, 6, 7),
    )  # fmt: skip


def _rates(book: DemandBook) -> Table:
    moved = words.moved_rates(book)
    rows = moved + [row for row in book.rates if row not in moved] if len(book.rates) > MOST_TABLE_ROWS else book.rates
    shown = rows[:MOST_TABLE_ROWS]
    more = f" {len(shown)} of {len(rows)}, those that claims move first." if len(rows) > len(shown) else ""

    def number(row: dict[str, Any], *names: str) -> str:
        return words.rate_words(row, names, book.currency) if row[names[0]] is not None else "-"

    return Table(
        "Hours and cost of a job: as stated, as claims have it, and as used, with P10 to P90 of what its mean may be."
        + more,
        ("Region", "Job", "Stated", "Claims", "Used", "P10 to P90", "Told by"),
        tuple(
            (
                row["region"], row["job"], number(row, "stated"), number(row, "claims"), number(row, "used"),
                number(row, "used_p10", "used_p90"), f"{row['told']:,} claims",
            )
            for row in shown
        ),
        (2, 3, 4, 5, 6),
    )  # fmt: skip


def _waiting(book: DemandBook) -> Table:
    rows = sorted(book.multipliers, key=lambda row: -row["not_yet_reported"])[:MOST_TABLE_ROWS]
    more = f" The {len(rows)} largest of {len(book.multipliers)}." if len(book.multipliers) > len(rows) else ""
    bands = [(row["region"], row["design"], tuple(row[f"not_yet_reported_p{q}"] for q in (10, 50, 90))) for row in rows]
    return Table(
        f"Regrades due and not yet reported, in and out of cover.{more} The last row is ranked by itself.",
        ("Region", "Design", "P10", "P50", "P90"),
        tuple(
            (region, design, *(words.whole(value) for value in band))
            for region, design, band in [*bands, ("all", "all", book.not_yet_reported_band)]
        ),
        (2, 3, 4),
    )


def _roll(book: DemandBook) -> Table:
    names = ("opening", "issued", "change_of_estimate", "settled", "closing")
    rows = book.roll[:MOST_TABLE_ROWS]
    return Table(
        f"Roll-forward of the accrual ({book.currency}): opening + issued + change of estimate - settled = closing. "
        f"{words.remaining_words(book)} Management information, not accounting advice.",
        ("Month", "Opening", "Issued", "Change of estimate", "Settled", "Closing"),
        tuple((row["month"], *(words.whole(row[name]) for name in names)) for row in rows),
        (1, 2, 3, 4, 5),
    )


def _due(book: DemandBook) -> Table:
    rows = book.due[:MOST_DUE_SHOWN]
    return Table(
        f"The {len(rows)} likeliest rows of the units table; {len(book.due)} are in due.csv and the workbook.",
        ("Row", "Serial", "Region", "Design", "Exposure", "Sold", "Cover ends", "Spacer", "Units",
         "Chance within 12 months", f"Saved ({book.currency})", "Season"),
        tuple(
            (
                str(row["row"]), row["serial"] or "-", row["region"], row["design"], row["exposure"], row["sold"],
                row["cover_ends"], row["likely_spacer"], str(row["count"]),
                f"{100 * row['chance_within_12_months']:.0f} %", f"{row['saved']:.0f}",
                words.season_words(row["season"]),
            )
            for row in rows
        ),
        (8, 9, 10),
    )  # fmt: skip
