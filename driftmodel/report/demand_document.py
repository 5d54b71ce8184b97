"""The folder of a demand forecast: tables, workbook, pictures and one page; written whole or not at all."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from driftmodel.base import __version__
from driftmodel.base.opened import csv_text
from driftmodel.base.schema import DataFrame
from driftmodel.fleet.backtest import backtest_words, verdict
from driftmodel.fleet.fit_check import alerts
from driftmodel.fleet.tables import write_faults
from driftmodel.report import demand_words as words
from driftmodel.report import texts
from driftmodel.report.demand_figures import demand_figures
from driftmodel.report.demand_numbers import DemandBook, places_ahead
from driftmodel.report.demand_workbook import lag_note, stock_note, workbook
from driftmodel.report.folder import check_folder, write_page, write_whole
from driftmodel.report.texts import Table, band_words, filled, table, whole

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
    _page(folder, book)


def _csv(frame: DataFrame, file: Path) -> None:
    file.write_text(csv_text(frame), encoding="utf-8")


def _page(folder: Path, book: DemandBook) -> None:
    settings, shown = book.demand.fleet.settings, texts.lies_in("demand")
    if not book.demand.fleet.faults:
        shown.pop(REJECTS)
    invented = ("Fleet, claims and places are invented, for demonstration.",) if settings.invented else ()
    known = f"Known to the end of {words.month_words(book.demand.cube.attrs['cutoff'])}; {words.sold_words(book)}."
    kinds = f"{settings.draws} guitars of each kind in {settings.members} runs of weather"
    write_page(
        folder,
        "demand",
        lambda: demand_figures(book),
        name=PAGE,
        files=shown,
        over=f"Regrade demand, {len(book.months)} months",
        title=settings.title,
        under=(known, *invented),
        mood="leave",
        head=f"About {whole(book.ahead['regrades'][1])} regrades in the next {book.span} months",
        lead=_lead(book),
        facts=_facts(book),
        limits=texts.said("demand_limits"),
        foot=f"driftmodel {__version__}; seed {settings.seed}, {settings.samples} sampled futures, {kinds}.",
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
        caution=texts.said("demand_caution"),
    )


def _lead(book: DemandBook) -> str:
    told = filled("demand_lead", span=words.span_words(book), ahead=book.ahead, money=book.currency)
    return f"{told} {verdict(book.backtest)}"


def _facts(book: DemandBook) -> list[tuple[str, str]]:
    month, band = book.busiest
    facts = [
        *(("Alert", line) for line in alerts(book.demand)),
        ("Out of cover", f"{band_words(book.ahead['out_of_cover'])} regrades, not in the cost above."),
        ("Seasonal complaints", filled("seasonal", band=book.ahead["seasonal"])),
        ("Technician hours", f"{band_words(book.ahead['hours'])} h, in cover and seasonal."),
        ("Cost still to come", filled("still_to_come", money=book.currency, band=book.remaining)),
        ("Rates", words.rates_words(book)),
        ("Busiest month", f"{words.month_words(month)}: {band_words(band)} regrades reported."),
        *((words.spacers_of(each), words.centre_words(book, each)) for each in book.spares[:4]),
        ("No spacer mends it", words.unmended_words(book)),
        *([("Price of cover", words.price_words(book))] if book.prices else []),
        *(("What if", line) for line in words.what_if_words(book)),
        ("Not yet reported", filled("not_yet", band=book.not_yet_reported_band)),
        ("Rows read", " ".join(words.rows_words(book))),
    ]
    if beyond := words.beyond_words(book):
        facts.append(("Beyond the physics", beyond))
    return facts


def _more(words: str, shown: int, of: int) -> str:
    """' The 24 largest of 30.', where not all are shown."""
    return f" {words.format(shown, of)}" if of > shown else ""


def _places(book: DemandBook) -> Table:
    rows = places_ahead(book.demand, book.span)
    more = _more("The {} largest of {}.", MOST_TABLE_ROWS, len(rows))
    cells = [(region, design, *map(whole, (sold, *band))) for region, design, sold, band in rows[:MOST_TABLE_ROWS]]
    return table("demand_places", cells, span=book.span, more=more)


def _monthly(book: DemandBook) -> Table:
    rows = book.monthly[book.monthly["level"] == "fleet"].head(MOST_TABLE_ROWS).to_dict("records")
    more = _more("The first {} of {} months.", MOST_TABLE_ROWS, len(book.months))
    return table("demand_monthly", rows, more=more, money=book.currency)


def _stock(book: DemandBook) -> Table:
    rows = [row for row in book.stock if row["on_the_shelf"] or row["order_now"] or row["expected_use"] >= 0.5]
    return table("demand_stock", rows[:MOST_TABLE_ROWS], note=stock_note(book))


def _rates(book: DemandBook) -> Table:
    moved = words.moved_rates(book)
    rows = moved + [row for row in book.rates if row not in moved] if len(book.rates) > MOST_TABLE_ROWS else book.rates

    def number(row: dict[str, Any], *names: str) -> str:
        return words.rate_words(row, names, book.currency) if row[names[0]] is not None else "-"

    cells = [
        (row["region"], row["job"], *(number(row, name) for name in ("stated", "claims", "used")),
         number(row, "used_p10", "used_p90"), f"{row['told']:,} claims")
        for row in rows[:MOST_TABLE_ROWS]
    ]  # fmt: skip
    return table("demand_rates", cells, more=_more("{} of {}, those that claims move first.", len(cells), len(rows)))


def _waiting(book: DemandBook) -> Table:
    rows = sorted(book.multipliers, key=lambda row: -row["not_yet_reported"])[:MOST_TABLE_ROWS]
    more = _more("The {} largest of {}.", len(rows), len(book.multipliers))
    return table("demand_waiting", [*rows, book.waiting_everywhere], more=more)


def _roll(book: DemandBook) -> Table:
    told = words.remaining_words(book)
    return table("demand_roll", book.roll[:MOST_TABLE_ROWS], money=book.currency, remaining=told)


def _due(book: DemandBook) -> Table:
    rows = [
        row | {"serial": row["serial"] or None, "season": words.season_words(row["season"])}
        for row in book.due[:MOST_DUE_SHOWN]
    ]
    return table("demand_due", rows, shown=len(rows), of=len(book.due), money=book.currency)
