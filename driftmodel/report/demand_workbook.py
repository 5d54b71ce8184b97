"""The workbook of a demand forecast: one sheet a question, real numbers with formats, units in the headers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

from driftmodel.base import __version__
from driftmodel.base.types import DataFrame
from driftmodel.fleet.backtest import verdict
from driftmodel.fleet.fit_check import fit_rows
from driftmodel.report.demand_numbers import DemandBook
from driftmodel.report.demand_words import month_words, remaining_words, season_words, summary_rows
from driftmodel.report.phrases import MONTHS
from driftmodel.report.texts import definitions, fixed, said

LINE = 15  # points of height
NOTE_WIDE = 100  # characters of a note's line
MOST_ROWS = 1_000_000  # a worksheet ends at row 1,048,576
FORMATS: dict[str, dict[str, Any]] = {
    "text": {"align": "left", "indent": 1},
    "month": {"num_format": "mmm yyyy", "align": "left", "indent": 1},
    "wrap": {"text_wrap": True, "align": "left", "indent": 1},
    "count": {"num_format": "#,##0"},
    "mean": {"num_format": "[>=100]#,##0;[>=10]0.0;0.00"},
    "hours": {"num_format": "#,##0.0"},
    "money": {"num_format": "#,##0.00;[Red]-#,##0.00"},
    "ratio": {"num_format": "0.00"},
    "share": {"num_format": "0.0%"},
}
HEADER = {"bold": True, "text_wrap": True, "valign": "bottom", "bottom": 1, "bg_color": "#F5F2EC"}
QUIET = {"italic": True, "text_wrap": True, "valign": "top"}
TITLE = {"bold": True, "font_size": 14, "font_color": "#1F5570"}


@dataclass(frozen=True)
class Sheet:
    """columns: (header with its unit, kind in FORMATS). rows: cells in the columns' order, None for an empty one."""

    name: str
    columns: Sequence[tuple[str, str]]
    rows: Sequence[Sequence[Any]]
    note: str = ""


def workbook(book: DemandBook) -> bytes:
    """The whole workbook as bytes of an .xlsx file."""
    import xlsxwriter  # type: ignore[import-untyped,unused-ignore]

    stream = BytesIO()
    file = xlsxwriter.Workbook(stream, {"in_memory": True})
    settings = book.demand.fleet.settings
    year, month = (int(part) for part in book.demand.cube.attrs["cutoff"].split("-"))
    file.set_properties(
        {
            "title": settings.title,
            "comments": f"driftmodel {__version__}, seed {settings.seed}; management information, not accounting "
            f"advice",
            "created": datetime(year, month, 1),  # the same forecast gives the same file
        }
    )
    formats = {name: file.add_format({"valign": "top", **look}) for name, look in FORMATS.items()}
    shown = sheets(book)
    title, quiet = (file.add_format(look) for look in (TITLE, QUIET))
    heads = {
        name: file.add_format({"align": look.get("align", "right"), "indent": look.get("indent", 0), **HEADER})
        for name, look in FORMATS.items()
    }
    _index(file.add_worksheet("Index"), shown, formats, title, settings.title)
    for sheet in shown:
        _write(file.add_worksheet(sheet.name), sheet, formats, heads, quiet)
    _notes(file.add_worksheet("Notes"), book, formats, title)
    file.close()
    return stream.getvalue()


def _index(page: Any, shown: Sequence[Sheet], formats: dict[str, Any], title: Any, name: str) -> None:
    """The first sheet: what each sheet answers, with a link to it."""
    page.set_column(0, 0, 26)
    page.set_column(1, 1, 100, formats["wrap"])
    page.write_string(0, 0, name, title)
    answers = [(name, fixed()["sheets"][name]) for name in (*(sheet.name for sheet in shown), "Notes")]
    for line, (sheet, words) in enumerate(answers, start=2):
        page.write_url(line, 0, f"internal:'{sheet}'!A1", string=sheet)
        page.write_string(line, 1, words, formats["wrap"])
    page.freeze_panes(2, 0)
    page.set_landscape()
    page.fit_to_pages(1, 0)


