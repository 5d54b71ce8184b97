"""A demand forecast in words: the terminal's summary, the page's story, the same numbers for machines."""

from __future__ import annotations

import textwrap
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.schema import QUANTILES
from driftmodel.fleet.backtest import skill_words, verdict
from driftmodel.fleet.fit_check import alerts, fit_rows
from driftmodel.fleet.stock import Centre
from driftmodel.report.demand_numbers import Band, DemandBook
from driftmodel.report.ensemble import by_points
from driftmodel.report.texts import MONTHS, WIDTH, band_words, filled, percent, plain_text, whole

MOST_LINES = 4
MOVED = 0.05  # a rate that claims move by this share or more is told; own choice, no source


def month_words(label: str) -> str:
    """'2026-07' as 'July 2026'."""
    return f"{MONTHS[int(label[5:]) - 1]} {label[:4]}"


def season_words(months: str) -> str:
    """'03 to 05' as 'Mar to May'."""
    return " to ".join(MONTHS[int(month) - 1][:3] for month in months.split(" to ")) if months else "-"


def ahead_rows(book: DemandBook) -> list[tuple[str, Band, str]]:
    """(words, band, unit) of the sums over the months ahead."""
    words = {
        "regrades": ("Regrades", "jobs"),
        "in_cover": ("  of them in cover", "jobs"),
        "out_of_cover": ("  of them out of cover", "jobs"),
        "seasonal": ("Seasonal complaints, apart", "visits"),
        "hours": ("Technician hours, in cover", "h"),
        "cost": ("Cost, in cover", book.currency),
    }
    return [(head, book.ahead[name], unit) for name, (head, unit) in words.items()]


def span_words(book: DemandBook) -> str:
    """'July 2026 to June 2027'."""
    first, last = book.months[0], book.months[book.span - 1]
    return month_words(first) if first == last else f"{month_words(first)} to {month_words(last)}"


def pieces_words(centre: Centre, name: str) -> str:
    """'49 of F, 8 of E, 5 of A', most first."""
    held = sorted((row for row in centre.rows if row[name]), key=lambda row: -row[name])
    return ", ".join(f"{row[name]} of {row['grade']}" for row in held) or "none"


def spacers_of(centre: Centre) -> str:
    """'Spacers', and whose, where there is more than one centre to tell apart."""
    return "Spacers" if centre.name == "all" else f"Spacers, {centre.name} ({', '.join(centre.regions)})"


def centre_words(book: DemandBook, centre: Centre) -> str:
    """What a service centre is to order and to hold, in sentences."""
    months = "a month" if centre.lead_months == 1 else f"{centre.lead_months} months"
    order, hold = (pieces_words(centre, name) for name in ("order_now", "on_the_shelf"))
    told = filled("centre", order=order, hold=hold, months=months, of=centre)
    if book.demand.fleet.settings.centres:
        told += f"; what is on hand and on order serves {percent(centre.filled_now)}"
    still = "1 job is" if centre.open_jobs == 1 else f"{centre.open_jobs or 'no'} jobs are"
    return f"{told}; {still} open now."


def unmended_words(book: DemandBook) -> str:
    """Jobs that no spacer of the set mends."""
    jobs = book.demand.cube["regrades"].values[:, : book.span, :, :, -1].sum(axis=(1, 2, 3, 4), dtype=float)
    band = np.quantile(jobs, QUANTILES)
    return filled("all_mended" if band[2] < 0.5 else "none_mends", span=book.span, band=band)


def price_words(book: DemandBook) -> str:
    """What cover costs a unit, by its length."""
    every = [filled("price", row=row) for row in book.prices if row["region"] == "all"]
    return f"Cover costs each unit sold, {book.currency}: {'; '.join(every)}." if every else ""


def what_if_words(book: DemandBook) -> list[str]:
    """Each what-if against the fleet as it is, on units still to be sold, and how owners live with it."""
    now, *others = book.what_ifs or [{}]
    told = ((filled("what_if", row=row, money=book.currency), row) for row in others)
    return [words + (filled("what_if_inside", now=now, row=row) if "inside_days" in row else "") for words, row in told]


def multiplier_words(row: dict[str, Any]) -> str:
    """One region and design in a line."""
    return filled("multiplier", row=row)


