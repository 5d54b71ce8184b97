"""The workbook of a demand forecast: one sheet a question, real numbers with formats, units in the headers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

from driftmodel.base import __version__
from driftmodel.fleet.backtest import backtest_words, verdict
from driftmodel.fleet.fit_check import fit_rows
from driftmodel.report.demand_numbers import DemandBook
from driftmodel.report.demand_words import month_words, remaining_words, season_words, summary_rows
from driftmodel.report.texts import MONTHS, definitions, filled, fixed, said

LINE = 15  # points of height
NOTE_WIDE = 100  # characters of a note's line
MOST_ROWS = 1_000_000  # a worksheet ends at row 1,048,576
CLOSING = "=B{row}+C{row}+D{row}-E{row}"
BY = {"age": "Age since sale or last regrade", "month": "Month of the calendar", "year": "Region and year"}
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
    answers = [(name, fixed()["sheets"][name]) for name in (*(sheet.name for sheet in shown), "Notes")]
    _pairs(file.add_worksheet("Index"), settings.title, answers, formats, title, links=True)
    for sheet in shown:
        _write(file.add_worksheet(sheet.name), sheet, formats, heads, quiet)
    _pairs(file.add_worksheet("Notes"), settings.title, _notes(book), formats, title)
    file.close()
    return stream.getvalue()


def _pairs(
    page: Any, name: str, rows: Sequence[tuple[str, str]], formats: dict[str, Any], title: Any, links: bool = False
) -> None:
    """A sheet of words: a head and what is to be said of it; links: whether the heads lead to sheets of that name."""
    page.set_column(0, 0, 26, formats["wrap"])
    page.set_column(1, 1, NOTE_WIDE, formats["wrap"])
    page.write_string(0, 0, name, title)
    for line, (head, words) in enumerate(rows, start=2):
        if links:
            page.write_url(line, 0, f"internal:'{head}'!A1", string=head)
        else:
            page.write_string(line, 0, head, formats["wrap"])
        page.write_string(line, 1, words, formats["wrap"])
        page.set_row(line, LINE * _lines(words, NOTE_WIDE))
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
    monthly, note, settings = book.monthly, "", book.demand.fleet.settings
    if len(monthly) > MOST_ROWS:
        note = "Too many rows for a worksheet: totals only here, all rows in demand.csv."
        monthly = monthly[monthly["level"] != "region x design"].head(MOST_ROWS)
    months = monthly.astype(object).to_dict("records")
    pieces = [(name, "mean", f"Grade {name.removeprefix('pieces_')}, mean (pieces)") for name in book.piece_columns]
    pieces = [(n, k, "None mends it, mean (jobs)") if n == "pieces_no_grade" else (n, k, h) for n, k, h in pieces]
    off = f"discounted by {settings.discount_pct:g} % a year" if settings.discount_pct else "not discounted"
    found = [
        _sheet(book, "Summary", summary_rows(book)),
        _sheet(book, "Monthly", months, note),
        _sheet(book, "Parts by grade", months, note, pieces),
        _sheet(book, "Hours and cost", months, note),
        _sheet(book, "Budget", [row | {"fiscal_year": str(row["fiscal_year"])} for row in book.budget],
               begins=MONTHS[settings.fiscal_year_begins - 1]),
        _sheet(book, "Reserve", book.reserve, off=off),
        _sheet(book, "Rates", [_rate(book, row) for row in book.rates], **settings.habits.model_dump()),
        _sheet(book, "Roll-forward", [row | {"closing": Formula(CLOSING, row["closing"])} for row in book.roll],
               remaining_words(book)),
        _sheet(book, "Who is due", [row | {"season": season_words(row["season"])} for row in book.due]),
        _sheet(book, "Stock", book.stock, stock_note(book)),
        *([_sheet(book, "Price of cover", book.prices)] if book.prices else []),
        *([_sheet(book, "What if", book.what_ifs)] if book.what_ifs else []),
        _sheet(book, "Claims and multipliers",
               [row | {"ratio": _ratio(row["claims"], row["expected"])} for row in book.multipliers]),
        _sheet(book, "Not yet reported", [*book.multipliers, book.waiting_everywhere], lag_note(book)),
        _sale_years(book),
        _sheet(book, "Check of fit",
               [(BY[row.by], MONTHS[int(row.name) - 1] if row.by == "month" else row.name, row.came, row.expected,
                 row.ratio, row.standard_error) for row in fit_rows(book.demand)], verdict(book.backtest)),
    ]  # fmt: skip
    if book.backtest is not None:
        came = [row | {"inside": int(row["p10"] <= row["came"] <= row["p90"])} for row in book.backtest.rows]
        found.append(_sheet(book, "Backtest", came, backtest_words(book.backtest).replace("\n", " ")))
    fleet = book.demand.fleet
    read = [{**vars(each), "file": Path(each.file).name, "rows_used": each.rows - each.rows_rejected,
             "units_used": each.units - each.units_rejected} for each in fleet.tallies]  # fmt: skip
    wrong = [{**vars(each), "file": Path(each.file).name, "rows": len(each.rows), "told": each.told}
             for each in fleet.findings]  # fmt: skip
    return [*found, _sheet(book, "Rows read", read), _sheet(book, "Reconciliation", wrong)]


def _sheet(
    book: DemandBook,
    name: str,
    rows: Sequence[Any],
    note: str = "",
    more: Sequence[tuple[str, str, str]] = (),
    **told: object,
) -> Sheet:
    """A sheet by its columns in texts.toml, 'key | kind | header', and `more` of them (key, kind, header); of rows by
    key, or tuples in that order. A column with ? before its key is there where rows have it. Its fixed note, filled in
    by `told`, comes before `note`."""
    fixed_ones = [one.format(money=book.currency).split(" | ") for one in fixed()["columns"][name]]
    columns = [(key.lstrip("?"), kind, head) for key, kind, head in fixed_ones if key[0] != "?" or key[1:] in rows[0]]
    columns += more
    cells = [row if isinstance(row, tuple) else [row[key] for key, *_ in columns] for row in rows]
    own = fixed()["sheet_notes"].get(name, "").format(**told)
    return Sheet(name, [(head, kind) for _, kind, head in columns], cells, f"{own} {note}".strip())


def _ratio(part: float, whole: float) -> float | None:
    return part / whole if whole > 0.0 else None


def _rate(book: DemandBook, row: dict[str, Any]) -> dict[str, Any]:
    """Hours or cost of a job with its unit, and how far what is used is from what was stated."""
    unit = "h" if row["number"] == "hours" else book.currency
    return row | {"unit": unit, "ratio": _ratio(row["used"], row["stated"]), "spread": row["spread_pct"] / 100.0}


def _sale_years(book: DemandBook) -> Sheet:
    """Regrades per 1000 units: a row a year of sale, a column a year or less of calendar time."""
    found = book.sales
    words = ("came", "expected")
    more = [("", "mean", f"{name}, {words[at >= found.known]} (per 1000)") for at, name in enumerate(found.names)]
    rows = [
        (str(year), sold, *(None if value != value else value for value in rate.tolist()))
        for year, sold, rate in zip(found.years.tolist(), found.sold.tolist(), found.rate, strict=True)
    ]
    return _sheet(book, "By year of sale", rows, "", more)


def stock_note(book: DemandBook) -> str:
    """What the stock list is for."""
    served = "; ".join(f"{centre.name} {100 * centre.job_fill:.1f} %" for centre in book.spares)
    return filled("stock_note", service=100 * book.demand.fleet.settings.service, served=served)


def lag_note(book: DemandBook) -> str:
    """The habit of reporting in use, in one line."""
    shares = ", ".join(f"{100 * share:.0f} %" for share in book.demand.lag[:8])
    more = f" and {len(book.demand.lag) - 8} more months" if len(book.demand.lag) > 8 else ""
    share, months = book.demand.waiting, book.demand.fleet.settings.habits.end_of_cover_months
    when = "the last month" if months == 1 else f"the last {months} months"
    wait = f" Apart from these, {100 * share:.0f} % of owners wait and report in {when} of cover." if share else ""
    return f"Share reported 0, 1, 2 ... months after the threshold is crossed: {shares}{more}.{wait}"


def _notes(book: DemandBook) -> list[tuple[str, str]]:
    """What each word means, what is not known, cautions, and what the forecast was made with."""
    settings = book.demand.fleet.settings
    return definitions(**settings.habits.model_dump()) + [
        ("Limits", " ".join(said("demand_limits"))),
        ("Cautions", said("demand_caution")),
        ("Known to", f"the end of {month_words(book.demand.cube.attrs['cutoff'])}"),
        ("Made with", f"driftmodel {__version__}, seed {settings.seed}, {settings.samples} sampled futures, "
                      f"{settings.draws} guitars of each kind in {settings.members} runs of weather"),
    ]  # fmt: skip