def _write(page: Any, sheet: Sheet, formats: dict[str, Any], heads: dict[str, Any], quiet: Any) -> None:
    top, widths = 2, []
    for at, (head, kind) in enumerate(sheet.columns):
        page.write_string(top, at, head, heads[kind])
        longest = max((len(_shown(row[at])) for row in sheet.rows[:500]), default=0)
        widths.append(min(max(longest + 2, min(len(head), 13) + 4, 9), 60))
        page.set_column(at, at, widths[-1], formats["wrap" if longest > widths[-1] else kind])
    told = f"{fixed()['sheets'][sheet.name]} {sheet.note}".strip()
    page.merge_range(0, 0, 0, max(len(sheet.columns), 2) - 1, told, quiet)
    page.set_row(0, LINE * _lines(told, max(sum(widths), 20)))
    page.set_row(
        top, LINE * max(_lines(head, 0.8 * wide) for (head, _), wide in zip(sheet.columns, widths, strict=True))
    )
    page.write_url(1, 0, "internal:'Index'!A1", string="Index")
    for line, row in enumerate(sheet.rows, start=top + 1):
        longest = max(_lines(_shown(value), wide) for value, wide in zip(row, widths, strict=True))
        if longest > 1:
            page.set_row(line, LINE * longest)
        for at, value in enumerate(row):
            if value is None:
                continue
            if sheet.columns[at][1] == "month":
                page.write_datetime(line, at, datetime(int(value[:4]), int(value[5:]), 1), formats["month"])
            elif isinstance(value, str):
                page.write_string(line, at, value)
            elif isinstance(value, Formula):
                page.write_formula(line, at, value.text.format(row=line + 1), formats["money"], value.value)
            else:
                page.write_number(line, at, value)
    page.freeze_panes(top + 1, sum(kind in ("text", "month") for _, kind in sheet.columns[:4]))
    page.autofilter(top, 0, top + len(sheet.rows), len(sheet.columns) - 1)
    page.set_landscape()
    page.set_margins(0.4, 0.4, 0.5, 0.5)
    page.fit_to_pages(1, 0)
    page.repeat_rows(top)


@dataclass(frozen=True)
class Formula:
    """A formula with {row} for its own row, and its value."""

    text: str
    value: float


