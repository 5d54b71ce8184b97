"""What a planner reads off a demand forecast: months, money, stock, who is due, and how claims moved the estimate."""

from __future__ import annotations

from typing import Any

import numpy as np

from driftmodel.base.arrays import ratio
from driftmodel.base.schema import BAND, QUANTILES, Array
from driftmodel.fleet.cell_demand import IN
from driftmodel.fleet.claims import Multiplier
from driftmodel.fleet.correction import NEWER, newer_sold
from driftmodel.fleet.demand import Demand
from driftmodel.fleet.future import past_reports
from driftmodel.fleet.money import Money, in_job_months, job_laws, open_jobs
from driftmodel.fleet.roster import places
from driftmodel.fleet.run import SOON_MONTHS
from driftmodel.fleet.stock import shares_of_grades
from driftmodel.fleet.tables import NONE, month_label


def banded(name: str, samples: Array, points: tuple[float, ...] = QUANTILES) -> dict[str, float]:
    """Columns of a row for one sampled number (samples,): its mean and the points it is told by."""
    found = zip(points, np.quantile(samples, points).tolist(), strict=True)
    return {f"{name}_mean": float(samples.mean())} | {f"{name}_p{round(100 * q)}": value for q, value in found}


def monthly_table(demand: Demand, money: Money) -> list[dict[str, Any]]:
    """Tidy rows: month x region x design, with totals over each under 'all'; quantiles are of sampled sums.

    Regrades and complaints stand in the month of report; hours, cost and pieces in the month the job is done, with the
    jobs open at the cut-off among them. Hours and cost are of jobs in cover and of complaints."""
    cube, fleet = demand.cube, demand.fleet
    pieces = cube["regrades"].values.mean(axis=0).sum(axis=-1)  # month, region, design, grade
    waiting = open_jobs(demand)[..., None] * shares_of_grades(pieces)
    pieces = in_job_months(pieces, waiting, fleet.settings.habits.job_lag_months)
    risk = np.moveaxis(demand.expected.at_risk + demand.expected.regraded, 2, 0)
    every: dict[str, Array] = {}
    rows: list[dict[str, Any]] = []
    for r, region in enumerate(fleet.regions):
        own = _sampled(demand, money, r)
        every = {name: every[name] + values for name, values in own.items()} if every else dict(own)
        rows += _rows(demand, region, own, risk[:, r], pieces[:, r])
    return rows + _rows(demand, "all", every, risk.sum(axis=1), pieces.sum(axis=1))


def _sampled(demand: Demand, money: Money, region: int) -> dict[str, Array]:
    """Numbers of a region, (samples, months, designs) each."""
    by_cover = demand.cube["regrades"].values[:, :, region].sum(axis=3, dtype=float)  # sample, month, design, cover
    return {
        "regrades": by_cover.sum(axis=-1),
        "in_cover": by_cover[..., IN],
        "out_of_cover": by_cover[..., 1 - IN],
        "seasonal": demand.cube["seasonal"].values[:, :, region].astype(float),
        "hours": money.hours[:, :, region].astype(float),
        "cost": money.cost[:, :, region].astype(float),
    }


def _rows(demand: Demand, region: str, sampled: dict[str, Array], risk: Array, pieces: Array) -> list[dict[str, Any]]:
    """A row a design, and all of them, and month: sampled (samples, months, designs), risk (months, designs), pieces
    (months, designs, grades)."""
    months, grades = demand.cube["month"].values, demand.cube["grade"].values
    rows = []
    for d, design in [*enumerate(demand.fleet.designs), (None, "all")]:
        chosen = slice(None) if d is None else slice(d, d + 1)
        own = {name: values[..., chosen].sum(axis=-1) for name, values in sampled.items()}
        columns = {"at_risk": risk[:, chosen].sum(axis=-1), "regrades_mean": own["regrades"].mean(axis=0)}
        for name, values in own.items():
            band = np.quantile(values, QUANTILES, axis=0)
            columns |= {f"{name}_p{round(100 * q)}": band[k] for k, q in enumerate(QUANTILES)}
        grade = pieces[:, chosen].sum(axis=1)
        columns |= {f"pieces_{name}": grade[:, g] for g, name in enumerate(grades)}
        told = {name: values.tolist() for name, values in columns.items()}
        for m, month in enumerate(months):
            row: dict[str, Any] = {"month": str(month), "region": region, "design": design}
            rows.append(row | {name: values[m] for name, values in told.items()})
    return rows


def not_yet_reported(demand: Demand) -> Array:
    """Expected regrades due by the cut-off and not reported by then, (regions, designs), the mean of the samples."""
    return np.asarray(demand.cube["not_yet_reported"].values.mean(axis=0))