def moved_rates(book: DemandBook) -> list[dict[str, Any]]:
    """Rates that claims move by a twentieth or more: of regrades first, cost before hours, the most moved first."""

    def share(row: dict[str, Any]) -> float:
        stated, used = row["stated"], row["used"]
        return abs(used / stated - 1.0) if stated > 0.0 else float("inf") if used > 0.0 else 0.0

    moved = [row for row in book.rates if share(row) >= MOVED]
    return sorted(moved, key=lambda row: (row["job"] != "regrade", row["number"] != "cost", -share(row)))


def rate_words(row: dict[str, Any], names: tuple[str, ...], currency: str) -> str:
    """Numbers of a rate with their unit: '1.72 h', 'EUR 144', 'EUR 140 to 148'."""
    values = [row[name] for name in names]
    if row["number"] == "hours":
        return " to ".join(f"{value:.2f}" for value in values) + " h"
    return f"{currency} " + " to ".join(f"{value:,.0f}" if max(values) >= 99.5 else f"{value:.1f}" for value in values)


def rates_words(book: DemandBook) -> str:
    """What claims say of the stated hours and cost of a job, the largest difference by name."""
    if not any(row["told"] for row in book.rates):
        return "No claim says hours or cost of a job: the stated rates stand."
    moved = moved_rates(book)
    if not moved:
        return f"Claims agree with the stated hours and cost of a job within {100 * MOVED:.0f} %."
    row = moved[0]
    stated, used = (rate_words(row, (name,), book.currency) for name in ("stated", "used"))
    more = f"; {len(moved) - 1} more rates differ" if len(moved) > 2 else "; one more differs" if moved[1:] else ""
    what = f"{row['number'].capitalize()} of a {row['job']} in {row['region']}"
    return f"{what}: {used} used, {stated} stated ({row['told']:,} claims){more}."


def remaining_words(book: DemandBook) -> str:
    """The cost still to come of units sold by now, with its band."""
    return f"Reserve, to the end of cover of units sold by now: {book.currency} {band_words(book.remaining)}."


def beyond_words(book: DemandBook) -> str:
    """Units older than any the physics made; '' where there are none."""
    beyond = book.demand.expected.beyond
    return filled("beyond", beyond=beyond) if beyond else ""


def rows_words(book: DemandBook) -> list[str]:
    """What was read and what was not used, a line a file with rejects, one line when all is used."""
    tallies = book.demand.fleet.tallies
    bad = [
        filled("rejected", file=Path(tally.file).name, of=tally, rows=tally.rows - tally.rows_rejected,
               counted=tally.units - tally.units_rejected)
        for tally in tallies if tally.rows_rejected
    ]  # fmt: skip
    doubts = [f"Look at this: {finding.told}" for finding in book.demand.fleet.findings]
    if not bad:
        return [f"Rows: all {sum(tally.rows for tally in tallies):,} read and used.", *doubts]
    return [*doubts, *bad, "Each is listed with its reason in rejects.csv."]


def sold_words(book: DemandBook) -> str:
    units = book.demand.fleet.units
    sold = int(units.count[~units.planned].sum())
    planned = int(units.count[units.planned].sum())
    return f"{sold:,} units sold, {planned:,} still to be sold"


def terminal_summary(book: DemandBook) -> str:
    """The forecast in at most 28 lines of 100 columns (what-ifs and alerts come on top)."""
    month, band = book.busiest
    rows = sorted(book.multipliers, key=lambda row: -row["expected"])
    told = [
        f"Busiest month: {month_words(month)}, {band_words(band)} regrades.",
        *(f"{spacers_of(centre)}: {centre_words(book, centre)}" for centre in book.spares[:MOST_LINES]),
        unmended_words(book),
        f"Due and not yet reported: {band_words(book.not_yet_reported_band)}.",
        *(remaining_words(book), rates_words(book), price_words(book), *what_if_words(book)),
    ]
    read = [*rows_words(book), beyond_words(book)]
    if book.backtest is not None:
        read.append(f"Forecasts made at earlier dates, beside plain methods: {skill_words(book.backtest)}.")
    return plain_text(
        "demand.txt",
        book=book,
        known=month_words(book.demand.cube.attrs["cutoff"]),
        sold=sold_words(book),
        span=span_words(book),
        ahead=ahead_rows(book),
        whole=whole,
        checked=(verdict(book.backtest), *alerts(book.demand)),
        told=told,
        claims=[textwrap.shorten(multiplier_words(row), WIDTH - 2) for row in rows[:MOST_LINES]],
        more=len(rows) - MOST_LINES,
        read=read,
    )


