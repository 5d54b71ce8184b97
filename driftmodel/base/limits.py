"""Days and seeds that can be reckoned with, the same at every door."""

from __future__ import annotations

from datetime import date

#: clocks of nanoseconds end in 2262; a history starts here and runs on for decades
FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2199, 12, 31)
#: a seed stands in files that hold whole numbers of 64 bits
MOST_SEED = 2**63 - 1
