"""A demand forecast in words: the terminal's summary, the workbook's definitions, the page's story."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

from driftmodel.fleet.backtest import backtest_words
from driftmodel.report.demand_numbers import LEAD_MONTHS, Band, DemandBook
from driftmodel.report.phrases import MONTHS

WIDTH = 100
MOST_LINES = 4
FIGURES = {
    "fan": (
        "Regrades a month, so far and to come",
        "Bars: regrade claims reported. Then the forecast: the middle, the half of futures nearest it, and the "
        "range that "
        "holds four in five. Claims do not say whether they were in cover, so bars and bands are of all regrades; the "
        "dashed line is the middle of those in cover.",
    ),
    "map": (
        "Expected regrades by place and month",
        "Expected regrades of each region and design, month by month, or year by year when the forecast is long. "
        "Expected numbers may be added up; quantiles "
        "may not.",
    ),
    "age": (
        "By age",
        "From the units table, each unit with its last regrade. Left: all sales together, with 80 % limits. Right: "
        "a line "
        "for each year of sale; lines that part company mean that builds, places or habits changed.",
    ),
    "multipliers": (
        "What the claims say of the physics",
        "Wide bar: what was thought before any claim. Diamond: claims as a multiple of what the physics expects to "
        "have "
        "been reported by now. Narrow bar: both together, which the forecast uses. Bars hold four times in five.",
    ),
    "backtest": (
        "Forecasts made earlier, against what came",
        "At each dotted line a forecast was made with what was known then. About four points in five should lie in the "
        "band, and a few more where numbers are small, because counts are whole.",
    ),
    "scores": (
        "Is it better than a plain rule",
        "Left: how much better than three plain rules, by CRPS; hatched and to the left of 0 is worse. Right: how "
        "often "
        "what came fell in each tenth of the forecast; even bars are honest, a hump is too wide, horns are too narrow.",
    ),
}
CAUTION = (
    "Regrading is bench work: slacken strings evenly and wear eye protection, for a string under pull can whip; sand "
    "spacers with extraction and a respirator; local codes and a qualified, licensed repairer come before any "
    "number here."
)
LIMITS = (
    "Demand is physics of each design and climate, scaled by claims. It knows nothing of recalls, campaigns, changed "
    "terms, owners who never ask, or a design that is not in the fleet file.",
    "How owners keep their guitars, how late they report, and the rates of seasonal complaints are as the fleet file "
    "states them until claims say otherwise; stated habits are common practice, no source.",
    "The far years rest on how far a guitar settles, for which no published figure over twenty years was found: "
    "past the "
    "age of the oldest units it is a scenario, not experience.",
    "Shipments are taken as planned. Each region's weather years are shared by all its units, so totals are as "
    "uncertain "
    "as the weather; whatever changes the climate itself is not in it.",
    "Money is hours and parts at the stated rates, undiscounted. It is management information, not accounting advice.",
)


def month_words(label: str) -> str:
    """'2026-07' as 'July 2026'."""
    return f"{MONTHS[int(label[5:]) - 1]} {label[:4]}"


def whole(value: float) -> str:
    """'1,234'; never '-0'."""
    return f"{round(value) + 0:,d}"


def band_words(band: Band) -> str:
    """'118 (96 to 143)'."""
    return f"{whole(band[1])} ({whole(band[0])} to {whole(band[2])})"


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


def stock_words(book: DemandBook) -> str:
    """'49 F, 8 E, 5 A': the grades to hold, most first."""
    held = sorted((row for row in book.stock if row["pieces"]), key=lambda row: -row["pieces"])
    return ", ".join(f"{row['pieces']} of {row['grade']}" for row in held) or "none"


def multiplier_words(row: dict[str, Any]) -> str:
    """One region and design in a line."""
    return (
        f"{row['region']}, {row['design']}: {row['posterior_mean']:.2f} ({row['posterior_p10']:.2f} to "
        f"{row['posterior_p90']:.2f}); {row['claims']:,} claims where {row['expected']:,.0f} were expected"
    )


def rows_words(book: DemandBook) -> list[str]:
    """What was read and what was not used, a line a file with rejects, one line when all is used."""
    tallies = book.demand.fleet.tallies
    bad = [tally for tally in tallies if tally.rows_rejected]
    if not bad:
        return [f"Rows: all {sum(tally.rows for tally in tallies):,} read and used."]
    return [
        f"Rejected in {Path(tally.file).name}: {tally.rows_rejected:,} of "
        f"{tally.rows:,} rows "
        f"({tally.rows - tally.rows_rejected:,} used); {tally.units_rejected:,} of {tally.units:,} counted "
        f"({tally.units - tally.units_rejected:,} used)."
        for tally in bad
    ] + ["Each is listed with its reason in rejects.csv."]


def sold_words(book: DemandBook) -> str:
    units = book.demand.fleet.units
    sold = int(units.count[~units.planned].sum())
    planned = int(units.count[units.planned].sum())
    return f"{sold:,} units sold, {planned:,} still to be sold"


def terminal_summary(book: DemandBook) -> str:
    """The forecast in at most 25 lines of 100 columns (backtest lines come on top)."""
    settings = book.demand.fleet.settings
    known = f"Known to the end of {month_words(book.demand.cube.attrs['cutoff'])}: {sold_words(book)}."
    lines = [*textwrap.wrap(settings.title, WIDTH)[:1], *textwrap.wrap(known, WIDTH), ""]
    lines.append(f"{f'Next {book.span} months, {span_words(book)}':<54}{'low':>11}{'middle':>11}{'high':>11}")
    for head, band, unit in ahead_rows(book):
        name = f"  {head}{f' ({unit})' if unit not in ('jobs', 'visits') else ''}"
        lines.append(f"{name:<54}" + "".join(f"{whole(value):>11}" for value in band))
    lines += ["  Low to high holds four times in five. Quantiles do not add: in and out of cover are ranked apart.", ""]
    month, band = book.busiest
    told = [f"Busiest month: {month_words(month)}, {band_words(band)} regrades."]
    lead = min(LEAD_MONTHS, len(book.months))
    told.append(
        f"Spacers to hold for {lead} months ({100 * book.job_fill:.0f} % of jobs served at once): {stock_words(book)}."
    )
    told.append(f"Due and not yet reported: about {whole(book.not_yet_reported)}.")
    for line in told:
        lines += textwrap.wrap(line, WIDTH, subsequent_indent="  ")[:3]
    lines.append("Regrades against the physics alone, as the claims have it (1 = as many):")
    rows = sorted(book.multipliers, key=lambda row: -row["expected"])
    lines += ["  " + textwrap.shorten(multiplier_words(row), WIDTH - 2) for row in rows[:MOST_LINES]]
    if len(rows) > MOST_LINES:
        lines.append(f"  and {len(rows) - MOST_LINES} more in demand.xlsx")
    lines += [each for line in rows_words(book) for each in textwrap.wrap(line, WIDTH, subsequent_indent="  ")]
    if book.demand.expected.beyond:
        lines.append(
            f"{book.demand.expected.beyond:,} units have come further without a regrade than any the physics made: "
            f"left out."
        )
    if book.backtest is not None:
        lines.append("")
        for line in backtest_words(book.backtest).splitlines():
            lines += textwrap.wrap(line, WIDTH)
    return "\n".join(lines)


def demand_json(book: DemandBook) -> dict[str, Any]:
    """The terminal's numbers, for machines."""
    fleet = book.demand.fleet
    found: dict[str, Any] = {
        "title": fleet.settings.title,
        "invented": fleet.settings.invented,
        "cutoff": book.demand.cube.attrs["cutoff"],
        "months": [book.months[0], book.months[book.span - 1]],
        "currency": book.currency,
        "ahead": {name: dict(zip(("p10", "p50", "p90"), band, strict=True)) for name, band in book.ahead.items()},
        "busiest": {
            "month": book.busiest[0],
            **dict(zip(("p10", "p50", "p90"), map(float, book.busiest[1]), strict=True)),
        },
        "stock": {
            "months": min(LEAD_MONTHS, len(book.months)),
            "job_fill": book.job_fill,
            "pieces": {row["grade"]: row["pieces"] for row in book.stock if row["pieces"]},
        },
        "not_yet_reported": book.not_yet_reported,
        "multipliers": book.multipliers,
        "units_left_out": book.demand.expected.beyond,
        "rows": [
            {
                "file": tally.file,
                "rows": tally.rows,
                "rows_rejected": tally.rows_rejected,
                "units": tally.units,
                "units_rejected": tally.units_rejected,
            }
            for tally in fleet.tallies
        ],
    }
    if book.backtest is not None:
        result = book.backtest
        found["backtest"] = {
            "forecasts": len(result.rows),
            "coverage_80": result.coverage_80,
            "skill": result.skill,
            "crps": result.crps,
            "wis": result.wis,
            "pit": [float(share) for share in result.pit],
        }
    return found