def demand_json(book: DemandBook) -> dict[str, Any]:
    """The terminal's numbers, for machines."""
    fleet = book.demand.fleet
    found: dict[str, Any] = {
        "title": fleet.settings.title,
        "invented": fleet.settings.invented,
        "cutoff": book.demand.cube.attrs["cutoff"],
        "months": [book.months[0], book.months[book.span - 1]],
        "currency": book.currency,
        "ahead": {name: by_points(band) for name, band in book.ahead.items()},
        "busiest": {"month": book.busiest[0], **by_points(book.busiest[1])},
        "reserve_to_end_of_cover": by_points(book.remaining),
        "reserve": book.reserve,
        "budget": book.budget,
        "rates": book.rates,
        "spares": [_centre_json(book, centre) for centre in book.spares],
        "prices": book.prices,
        "what_ifs": book.what_ifs,
        "share_waiting_for_end_of_cover": book.demand.waiting,
        "not_yet_reported": book.not_yet_reported,
        "not_yet_reported_band": by_points(book.not_yet_reported_band),
        "multipliers": book.multipliers,
        "units_beyond_physics": book.demand.expected.beyond,
        "reconciliation": [asdict(each) for each in fleet.findings],
        "rows": [asdict(tally) for tally in fleet.tallies],
    }
    found["verdict"] = verdict(book.backtest)
    found["band_widened_by_log_sd"] = book.demand.widening
    found["alerts"] = alerts(book.demand)
    found["fit"] = [asdict(row) | {"ratio": row.ratio} for row in fit_rows(book.demand)]
    if (tested := book.backtest) is not None:
        told = ("coverage_80", "closed_80", "skill", "crps", "wis")
        found["backtest"] = {"forecasts": len(tested.rows)} | {name: getattr(tested, name) for name in told}
        found["backtest"]["pit"] = [float(share) for share in tested.pit]
    return found


def _centre_json(book: DemandBook, centre: Centre) -> dict[str, Any]:
    own = ("lead_months", "open_jobs", "jobs", "no_spacer", "job_fill")
    told = {"centre": centre.name, "regions": list(centre.regions)} | {name: getattr(centre, name) for name in own}
    return told | {"job_fill_now": centre.filled_now, "grades": list(centre.rows), "words": centre_words(book, centre)}


def summary_rows(book: DemandBook) -> list[tuple[Any, ...]]:
    """Rows of the workbook's first sheet: words, P10, P50, P90, unit, remark."""
    span = f"sum over {book.span} months, {span_words(book)}"
    rows: list[tuple[Any, ...]] = [(head.strip(), *band, unit, span) for head, band, unit in ahead_rows(book)]
    rows.append(("Is the band to be trusted", None, None, None, "", verdict(book.backtest)))
    rows += [("Alert", None, None, None, "", line) for line in alerts(book.demand)]
    month, band = book.busiest
    rows.append(("Busiest month: regrades", *(float(each) for each in band), "jobs", month_words(month)))
    at = f"at the end of {month_words(book.demand.cube.attrs['cutoff'])}; mean {book.not_yet_reported:,.1f}"
    rows.append(("Due and not yet reported", *book.not_yet_reported_band, "jobs", at))
    until = "units sold by now, to the end of their cover"
    rows.append(("Cost still to come", *book.remaining, book.currency, until))
    for centre in book.spares:
        order = float(sum(row["order_now"] for row in centre.rows))
        rows.append((f"Spacers to order now: {centre.name}", None, order, None, "pieces", centre_words(book, centre)))
    rows.append(("Jobs that no spacer mends", None, None, None, "", unmended_words(book)))
    for row in book.multipliers:
        numbers = (row[f"posterior_{point}"] for point in ("p10", "mean", "p90"))
        remark = f"{row['claims']} claims, {row['expected']:.1f} expected by the physics"
        rows.append((f"Multiplier: {row['region']}, {row['design']}", *numbers, "ratio (its mean under P50)", remark))
    return rows