def _lines(words: str, width: float) -> int:
    """Lines that words take in a column of so many characters, told generously."""
    return 1 if len(words) < width - 1.0 else max(-(-len(words) // max(int(0.9 * width), 1)), 1)


def _shown(value: Any) -> str:
    if isinstance(value, Formula):
        value = value.value
    return f"{value:,.1f}" if isinstance(value, float) else str(value)


def sheets(book: DemandBook) -> list[Sheet]:
    """All sheets with rows and columns, in order, the notes left out."""
    currency, monthly = book.currency, book.monthly
    note = ""
    if len(monthly) > MOST_ROWS:
        note = "Too many rows for a worksheet: totals only here, all rows in demand.csv."
        monthly = monthly[monthly["level"] != "region x design"].head(MOST_ROWS)
    pieces = [(name, f"Grade {name.removeprefix('pieces_')}, mean (pieces)", "mean") for name in book.piece_columns]
    pieces = [(n, "None mends it, mean (jobs)", k) if n == "pieces_no_grade" else (n, h, k) for n, h, k in pieces]
    found = [
        Sheet("Summary", [("Number", "text"), ("P10", "mean"), ("P50", "mean"), ("P90", "mean"), ("Unit", "text"),
                          ("What it says", "text")], summary_rows(book)),
        _frame_sheet("Monthly", monthly, [
            ("at_risk", "Units sold, expected (units)", "mean"), ("regrades_mean", "Regrades, mean (jobs)", "mean"),
            *_bands("regrades", "Regrades", "jobs", "count"), *_bands("in_cover", "In cover", "jobs", "count"),
            *_bands("out_of_cover", "Out of cover", "jobs", "count"),
            *_bands("seasonal", "Seasonal complaints", "visits", "count"),
        ], note),
        _frame_sheet("Parts by grade", monthly, pieces, note),
        _frame_sheet("Hours and cost", monthly, [
            *_bands("hours", "Hours", "h", "hours"), *_bands("cost", "Cost", currency, "money")], note),
        _budget(book),
        _reserve(book),
        _rates(book),
        _roll(book),
        Sheet("Who is due", [("Row in units file", "count"), ("Serial", "text"), ("Units in row", "count"),
                             ("Region", "text"), ("Design", "text"), ("Exposure", "text"), ("Sold (month)", "month"),
                             ("Chance of a report within 12 months", "share"), ("Out of cover from (month)", "month"),
                             ("Likely spacer", "text"), (f"Saved by calling first ({currency})", "money"),
                             ("Season to call in", "text")],
              [(*list(row.values())[:-1], season_words(row["season"])) for row in book.due],
              "The likeliest rows of the units table. Calling first saves freight and the visit that finds the job, "
              "times the chance, while cover lasts (common practice, no source). Season: the quietest months."),
        Sheet("Stock", [("Centre", "text"), ("Grade", "text"), ("Pieces to hold (pieces)", "count"),
                        ("For open jobs (pieces)", "count"), ("On hand (pieces)", "count"),
                        ("On order (pieces)", "count"), ("To order now (pieces)", "count"),
                        ("Expected use (pieces)", "mean")],
              [(row["centre"], row["grade"], row["on_the_shelf"], row["for_open_jobs"], row["on_hand"],
                row["on_order"], row["order_now"], row["expected_use"]) for row in book.stock], stock_note(book)),
        *_prices(book),
        Sheet("Claims and multipliers", [
            ("Region", "text"), ("Design", "text"), ("Claims (regrades)", "count"),
            ("Expected by the physics (regrades)", "mean"), ("Claims / expected (ratio)", "ratio"),
            ("Before claims, mean (ratio)", "ratio"), ("Before, P10 (ratio)", "ratio"),
            ("Before, P90 (ratio)", "ratio"), ("With claims, mean (ratio)", "ratio"),
            ("With claims, P10 (ratio)", "ratio"), ("With claims, P90 (ratio)", "ratio")],
              [(row["region"], row["design"], row["claims"], row["expected"],
                row["claims"] / row["expected"] if row["expected"] > 0 else None, row["prior_mean"], row["prior_p10"],
                row["prior_p90"], row["posterior_mean"], row["posterior_p10"], row["posterior_p90"])
               for row in book.multipliers]),
        Sheet("Not yet reported", [("Region", "text"), ("Design", "text"),
                                   ("Due and not yet reported, expected (regrades)", "mean"),
                                   ("P10 (regrades)", "count"), ("P50 (regrades)", "count"),
                                   ("P90 (regrades)", "count")],
              [(row["region"], row["design"], *(row[f"not_yet_reported{end}"] for end in ("", "_p10", "_p50", "_p90")))
               for row in book.multipliers]
              + [("all", "all", book.not_yet_reported, *book.not_yet_reported_band)], lag_note(book)),
        _sale_years(book),
        _check_of_fit(book),
    ]  # fmt: skip
    if book.backtest is not None:
        found.append(
            Sheet("Backtest", [
                ("Forecast made at the end of", "month"), ("Month", "month"), ("Region", "text"), ("Design", "text"),
                ("Months ahead", "count"), ("Came (regrades)", "count"), ("P10 (regrades)", "count"),
                ("P50 (regrades)", "count"), ("P90 (regrades)", "count"), ("Inside (1 = yes)", "count")],
                [(row["origin"], row["month"], row["region"], row["design"], row["lead_months"], row["came"],
                  row["p10"], row["p50"], row["p90"], int(row["p10"] <= row["came"] <= row["p90"]))
                 for row in book.backtest.rows], backtest_note(book))
        )  # fmt: skip
    tallies = book.demand.fleet.tallies
    found.append(
        Sheet("Rows read", [
            ("File", "text"), ("Rows read", "count"), ("Rows used", "count"), ("Rows rejected", "count"),
            ("Units read", "count"), ("Units used", "count"), ("Units rejected", "count")],
              [(Path(tally.file).name, tally.rows, tally.rows - tally.rows_rejected, tally.rows_rejected, tally.units,
                tally.units - tally.units_rejected, tally.units_rejected) for tally in tallies])
    )  # fmt: skip
    found.append(
        Sheet("Reconciliation", [
            ("Check", "text"), ("File", "text"), ("Rows (rows)", "count"), ("Of (rows)", "count"), ("What", "text"),
            ("Do", "text")],
              [(each.check, Path(each.file).name, len(each.rows), each.of, each.told, each.mend)
               for each in book.demand.fleet.findings],
              "Before any forecast. Empty: claims and units agree.")
    )  # fmt: skip
    return found


def _bands(name: str, words: str, unit: str, kind: str) -> list[tuple[str, str, str]]:
    return [(f"{name}_p{q}", f"{words}, P{q} ({unit})", kind) for q in (10, 50, 90)]


def _frame_sheet(name: str, frame: DataFrame, columns: Iterable[tuple[str, str, str]], note: str) -> Sheet:
    chosen = [("month", "Month", "month"), ("level", "Level", "text"), ("region", "Region", "text"),
              ("design", "Design", "text"), *columns]  # fmt: skip
    rows = frame[[key for key, _, _ in chosen]].astype(object).values.tolist()
    return Sheet(name, [(head, kind) for _, head, kind in chosen], rows, note)


def _roll(book: DemandBook) -> Sheet:
    """The roll-forward, its closing a formula, so that it can be followed."""
    heads = [("Month", "month")] + [
        (f"{head} ({book.currency})", "money")
        for head in ("Opening", "Issued: new sales", "Change of estimate", "Settled: cost in cover", "Closing")
    ]
    rows = [
        (row["month"], row["opening"], row["issued"], row["change_of_estimate"], row["settled"],
         Formula("=B{row}+C{row}+D{row}-E{row}", row["closing"]))
        for row in book.roll
    ]  # fmt: skip
    note = (
        "Management information, not accounting advice. Closing = opening + issued + change of estimate - settled. "
        + remaining_words(book)
    )
    return Sheet("Roll-forward", heads, rows, note)


def _rates(book: DemandBook) -> Sheet:
    """Hours and cost of a job, in a row each: stated, as claims have it, used."""
    unit = {"hours": "h", "cost": book.currency}
    rows = [
        (row["region"], row["job"], row["number"], unit[row["number"]], row["stated"], row["claims"], row["used"],
         row["used_p10"], row["used_p90"], row["used"] / row["stated"] if row["stated"] > 0.0 else None, row["told"],
         row["spread_pct"] / 100.0)
        for row in book.rates
    ]  # fmt: skip
    heads = [
        ("Region", "text"), ("Job", "text"), ("Number", "text"), ("Unit", "text"), ("Stated (unit)", "money"),
        ("Claims, mean (unit)", "money"), ("Used, mean (unit)", "money"), ("Used, P10 (unit)", "money"),
        ("Used, P90 (unit)", "money"), ("Used / stated (ratio)", "ratio"), ("Told by (claims)", "count"),
        ("One job's spread about its mean (share)", "share"),
    ]  # fmt: skip
    habits = book.demand.fleet.settings.habits
    note = (
        f"A stated rate is held as firmly as {habits.rates_worth:g} jobs that scatter by {habits.job_spread_pct:g} %."
    )
    return Sheet("Rates", heads, rows, note)


def _budget(book: DemandBook) -> Sheet:
    """A row a fiscal year, region and design: what may be summed, and beside it what may not."""
    kinds = (
        ("jobs_in_cover", "Jobs in cover", "jobs"),
        ("jobs_out_of_cover", "Jobs out of cover", "jobs"),
        ("visits", "Seasonal visits", "visits"),
        ("hours", "Hours", "h"),
        ("cost", "Cost", book.currency),
    )
    heads = [("Fiscal year", "text"), ("Months of it in the forecast (month)", "count"), ("Region", "text"),
             ("Design", "text")]  # fmt: skip
    for _, words, unit in kinds:
        form = "money" if unit == book.currency else "mean"
        heads += [(f"{words}, {end} ({unit})", form) for end in ("mean", "P10", "P90")]
    rows = [
        (str(row["fiscal_year"]), row["months"], row["region"], row["design"],
         *(row[f"{key}_{end}"] for key, _, _ in kinds for end in ("mean", "p10", "p90")))
        for row in book.budget
    ]  # fmt: skip
    begins = MONTHS[book.demand.fleet.settings.fiscal_year_begins - 1]
    note = f"P10 and P90 may not. A fiscal year begins in {begins} and is named by its end."
    return Sheet("Budget", heads, rows, note)


def _reserve(book: DemandBook) -> Sheet:
    """What units sold by now will cost to the end of their cover."""
    kinds = (("jobs_in_cover", "Jobs in cover", "jobs"), ("jobs_out_of_cover", "Jobs out of cover", "jobs"),
             ("visits", "Seasonal visits", "visits"), ("cost", "Cost in cover", book.currency))  # fmt: skip
    heads = [("Region", "text"), ("Design", "text")]
    for _, words, unit in kinds:
        form = "money" if unit == book.currency else "mean"
        heads += [(f"{words}, {end} ({unit})", form) for end in ("mean", "P10", "P50", "P90")]
    rows = [
        (row["region"], row["design"],
         *(row[f"{key}_{end}"] for key, _, _ in kinds for end in ("mean", "p10", "p50", "p90")))
        for row in book.reserve
    ]  # fmt: skip
    discount = book.demand.fleet.settings.discount_pct
    off = f"discounted by {discount:g} % a year" if discount else "not discounted"
    note = (
        f"Units sold by now, to the end of cover of each, whatever the months shown; jobs open now among it; {off}. "
        "Jobs out of cover: over the same months, not in the cost."
    )
    return Sheet("Reserve", heads, rows, note)


def _prices(book: DemandBook) -> list[Sheet]:
    """What cover costs a unit still to be sold, and what-ifs."""
    money, found = book.currency, []
    if book.prices:
        heads = [("Cover (months)", "count"), ("Region", "text"), ("Design", "text"), ("Jobs (per 1000 units)", "mean"),
                 (f"Price, mean ({money} a unit)", "money"), (f"P10 ({money} a unit)", "money"),
                 (f"P90 ({money} a unit)", "money"), ("Sold in the last year (units)", "count"),
                 ("Share of a year's spread common to all (share)", "share")]  # fmt: skip
        note = (
            "Expected cost of jobs in cover and visits of one unit still to be sold, over its cover, undiscounted; the "
            "band is of that expectation. What is common to all does not even out however many are sold."
        )
        found.append(Sheet("Price of cover", heads, [tuple(row.values()) for row in book.prices], note))
    if book.what_ifs:
        heads = [("What if", "text"), ("Cover (months)", "count"), ("Jobs (per 1000 units)", "mean"),
                 (f"Cost ({money} a unit)", "money"), (f"Difference, mean ({money} a unit)", "money"),
                 (f"Difference, P10 ({money} a unit)", "money"), (f"Difference, P90 ({money} a unit)", "money"),
                 (f"Standard error ({money} a unit)", "money"), (f"On a year's sales ({money})", "money")]  # fmt: skip
        if "inside_days" in book.what_ifs[0]:
            heads.append(("Inside the rule, owners of the design most sold (days a year)", "mean"))
        note = (
            "Of units still to be sold, from build on: those already sold stay as they are. Rows share every random "
            "number but what sets them apart; the difference is taken future by future."
        )
        found.append(Sheet("What if", heads, [tuple(row.values()) for row in book.what_ifs], note))
    return found


def _check_of_fit(book: DemandBook) -> Sheet:
    """What came against what the physics expected, by age, month and year."""
    words = {"age": "Age since sale or last regrade", "month": "Month of the calendar", "year": "Region and year"}
    heads = [
        ("By", "text"), ("Which", "text"), ("Came (regrades)", "count"), ("Expected by the physics (regrades)", "mean"),
        ("Came / expected (ratio)", "ratio"), ("Standard error (ratio)", "ratio"),
    ]  # fmt: skip
    rows = [
        (
            words[row.by],
            MONTHS[int(row.name) - 1] if row.by == "month" else row.name,
            row.came,
            row.expected,
            row.ratio,
            row.standard_error,
        )
        for row in fit_rows(book.demand)
    ]
    note = (
        "Of units at risk, by the physics alone: the forecast follows the claims where they differ. The standard "
        "error is that of chance alone. " + verdict(book.backtest)
    )
    return Sheet("Check of fit", heads, rows, note)


def _sale_years(book: DemandBook) -> Sheet:
    """Regrades per 1000 units: a row a year of sale, a column a year or less of calendar time."""
    found = book.sales
    heads = [("Year of sale", "text"), ("Units of that year (units)", "count")]
    heads += [
        (f"{name}, {'came' if at < found.known else 'expected'} (per 1000)", "mean")
        for at, name in enumerate(found.names)
    ]
    rows = [
        (str(year), sold, *(None if value != value else value for value in rate.tolist()))
        for year, sold, rate in zip(found.years.tolist(), found.sold.tolist(), found.rate, strict=True)
    ]
    note = "Regrades per 1000 units of that year of sale. What came is from each unit's last regrade. Empty: none sold."
    return Sheet("By year of sale", heads, rows, note)


def stock_note(book: DemandBook) -> str:
    """What the stock list is for."""
    service = 100 * book.demand.fleet.settings.service
    served = "; ".join(f"{centre.name} {100 * centre.job_fill:.1f} %" for centre in book.spares)
    return (
        f"Until an order arrives: the fewest pieces that serve {service:g} % of jobs at once ({served}). To "
        "order now = to hold + for open jobs - on hand - on order. A centre's lead time, pieces on hand and on order "
        "stand in the fleet file ([centres.NAME])."
    )


def lag_note(book: DemandBook) -> str:
    """The habit of reporting in use, in one line."""
    shares = ", ".join(f"{100 * share:.0f} %" for share in book.demand.lag[:8])
    more = f" and {len(book.demand.lag) - 8} more months" if len(book.demand.lag) > 8 else ""
    return f"Share reported 0, 1, 2 ... months after the threshold is crossed: {shares}{more}.{_waiting_note(book)}"


def _waiting_note(book: DemandBook) -> str:
    share, months = book.demand.waiting, book.demand.fleet.settings.habits.end_of_cover_months
    when = "the last month" if months == 1 else f"the last {months} months"
    return f" Apart from these, {100 * share:.0f} % of owners wait and report in {when} of cover." if share else ""


def backtest_note(book: DemandBook) -> str:
    from driftmodel.fleet.backtest import backtest_words

    assert book.backtest is not None
    return backtest_words(book.backtest).replace("\n", " ")


def _notes(page: Any, book: DemandBook, formats: dict[str, Any], title: Any) -> None:
    settings = book.demand.fleet.settings
    page.set_column(0, 0, 26, formats["wrap"])
    page.set_column(1, 1, NOTE_WIDE, formats["wrap"])
    page.write_string(0, 0, settings.title, title)
    rows = definitions(**settings.habits.model_dump()) + [
        ("Limits", " ".join(said("demand_limits"))),
        ("Cautions", said("demand_caution")),
        ("Known to", f"the end of {month_words(book.demand.cube.attrs['cutoff'])}"),
        ("Made with", f"driftmodel {__version__}, seed {settings.seed}, {settings.samples} sampled futures, "
                      f"{settings.draws} guitars of each kind in {settings.members} runs of weather"),
    ]  # fmt: skip
    for line, (head, words) in enumerate(rows, start=2):
        page.write_string(line, 0, head, formats["wrap"])
        page.write_string(line, 1, words, formats["wrap"])
        page.set_row(line, LINE * _lines(words, NOTE_WIDE))
    page.freeze_panes(2, 0)
    page.set_landscape()
    page.fit_to_pages(1, 0)
