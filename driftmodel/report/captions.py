"""Fixed text of the reports, of one instrument and of a fleet: figure titles, captions, cautions, honest limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from driftmodel.fleet.fleet_file import HabitsFile

CAUTIONS = (
    "Strings: slacken all of them evenly, a little at a time, before a neck comes off. A string under pull can "
    "whip, and a body that is let go on one side twists. Wear eye protection.",
    "Wood dust: spacers and fingerboards are sanded with extraction running and a well-fitting respirator. Dust of "
    "several tonewoods is a sensitiser; fine dust burns.",
    "Humidifiers: clean them and change the water as their maker says, at least weekly. Keep a room below about 60 to "
    "65 % relative humidity, and moist air away from cold outer walls and windows: mould grows where it condenses.",
    "Electricity and water: keep water away from sockets, leads and amplifiers; unplug a humidifier to fill it.",
    "Heat: never leave the guitar in a parked car, in direct sun or by a radiator. Glue joints let go long before the "
    "wood is harmed, and nothing in this forecast allows for that.",
    "Rules and hands: this advice gives way to local building, electrical and workshop rules, and to a qualified "
    "repairer who has the guitar in hand.",
)
LIMITS = (
    "The largest unknown is how far a real guitar settles beyond what its wood alone would do (the residual gain). Its "
    "value here is common practice, no source: no one has published it. Measured guitars will narrow it.",
    "Glue that creeps in heat, loose braces, cracks, blows and worn frets are not in the forecast. If the neck moves "
    "faster than shown here, look for damage first.",
    "The years to come are drawn from the air described under What went in. Another room, another forecast.",
    "Chances are counts over many runs with every uncertain number redrawn. They are as good as those ranges are.",
)

#: figure -> (title, caption). The description read aloud is the title and the caption together.
FIGURES = {
    "action": (
        "The action through the years",
        "Action at the 12th fret if the fitted spacer stays in. The wave is the season; the slow climb or fall under "
        "it is what lasts. Dashed: the rule. Hatched strip: from the date a regrade is due one time in ten to nine in "
        "ten.",
    ),
    "chance": ("How likely, by when", "The chance that a regrade has fallen due by the end of each year."),
    "grades": ("Which spacer", "The spacer wanted at the first regrade, among the runs in which one falls due."),
    "drift": (
        "Season and lasting drift",
        "Where a straightedge along the frets would meet the saddle, against the day of set-up. Both halves share one "
        "scale: above, what the seasons give and take; below, what stays.",
    ),
    "parts": (
        "Where the lasting drift is made",
        "The middle guitar in this air after twenty and thirty years with no regrade: creep of the plates, of the "
        "blocks, of the neck's joint and of its root beyond the truss rod; hatched: what is told of instruments beyond "
        "all of that, and nobody can name.",
    ),
    "season": (
        "The action in an average year",
        "Month by month where it lives last, the lasting drift left out. The band holds four times in five.",
    ),
    "humidity": (
        "The air around it",
        "Relative humidity around the guitar, in its room or case, by month. The band holds eight days in ten.",
    ),
    "moisture": (
        "Moisture in the wood",
        "What that air does to each part in an average year. Thick and well-finished parts lag behind thin ones.",
    ),
    "drivers": (
        "What the spread comes from",
        "How much of the forecast's uncertainty each unknown accounts for. Measuring the uppermost would help most.",
    ),
}


DEMAND_FIGURES = {
    "fan": (
        "Regrades a month, so far and to come",
        "Bars: regrade claims reported. Then the forecast: the middle, the half of futures nearest it, and the range "
        "that holds four in five. Not every claim says whether it was in cover, so bars and bands are of all "
        "regrades; the dashed line is the middle of those in cover.",
    ),
    "map": (
        "Expected regrades by place and month",
        "Expected regrades of each region and design, month by month, or year by year when the forecast is long. "
        "Expected numbers may be added up; quantiles may not.",
    ),
    "age": (
        "By age",
        "From the units table, each unit with its last regrade. Left: all sales together, with 80 % limits. Right: a "
        "line for each year of sale; lines that part company mean that builds, places or habits changed.",
    ),
    "sales": (
        "By year of sale",
        "Regrades for each 1000 units of a year of sale, by calendar time. Left of the line what came, from each "
        "unit's last regrade: one before its last is not counted. Right of it what is expected. In brackets the units "
        "of that year, those still to be sold among them. Hatched: none sold yet. A narrow column is part of a year, "
        "its months are named.",
    ),
    "multipliers": (
        "What the claims say of the physics",
        "Wide bar: what was thought before any claim. Diamond: claims as a multiple of what the physics expects to "
        "have been reported by now. Narrow bar: both together, which the forecast uses. Bars hold four times in five.",
    ),
    "fit": (
        "Came against expected",
        "Bars: regrades so far, with the standard error of chance. Line: what the physics alone expects of the units "
        "that were at risk, by months since sale or since the last regrade, and by month of the calendar. Where they "
        "part, the forecast follows the claims.",
    ),
    "backtest": (
        "Forecasts made earlier, against what came",
        "At each dotted line a forecast was made with what was known then. About four points in five should lie in "
        "the band, and a few more where numbers are small, because counts are whole.",
    ),
    "scores": (
        "Is it better than a plain rule",
        "Left: how much better than three plain rules, by CRPS; hatched and to the left of 0 is worse. Right: how "
        "often what came fell in each tenth of the forecast; even bars are honest, a hump is too wide, horns are too "
        "narrow.",
    ),
}
DEMAND_CAUTION = (
    "Regrading is bench work: slacken strings evenly and wear eye protection, for a string under pull can whip; sand "
    "spacers with extraction and a respirator; local codes and a qualified, licensed repairer come before any number "
    "here."
)
DEMAND_LIMITS = (
    "Demand is physics of each design and climate, scaled by claims. It knows nothing of recalls, campaigns, changed "
    "terms, owners who never ask, or a design that is not in the fleet file.",
    "How owners keep their guitars, how late they report, and the rates of seasonal complaints are as the fleet file "
    "states them until claims say otherwise; stated habits are common practice, no source.",
    "The far years rest on how far a guitar settles, for which no published figure over twenty years was found: past "
    "the age of the oldest units it is a scenario, not experience.",
    "Shipments are taken as planned. Each region's weather years are shared by all its units, so totals are as "
    "uncertain as the weather; whatever changes the climate itself is not in it.",
    "Money is undiscounted: hours and cost of a job as the rates state them, drawn towards what claims say. Prices "
    "that change are not in it. It is management information, not accounting advice.",
)


def definitions(habits: HabitsFile) -> list[tuple[str, str]]:
    """What each word means, for the workbook's notes and the page."""
    return [
        ("P10, P50, P90", "Of the sampled futures one in ten lies below P10, half below P50, nine in ten below P90. "
                          "P10 to P90 holds four times in five."),
        ("Quantiles do not add", "The P90 of a year is less than the sum of its months' P90s, and the P50s do not add "
                                 "up either. Use the rows of level fleet, region or design; add up means only."),
        ("Level", "fleet: everything; region: all its designs; design: in all regions; region x design: one of each. "
                  "Filter one level before summing anything."),
        ("Regrade", "A neck that lies outside the rule of its design's scenario and does not come back: it needs "
                    "another spacer. Counted in the month it is reported."),
        ("In cover, out of cover", "By each unit's sale month and cover months. Only regrades in cover cost the "
                                   "workshop."),
        ("Seasonal complaint", "Action that has moved with the season and comes back: a visit, no part. Units in "
                               "cover."),
        ("Hours, cost, pieces", f"In the month of the job, {habits.job_lag_months} after its report; jobs open now "
                                "come first. Hours and cost: in cover and seasonal. Pieces: all regrades, means."),
        ("Rates", f"Hours and cost of a job by region. The stated mean is held as firmly as {habits.rates_worth:g} "
                  "jobs of the stated spread (rates_worth, job_spread_pct); claims with hours or cost move it. Cost is "
                  "the whole of a job: labour, part, freight. One job scatters about its mean as claims do, or, below "
                  "30 of them, as stated. Each sampled future has its own means."),
        ("Multiplier", "Regrades against what the physics alone expects. Before claims its mean is 1; claims move it, "
                       "the more the more there are (gamma-Poisson; Gelman et al. 2013, sec. 2.6)."),
        ("Not yet reported", "Regrades whose threshold is crossed by now and that no one has reported yet, in and out "
                             "of cover."),
        ("Chance within 12 months", "For each unit of the row, given that it has come so far without another report."),
        ("Stock", "Fewest pieces that serve the stated share of jobs at once, each job using one piece of one grade."),
        ("Roll-forward", "Opening + issued + change of estimate - settled = closing: expected cost, to the "
                         "end of cover, of jobs in cover and seasonal visits of units sold. The first month "
                         "takes up the difference to the stated opening accrual. Management information, not "
                         "accounting advice."),
        ("Cost still to come", "Reserve: of units sold by now, to the end of their cover, jobs open now among it: "
                               "where the roll-forward stands once the first month has taken up the difference. Units "
                               "still to be sold are not in it."),
        ("Limits", " ".join(DEMAND_LIMITS)),
        ("Cautions", DEMAND_CAUTION),
    ]  # fmt: skip
