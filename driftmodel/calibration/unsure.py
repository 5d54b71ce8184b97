"""What readings may be away from what the model expects, and how it hangs together: weather, hour, stays, the law.

A reading is expected by the model for weather that is only known by its kind. What it may be away, beyond its tool,
is a normal error with a covariance between readings:

- weather: of members with days of their own, read at the same moments. A few dozen of them know variances well and
  distant covariances badly: these are tapered to nothing over three months (Gaspari and Cohn 1999, Quarterly
  Journal of the Royal Meteorological Society 125, 723-757, Eq. 4.10). What the weather at set-up does is common to
  all readings.
- hour and bench air that nobody wrote down: alternatives, each as likely; common to the readings of a visit.
- the law: no law of the wood is the guitar's own. A share of the seasonal movement (alike in the same season of any
  year) and of the lasting drift (alike at like ages) is left free (Kennedy and O'Hagan 2001, Journal of the Royal
  Statistical Society B 63, 425-464). LAW_* are set so that bands cover truths from other laws (docs/learning.md)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario
from driftmodel.base.schema import DAYS_PER_YEAR, Array
from driftmodel.calibration import forward
from driftmodel.calibration.bench import Seen, in_rows
from driftmodel.calibration.forward import Particles
from driftmodel.calibration.records import ReadingRow

#: covariance of the weather at two days is gone at twice this distance
TAPER_DAYS = 45.0
#: share of the seasonal and of the lasting movement that the law may be wrong by, and over how many days of the year or
#: what ratio of ages (logarithm) it is wrong alike; each reading on its own, mm (or g)
LAW_SEASON, LAW_SEASON_DAYS = 0.15, 45.0
LAW_LASTING, LAW_LASTING_LOG = 0.12, 0.7
LAW_OWN = 0.03
#: what is left of a sure slip's weight
SURELY = 1e-6


@dataclass(frozen=True)
class Days:
    """Days from set-up of the readings and then of what is asked (columns,), and how many of each."""

    at: Array
    readings: int
    asked: int


@dataclass(frozen=True)
class Unsure:
    """What readings may be away, in their own units, for an instrument near some particle. stays (alternatives,
    readings): what hours and stays do that a blank stands for. visit (readings,): number of the day of each. law:
    covariance of what the law may be wrong by. weather: covariance of the weather between readings, then the columns
    asked about. swing: see `swing_of`, of that particle."""

    stays: Array
    visit: NDArray[np.intp]
    law: Array
    weather: Array
    swing: float


def unsure_at(here: Particles, seen: Seen, plan: forward.Plan, days: Days) -> Unsure:
    """The doubts of an instrument that is the one particle `here`. plan: of the readings, then of the last columns of
    `seen`, which are asked about, last of them what the weather of set-up does to all; days: theirs."""
    weights, count = _weights(here), days.readings
    last = seen.away.shape[-1]
    columns = np.concatenate([np.arange(count), np.arange(last - days.asked, last)])

    def effect(change: Array, of: forward.Plan) -> Array:
        """What changes of the lags (k, 2, lag, columns) do to the readings, (k, columns)."""
        moisture = np.stack([in_rows(weights, one)[:, 0] for one in change])
        many = replace(here, normals=np.repeat(here.normals, len(change), axis=0))
        found, still = (forward.moved(many, each) for each in (moisture, np.zeros_like(moisture)))
        return forward.expected_readings(many, of, found) - forward.expected_readings(many, of, still)

    own = effect(seen.away[..., columns], plan)
    start = effect(np.repeat(-seen.at_start[..., None], columns.size, axis=-1), plan)
    weather = _shrunk(own, plan) * _taper(np.abs(days.at[:, None] - days.at)) + start.T @ start / max(len(start), 1)
    told = plan.first(count)
    stays = effect(seen.stays, told)
    visit = np.unique(days.at[:count], return_inverse=True)[1].astype(np.intp)
    return Unsure(stays, visit, _law(here, seen, told, days), weather, float(swing_of(here, seen)[0]))


def _weights(here: Particles) -> Array:
    """The weights of one particle on the lags, (rows, 1, lag)."""
    table = here.bench.table
    return np.asarray(here.values["moisture_level"][0] * np.tensordot(here.on[0], table.weights, axes=(0, 1)))[:, None]


def _shrunk(own: Array, plan: forward.Plan) -> Array:
    """Covariance of the members' deviations (members, columns); variances drawn half-way to the mean of their kind."""
    if len(own) < 2:
        return np.zeros((own.shape[1], own.shape[1]))
    covariance = own.T @ own / (len(own) - 1)
    variance = np.diag(covariance).copy()
    wanted = variance.copy()
    for kind in set(plan.what):
        on = [place for place, what in enumerate(plan.what) if what == kind]
        wanted[on] = 0.5 * variance[on] + 0.5 * variance[on].mean()
    scale = np.sqrt(wanted / np.maximum(variance, 1e-18))
    return np.asarray(covariance * scale * scale[:, None])