def summary_rows(book: DemandBook) -> list[tuple[Any, ...]]:
    """Rows of the workbook's first sheet: words, P10, P50, P90, unit, remark."""
    span = f"sum over {book.span} months, {span_words(book)}"
    rows: list[tuple[Any, ...]] = [(head.strip(), *band, unit, span) for head, band, unit in ahead_rows(book)]
    month, band = book.busiest
    rows.append(("Busiest month: regrades", *(float(each) for each in band), "jobs", month_words(month)))
    rows.append(
        ("Due and not yet reported", None, book.not_yet_reported, None, "jobs", "expected, at the date it is known to")
    )
    held = sum(row["pieces"] for row in book.stock)
    rows.append(("Spacers to hold", None, float(held), None, "pieces", stock_words(book)))
    for row in book.multipliers:
        rows.append(
            (
                f"Multiplier: {row['region']}, {row['design']}", row["posterior_p10"], row["posterior_mean"],
                row["posterior_p90"], "ratio (its mean under P50)",
                f"{row['claims']} claims, {row['expected']:.1f} expected by the physics",
            )
        )  # fmt: skip
    return rows


def definitions(book: DemandBook) -> list[tuple[str, str]]:
    """What each word means, for the workbook's notes and the page."""
    habits = book.demand.fleet.settings.habits
    return [
        ("P10, P50, P90", "Of the sampled futures one in ten lies below P10, half below P50, nine in ten below P90. "
                          "P10 to "
                          "P90 holds four times in five."),
        ("Quantiles do not add", "The P90 of a year is less than the sum of its months' P90s, and the P50s do not "
                                 "add up "
                                 "either. Use the rows of level fleet, region or design; add up means only."),
        ("Level", "fleet: everything; region: all its designs; design: in all regions; region x design: one of "
                  "each. Filter "
                  "one level before summing anything."),
        ("Regrade", "A neck that lies outside the rule of its design's scenario and does not come back: it needs "
                    "another "
                    "spacer. Counted in the month it is reported."),
        ("In cover, out of cover", "By each unit's sale month and cover months. Only regrades in cover cost the "
                                   "workshop."),
        ("Seasonal complaint", "Action that has moved with the season and comes back: a visit, no part. Units in "
                               "cover."),
        ("Hours, cost, pieces", f"In the month of the job, {habits.job_lag_months} after its report; jobs open now "
                                f"come "
                                "first. Hours and cost: in cover and seasonal. Pieces: all regrades, means."),
        ("Multiplier", "Regrades against what the physics alone expects. Before claims its mean is 1; claims move "
                       "it, the "
                       "more the more there are (gamma-Poisson; Gelman et al. 2013, sec. 2.6)."),
        ("Not yet reported", "Regrades whose threshold is crossed by now and that no one has reported yet."),
        ("Chance within 12 months", "For each unit of the row, given that it has come so far without another report."),
        ("Stock", "Fewest pieces that serve the stated share of jobs at once, each job using one piece of one grade."),
        ("Roll-forward", "Opening + issued + change of estimate - settled = closing: expected cost, within the "
                         "forecast's "
                         "months, of units sold. The first month takes up the difference to the stated opening "
                         "accrual. "
                         "Management information, not accounting advice."),
        ("Limits", " ".join(LIMITS)),
        ("Cautions", CAUTION),
    ]  # fmt: skip