def roll_forward(demand: Demand, money: Money) -> list[dict[str, Any]]:
    """The accrual month by month: opening + issued + change of estimate - settled = closing, of the cost in cover.

    All of it is to the end of cover: issued is what the units sold in a month will cost until then, closing what all
    sold so far still will. settled is the mean of the sampled cost, in the month of the job. The first month takes up
    the difference between the stated opening accrual and the mean of the reserve (undiscounted: money is settled at its
    face). Management information, not accounting advice."""
    settled = money.cost.mean(axis=0, dtype=float).sum(axis=(1, 2))
    opening = float(demand.fleet.settings.opening_accrual)
    due = float(money.face.sum())
    rows = []
    for month, label in enumerate(demand.cube["month"].values):
        change = due - opening if month == 0 else 0.0
        closing = opening + float(money.issued[month]) + change - float(settled[month])
        rows.append(
            {
                "month": str(label),
                "opening": opening,
                "issued": float(money.issued[month]),
                "change_of_estimate": change,
                "settled": float(settled[month]),
                "closing": closing,
            }
        )
        opening = closing
    return rows


def budget(demand: Demand, money: Money) -> list[dict[str, Any]]:
    """A row a fiscal year x region x design: jobs by month of report, hours and cost by month of the job, each with
    mean, P10 and P90. Means add; bands do not. months: of the forecast in that year, which may be part of it."""
    begins = demand.fleet.settings.fiscal_year_begins
    calendar = demand.cutoff + 1 + np.arange(demand.cube.sizes["month"])
    year = (calendar - (begins - 1)) // 12 + (begins > 1)  # named by the calendar year it ends in
    jobs = demand.cube["regrades"].values.sum(axis=4, dtype=float)  # sample, month, region, design, cover
    numbers = {
        "jobs_in_cover": jobs[..., IN],
        "jobs_out_of_cover": jobs[..., 1 - IN],
        "visits": demand.cube["seasonal"].values.astype(float),
        "hours": money.hours.astype(float),
        "cost": money.cost.astype(float),
    }
    rows = []
    for name in np.unique(year).tolist():
        mine = year == name
        own = {key: values[:, mine].sum(axis=1) for key, values in numbers.items()}
        for r, region, d, design in places(demand.fleet):
            row: dict[str, Any] = {"fiscal_year": int(name), "months": int(mine.sum()), "region": region}
            row["design"] = design
            for key, values in own.items():
                row |= banded(key, values[:, r, d], BAND)
            rows.append(row)
    return rows


def reserve_table(demand: Demand, money: Money) -> list[dict[str, Any]]:
    """Units sold by the cut-off, to the end of their cover: jobs in and out of it, visits and cost, a row a region x
    design, and all of them ("all", "all"), whose bands are of the sampled sums."""
    jobs = demand.sold.regrades.sum(axis=1, dtype=float)  # sample, region, design, cover
    visits = demand.sold.visits.sum(axis=1, dtype=float)
    numbers = {
        "jobs_in_cover": jobs[..., IN], "jobs_out_of_cover": jobs[..., 1 - IN], "visits": visits, "cost": money.reserve
    }  # fmt: skip
    every: list[tuple[str, str, Any]] = [
        (region, design, (slice(None), [r], [d])) for r, region, d, design in places(demand.fleet)
    ]
    rows = []
    for region, design, at in [*every, ("all", "all", slice(None))]:
        row: dict[str, Any] = {"region": region, "design": design}
        for key, values in numbers.items():
            row |= banded(key, values[at].reshape(len(values), -1).sum(axis=1))
        rows.append(row)
    return rows


def rate_table(demand: Demand, money: Money) -> list[dict[str, Any]]:
    """Hours and cost of a job by region: as stated, as claims have it (None without any), and as used, its mean with
    P10 and P90; told: claims that say it; spread_pct: of one job about its mean."""
    laws = money.laws
    kinds = [
        (job, number, law, law.mean, law.quantile(0.1), law.quantile(0.9))
        for job, number, law in (
            ("regrade", "hours", laws.hours),
            ("regrade", "cost", laws.cost),
            ("seasonal visit", "hours", laws.visit_hours),
            ("seasonal visit", "cost", laws.visit_cost),
        )
    ]
    rows = []
    for r, region in enumerate(demand.fleet.regions):
        for job, number, law, mean, low, high in kinds:
            rows.append(
                {
                    "region": region,
                    "job": job,
                    "number": number,
                    "stated": float(law.stated[r]),
                    "claims": float(law.told_mean[r]) if law.told[r] else None,
                    "told": int(law.told[r]),
                    "used": float(mean[r]),
                    "used_p10": float(low[r]),
                    "used_p90": float(high[r]),
                    "spread_pct": 100.0 * law.shape**-0.5,
                }
            )
    return rows