def _taper(gap_days: Array) -> Array:
    """Gaspari and Cohn's fifth-order function of distance: 1 at 0, 0 from twice TAPER_DAYS on."""
    r = gap_days / TAPER_DAYS
    near = 1.0 - 5.0 / 3.0 * r**2 + 5.0 / 8.0 * r**3 + 0.5 * r**4 - 0.25 * r**5
    with np.errstate(divide="ignore"):
        far = 4.0 - 5.0 * r + 5.0 / 3.0 * r**2 + 5.0 / 8.0 * r**3 - 0.5 * r**4 + r**5 / 12.0 - 2.0 / (3.0 * r)
    return np.where(r <= 1.0, near, np.where(r < 2.0, far, 0.0))


def _law(here: Particles, seen: Seen, told: forward.Plan, days: Days) -> Array:
    count = days.readings
    at_moments = seen.at_moments.columns(slice(0, count))
    moisture, creep = forward.moisture_of(here, at_moments), forward.creep_of(here, at_moments.creep)
    nothing, season, whole = (
        forward.expected_readings(here, told, forward.moved(here, each, path))[0]
        for each, path in ((np.zeros_like(moisture), None), (moisture, None), (moisture, creep))
    )
    at = days.at[:count]
    apart = np.abs(at[:, None] - at) % DAYS_PER_YEAR
    apart = np.minimum(apart, DAYS_PER_YEAR - apart)
    age = np.log1p(at / 30.0)
    by_season = np.outer(season - nothing, season - nothing) * np.exp(-0.5 * (apart / LAW_SEASON_DAYS) ** 2)
    by_age = np.outer(whole - season, whole - season) * np.exp(-0.5 * ((age[:, None] - age) / LAW_LASTING_LOG) ** 2)
    own = np.array([LAW_OWN * (10.0 if what == "weight" else 1.0) for what in told.what])
    return np.asarray(LAW_SEASON**2 * by_season + LAW_LASTING**2 * by_age + np.diag(own**2))


def setup_effects(here: Particles, seen: Seen) -> Array:
    """What the weather of set-up does to the action of all later days in each of a forecast's members, mm, (members,),
    for one particle."""
    moisture = np.moveaxis(in_rows(_weights(here), np.moveaxis(-seen.of_member, 0, -1)), 1, 0)
    return np.asarray(forward.seasonal_action(here, moisture)[0])


def swing_of(particles: Particles, seen: Seen) -> Array:
    """How strongly particles answer the weather, (n,): the action's movement by its commonest deviation."""
    if not seen.commonest.any():
        return np.ones(len(particles.normals))
    on = particles.on * particles.values["moisture_level"][:, None]
    return np.abs(forward.seasonal_action(particles, (on @ seen.commonest.T)[:, :, None]))[:, 0] + 1e-9


