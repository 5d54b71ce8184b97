"""Fixed text of the report: figure titles, captions and descriptions, cautions, honest limits."""

from __future__ import annotations

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
