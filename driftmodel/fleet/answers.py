"""What a planner reads off a demand forecast: months, money, stock, who is due, and how claims moved the estimate."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.fleet.claims import Multiplier
from driftmodel.fleet.demand import QUANTILES, Demand
from driftmodel.fleet.expect import IN
from driftmodel.fleet.roster import REGRADE, Rates
from driftmodel.fleet.tables import NONE, month_label

Array = NDArray[np.float64]


def monthly_table(demand: Demand) -> list[dict[str, Any]]:
    """Tidy rows: month x region x design, with totals over each under 'all'; quantiles are of sampled sums.

    Regrades and complaints stand in the month of report; hours, cost and pieces in the month the job is done, with the
    jobs open at the cut-off among them. Hours and cost are of jobs in cover and of complaints.
    """
    cube, fleet = demand.cube, demand.fleet
    by_cover = cube["regrades"].values.sum(axis=4, dtype=float)  # sample, month, region, design, cover
    pieces = cube["regrades"].values.mean(axis=0).sum(axis=-1)  # month, region, design, grade
    season = cube["seasonal"].values.astype(float)
    waiting = open_jobs(demand)
    jobs = in_job_months(by_cover[..., IN], waiting, fleet.settings.habits.job_lag_months)
    share = _grade_shares(pieces)
    pieces = in_job_months(pieces[None], waiting[..., None] * share, fleet.settings.habits.job_lag_months)[0]
    hours, money = hours_and_cost(jobs, season, fleet.rates)
    every = by_cover.sum(axis=-1)
    risk = np.moveaxis(demand.expected.at_risk + demand.expected.regraded, 2, 0)
    rows: list[dict[str, Any]] = []
    for r, region in [*enumerate(fleet.regions), (None, "all")]:
        for d, design in [*enumerate(fleet.designs), (None, "all")]:
            whole = _summed(every, r, d)
            columns = {
                "regrades": whole,
                "in_cover": _summed(by_cover[..., IN], r, d),
                "out_of_cover": _summed(by_cover[..., 1 - IN], r, d),
                "seasonal": _summed(season, r, d),
                "hours": _summed(hours, r, d),
                "cost": _summed(money, r, d),
            }
            bands = {name: np.quantile(values, QUANTILES, axis=0) for name, values in columns.items()}
            at_risk, mean = _summed(risk[None], r, d)[0], whole.mean(axis=0)
            grade = np.stack([_summed(pieces[None, ..., g], r, d)[0] for g in range(pieces.shape[-1])])
            for m, month in enumerate(cube["month"].values):
                row = {"month": str(month), "region": region, "design": design, "at_risk": float(at_risk[m])}
                row["regrades_mean"] = float(mean[m])
                for name, band in bands.items():
                    row |= {f"{name}_p{round(100 * q)}": float(band[k, m]) for k, q in enumerate(QUANTILES)}
                row |= {f"pieces_{name}": float(grade[g, m]) for g, name in enumerate(cube["grade"].values)}
                rows.append(row)
    return rows


def _summed(values: Array, region: int | None, design: int | None) -> Array:
    """(samples, months) of values (samples, months, regions, designs); None sums over all."""
    own = values.sum(axis=2) if region is None else values[:, :, region]
    return np.asarray(own.sum(axis=2) if design is None else own[:, :, design])


def open_jobs(demand: Demand) -> Array:
    """Regrade claims reported and not closed by the cut-off, by how many months ahead the job is due,
    (job lag, regions, designs); overdue ones are due at once."""
    claims, lag = demand.fleet.claims, demand.fleet.settings.habits.job_lag_months
    cutoff = demand.cutoff
    table = np.zeros((lag, len(demand.fleet.regions), len(demand.fleet.designs)))
    late = (claims.close == NONE) | (claims.close > cutoff)
    chosen = (claims.disposition == REGRADE) & (claims.report <= cutoff) & late
    if lag:
        due = np.maximum(claims.report[chosen] + lag - cutoff - 1, 0)
        np.add.at(table, (due, claims.region[chosen], claims.design[chosen]), 1.0)
    return table


def in_job_months(values: Array, waiting: Array, lag: int) -> Array:
    """Values (samples, months, ...) moved from the month of report to that of the job; `waiting` comes first."""
    if not lag:
        return values
    months = values.shape[1]
    first = np.broadcast_to(waiting, (values.shape[0], *waiting.shape))
    return np.concatenate([first, values], axis=1)[:, :months]


def _grade_shares(pieces: Array) -> Array:
    """Share of each grade over the whole forecast, (regions, designs, grades)."""
    whole = pieces.sum(axis=0)
    total = whole.sum(axis=-1, keepdims=True)
    return np.asarray(np.where(total > 0.0, whole / np.where(total > 0.0, total, 1.0), 0.0))


def hours_and_cost(jobs: Array, seasonal: Array, rates: Rates) -> tuple[Array, Array]:
    """Hours and money of regrade jobs and seasonal complaints (samples, months, regions, designs)."""
    by = (slice(None), None)
    hours = jobs * rates.hours_regrade[by] + seasonal * rates.hours_seasonal[by]
    parts = jobs * (rates.cost_per_part + rates.cost_freight)[by]
    return hours, hours * rates.cost_per_hour[by] + parts


def not_yet_reported(demand: Demand) -> Array:
    """Expected regrades due by the cut-off and not reported by then, (regions, designs), with the posterior mean."""
    return np.asarray(demand.expected.pending * demand.after.mean)


def roll_forward(demand: Demand) -> list[dict[str, Any]]:
    """The accrual month by month: opening + issued + change of estimate - settled = closing, regrades in cover only.

    closing is the expected cost, within the forecast's months, of units sold so far. Management information, not
    accounting advice. The first month takes up the difference to the stated opening accrual.
    """
    rates = demand.fleet.rates
    each = rates.hours_regrade * rates.cost_per_hour + rates.cost_per_part + rates.cost_freight
    in_cover_jobs = demand.cube["regrades"].values[..., IN].mean(axis=0).sum(axis=-1)  # month, region, design
    settled = (in_cover_jobs.sum(axis=2) * each).sum(axis=1)
    whole = float(settled.sum())
    base = demand.expected.first[..., IN] + demand.expected.repeat[..., IN]
    base_jobs = base.sum(axis=(2, 3))  # region, design
    ratio = np.where(base_jobs > 0.0, in_cover_jobs.sum(axis=0) / np.where(base_jobs > 0.0, base_jobs, 1.0), 0.0)
    issued = (demand.expected.issued * ratio[..., None]).sum(axis=1).T @ each
    opening = float(demand.fleet.settings.opening_accrual)
    due = whole - float(issued.sum())  # what units sold by the cut-off will cost
    rows = []
    for month, label in enumerate(demand.cube["month"].values):
        change = due - opening if month == 0 else 0.0
        closing = opening + float(issued[month]) + change - float(settled[month])
        rows.append(
            {
                "month": str(label),
                "opening": opening,
                "issued": float(issued[month]),
                "change_of_estimate": change,
                "settled": float(settled[month]),
                "closing": closing,
            }
        )
        opening = closing
    return rows


def who_is_due(demand: Demand, most: int = 200) -> list[dict[str, Any]]:
    """Rows of the units table by their chance of a report within twelve months, the likeliest first."""
    units, cohorts = demand.fleet.units, demand.cohorts
    mean = np.broadcast_to(demand.after.mean, demand.after.shape.shape)
    multiplier = mean[units.region, units.design]
    chance = 1.0 - (1.0 - np.clip(demand.expected.due[cohorts.of_row], 0.0, 1.0)) ** multiplier
    chance = np.where(units.planned, -1.0, chance)
    order = np.argsort(-chance, kind="stable")[:most]
    serial = demand.fleet.serial
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
        }
        for i in order
        if chance[i] >= 0.0
    ]


def stock_list(demand: Demand, lead_months: int = 3) -> tuple[list[dict[str, Any]], float]:
    """Pieces by grade that serve the stated share of jobs over a lead time, and the share of jobs they fill."""
    from driftmodel.fleet.stock import sample_chances, stock_for_jobs

    counts = demand.cube["regrades"].values[:, :lead_months, :, :, :-1].sum(axis=(1, 2, 3, 5))
    found = stock_for_jobs(
        [sample_chances(counts[:, g]) for g in range(counts.shape[1])], demand.fleet.settings.service
    )
    names = demand.fleet.settings.grades
    rows = [
        {"grade": name, "pieces": pieces, "expected_use": float(counts[:, g].mean())}
        for g, (name, pieces) in enumerate(zip(names, found.pieces, strict=True))
    ]
    return rows, found.job_fill


def multiplier_table(demand: Demand) -> list[dict[str, Any]]:
    """Prior, data and posterior of each region x design, side by side."""
    rows = []
    expected, pending = demand.expected.history, not_yet_reported(demand)
    low, high = np.quantile(demand.cube["not_yet_reported"].values, (QUANTILES[0], QUANTILES[-1]), axis=0)
    for r, region in enumerate(demand.fleet.regions):
        for d, design in enumerate(demand.fleet.designs):
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
                    "not_yet_reported_p90": float(high[r, d]),
                }
            )
    return rows