class Noise:
    """The normal errors of readings about what particles expect: tool, law, stays and weather, the weather's share
    growing with how strongly a particle answers it.

    slip (readings,): chance of each to be a slip; what is surely a slip counts for nothing, however far it lies (its
    variance is divided by the chance that it is sound). likely (alternatives, readings): how likely each alternative of
    a blank is; all alike if not given. shift (readings,): their middle."""

    def __init__(self, unsure: Unsure, tool_sd: Array, slip: Array, likely: Array | None = None) -> None:
        self.unsure, self.tool_sd, self.slip = unsure, tool_sd, slip
        count = tool_sd.size
        self.likely = np.full(unsure.stays.shape, 1.0 / len(unsure.stays)) if likely is None else likely
        self.shift = np.sum(self.likely * unsure.stays, axis=0)
        away = np.sqrt(self.likely) * (unsure.stays - self.shift)
        self.stayed = away.T @ away * (unsure.visit[:, None] == unsure.visit)
        self.inflated = self.own_doubt / np.maximum(1.0 - slip, SURELY) - self.own_doubt
        self.fixed = unsure.law + self.stayed + np.diag(tool_sd**2 + self.inflated)
        white = np.linalg.solve(np.linalg.cholesky(self.fixed), np.eye(count))
        self.sizes, turn = np.linalg.eigh(white @ unsure.weather[:count, :count] @ white.T)
        self.sizes = np.maximum(self.sizes, 0.0)
        self.whiten = turn.T @ white

    @property
    def own_doubt(self) -> Array:
        """Variance of each reading by itself, (readings,)."""
        count = self.tool_sd.size
        return np.asarray(
            self.tool_sd**2 + np.diag(self.unsure.law + self.stayed) + np.diag(self.unsure.weather)[:count], dtype=float
        )

    def covariance(self) -> Array:
        """Covariance of the readings' errors, as if all were sound, (readings, readings)."""
        count = self.tool_sd.size
        return np.asarray(self.fixed - np.diag(self.inflated) + self.unsure.weather[:count, :count])

    def unread(self) -> Noise:
        """The same doubts with no reading that says anything: for particles before the readings."""
        return Noise(self.unsure, np.full(self.tool_sd.size, 1e3), np.ones(self.tool_sd.size))

    def left_out(self, residual: Array) -> tuple[Array, Array]:
        """Each residual against what the others make of it: its distance (n, readings), and its variance
        (readings,)."""
        count = self.tool_sd.size
        inverse = np.linalg.inv(self.fixed + self.unsure.weather[:count, :count])
        held = np.diag(inverse)
        return np.asarray((residual - self.shift) @ inverse / held), np.asarray(1.0 / held - self.inflated)

    def stays_after(self, residual: Array) -> Array:
        """How likely each alternative of a blank is after residuals (n, readings), (alternatives, readings): a visit's
        readings against what the others make of them."""
        count, found = self.tool_sd.size, self.likely.copy()
        inverse = np.linalg.inv(self.fixed + self.unsure.weather[:count, :count])
        pulled = (residual - self.shift) @ inverse
        for visit in np.unique(self.unsure.visit):
            on = np.flatnonzero(self.unsure.visit == visit)
            effects = self.unsure.stays[:, on]
            if not np.any(effects):
                continue
            held = np.linalg.inv(inverse[np.ix_(on, on)])
            away = pulled[:, on] @ held + self.shift[on]
            own = held - self.stayed[np.ix_(on, on)]
            apart = away[:, None, :] - effects  # (n, alternatives, readings)
            fit = -0.5 * np.einsum("nkr,rs,nks->nk", apart, np.linalg.inv(own), apart)
            fit -= fit.max(axis=1, keepdims=True)
            share = np.exp(fit) / np.exp(fit).sum(axis=1, keepdims=True)
            found[:, on] = share.mean(axis=0)[:, None]
        return found

    def asked(self, residual: Array, swing: Array, random: np.random.Generator) -> Array:
        """The weather's part at the columns asked about, drawn given the readings, (n, asked)."""
        count, weather = self.tool_sd.size, self.unsure.weather
        scale = (swing / self.unsure.swing)[:, None]
        own, across = weather[count:, count:], weather[count:, :count] @ self.whiten.T
        spread = 1.0 + scale**2 * self.sizes
        known = (residual - self.shift) @ self.whiten.T
        mean = scale**2 * (known / spread) @ across.T
        middle = 1.0 + self.sizes
        left = own - (across / middle) @ across.T
        values, vectors = np.linalg.eigh(left)
        draw = random.standard_normal((len(residual), len(values))) * np.sqrt(np.maximum(values, 0.0))
        return np.asarray(mean + scale * (draw @ vectors.T))


def plan_and_days(
    scenario: Scenario, readings: tuple[ReadingRow, ...], asked: tuple[date, ...]
) -> tuple[forward.Plan, Days]:
    """The plan of the readings and, as readings of the action, of the days asked about."""
    rows = (*readings, *(ReadingRow(day, "action", 0.0, 1.0, "") for day in asked))
    at = np.array([float((one.date - scenario.setup.setup).days) for one in rows])
    return forward.plan_of(scenario, rows), Days(at, len(readings), len(asked))
