"""Days and seeds that can be reckoned with, the same at every door."""

from __future__ import annotations

from datetime import date

#: clocks of nanoseconds end in 2262; a history starts here and runs on for decades
FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2199, 12, 31)
#: a seed stands in files that hold whole numbers of 64 bits
MOST_SEED = 2**63 - 1

DAYS_PER_YEAR = 365.25

#: points an answer is told by: the range that holds four times in five, and its middle
QUANTILES = (0.1, 0.5, 0.9)
BAND = QUANTILES[::2]
#: humidity of the air below which wood is dry and above which it is damp; below the first, cracks open (common
#: practice, no source), %
CRACKS_PCT, DRY_PCT, DAMP_PCT = 30.0, 35.0, 70.0
#: days a year of such air from which on it is told (common practice, no source)
DRY_DAYS = 30.0