def who_is_due(demand: Demand, most: int = 200) -> list[dict[str, Any]]:
    """Rows of the units table by their chance of a report within twelve months, the likeliest first.

    saved: what calling the owner first saves, on average: freight, and the visit at which the job would be found, times
    the chance, where cover lasts another year (common practice, no source). season: months in which a region's owner
    is best called, see `calm_months`."""
    units, cohorts, cube = demand.fleet.units, demand.cohorts, demand.cube["regrades"].values
    newer = newer_sold(demand.cutoff - units.sale.astype(np.int64)) & (units.regraded == NONE)
    multiplier = by_newness(demand)[newer.astype(int), units.region, units.design]
    chance = 1.0 - (1.0 - np.clip(demand.expected.due[cohorts.of_row], 0.0, 1.0)) ** multiplier
    chance = np.where(units.planned, -1.0, chance)
    order = np.argsort(-chance, kind="stable")[:most]
    serial, rates = demand.fleet.serial, demand.fleet.rates
    likely = demand.cube["grade"].values[cube.sum(axis=(0, 1, 5), dtype=float).argmax(axis=2)]  # region, design
    visit = job_laws(demand).visit_cost.mean
    end = units.sale + units.cover
    months_left = np.clip(end - demand.cutoff - 1, 0, SOON_MONTHS) / SOON_MONTHS
    saved = (rates.cost_freight + visit)[units.region] * chance * months_left
    season = [calm_months(demand, r) for r in range(len(demand.fleet.regions))]
    return [
        {
            "row": int(units.row[i]),
            "serial": str(serial[i]) if i < len(serial) else "",
            "count": int(units.count[i]),
            "region": demand.fleet.regions[units.region[i]],
            "design": demand.fleet.designs[units.design[i]],
            "exposure": demand.fleet.exposures[units.exposure[i]],
            "sold": month_label(int(units.sale[i])),
            "chance_within_12_months": float(chance[i]),
            "cover_ends": month_label(int(end[i])),
            "likely_spacer": str(likely[units.region[i], units.design[i]]),
            "saved": float(saved[i]) * int(units.count[i]),
            "season": season[units.region[i]],
        }
        for i in order
        if chance[i] >= 0.0
    ]


def by_newness(demand: Demand) -> Array:
    """By what the claims multiply the physics' chance, (2, regions, designs): of older units and regraded ones, and of
    those sold of late that have had no regrade, in so far as claims tell of a changed design."""
    factor = np.ones((2, *demand.after.shape.shape))
    for chance, rival in zip(demand.correction.chances, demand.correction.rivals, strict=True):
        if (block := rival.block(NEWER)) is not None:
            plain = rival.mean.copy()
            plain[block.columns] = 0.0
            both = np.stack([rival.mean, plain])
            whole, older = past_reports(rival, demand.expected.behind, both).sum(axis=3)
            own = np.where(whole > 0.0, ratio(older, whole), 1.0)
            factor += chance * (np.stack([own, own * np.exp(rival.newer(rival.mean))]) - 1.0)
    return factor * demand.after.mean


def calm_months(demand: Demand, region: int) -> str:
    """The three months in a row with the fewest jobs and visits in the year ahead, so that benches are free; '' where
    less than a year is forecast."""
    if demand.cube.sizes["month"] < 12:
        return ""
    jobs = demand.cube["regrades"].values[:, :12, region].mean(axis=0).sum(axis=(1, 2, 3))
    jobs = jobs + demand.cube["seasonal"].values[:, :12, region].mean(axis=0).sum(axis=1)
    first = int((jobs + np.roll(jobs, -1) + np.roll(jobs, -2)).argmin())
    return " to ".join(f"{(demand.cutoff + 1 + first + step) % 12 + 1:02d}" for step in (0, 2))


def multiplier_table(demand: Demand) -> list[dict[str, Any]]:
    """Prior, data and posterior of each region x design, side by side."""
    rows = []
    expected, pending = demand.expected.history, not_yet_reported(demand)
    low, middle, high = np.quantile(demand.cube["not_yet_reported"].values, QUANTILES, axis=0)
    for r, region, d, design in places(demand.fleet):
        own = Multiplier(demand.after.shape[r, d], demand.after.rate[r, d])
        rows.append(
            {
                "region": region,
                "design": design,
                "prior_mean": 1.0,
                "prior_p10": float(demand.before.quantile(0.1)),
                "prior_p90": float(demand.before.quantile(0.9)),
                "claims": int(demand.claims[r, d]),
                "expected": float(expected[r, d]),
                "posterior_mean": float(own.mean),
                "posterior_p10": float(own.quantile(0.1)),
                "posterior_p90": float(own.quantile(0.9)),
                "not_yet_reported": float(pending[r, d]),
                "not_yet_reported_p10": float(low[r, d]),
                "not_yet_reported_p50": float(middle[r, d]),
                "not_yet_reported_p90": float(high[r, d]),
            }
        )
    return rows
