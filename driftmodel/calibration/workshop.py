"""Many instruments, each with its readings, learned from together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

from driftmodel.base.records import Scenario
from driftmodel.calibration.bench import make_bench
from driftmodel.calibration.claimed import Claim, claims_say
from driftmodel.calibration.fit import learn
from driftmodel.calibration.pooled import One, Pooled, pool
from driftmodel.calibration.records import BenchBook
from driftmodel.calibration.slips import SLIP_TOLD
from driftmodel.outlook.draws import unknowns_of

#: particles of each instrument: its own posterior only has to be told, not shown
PARTICLES = 400
#: weathers of each: walking a room through them is most of what an instrument costs
WEATHERS = (10, 10)


@dataclass(frozen=True)
class Known:
    """One instrument with what was read of it."""

    name: str
    scenario: Scenario
    book: BenchBook


def learn_from(
    cases: Sequence[Known],
    workers: int = 1,
    progress: Callable[[str], None] = lambda _: None,
    seed: int = 1,
    claims: Sequence[Claim] = (),
) -> Pooled:
    """What the instruments teach together; each is learned from alone first, with the numbers of the library.

    claims: regrades of further guitars, as evidence. Numbers that a case's scenario has learned before are not used:
    the same readings would count twice.
    """
    ones = []
    if workers > 1 and len(cases) > 1:
        with ProcessPoolExecutor(workers) as crew:
            for one in crew.map(learn_one, cases):
                ones.append(one)
                progress(f"{len(ones)} of {len(cases)} instruments")
    else:
        for case in cases:
            ones.append(learn_one(case))
            progress(f"{len(ones)} of {len(cases)} instruments")
    progress("all together")
    return pool(ones, unknowns_of(bare(cases[0].scenario)), seed, claims_say(claims) if claims else None)


def bare(scenario: Scenario) -> Scenario:
    """The scenario with the library's numbers only."""
    return replace(scenario, learned=())


def learn_one(case: Known) -> One:
    """One instrument's posterior by itself, as the pooling takes it."""
    scenario = replace(bare(case.scenario), horizon_years=1)  # and as far on as its readings ask for
    last = max((one.date for one in case.book.readings), default=scenario.setup.setup)
    bench = make_bench(scenario, last, case.book, WEATHERS)
    posterior = learn(scenario, case.book, bench=bench, particles=PARTICLES)
    return One(
        case.name,
        case.scenario.instrument.name,
        posterior.layout.names,
        posterior.sampled.normals,
        len(posterior.readings),
        int((posterior.slips > SLIP_TOLD).sum()),
    )
