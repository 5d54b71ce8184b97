"""A tutorial in three parts: from a logger to a decision, a fleet, a wood of your own. All of it is invented.

    python docs/tutorial.py my-folder

Cells begin with `# %%`: editors that know notebooks open it as one. Each
part can be run by itself after the first cell.
"""

# %% Where it writes
import os
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

import driftmodel

folder = Path(sys.argv[1] if len(sys.argv) > 1 else "tutorial")
folder.mkdir(parents=True, exist_ok=True)

# %% 1. From a logger to a decision
# A logger's file as its software writes it: a stamp, a temperature, a humidity. This one is a dry flat, made up.
hours = np.datetime64("2025-09-01T00:00") + np.arange(365 * 24) * np.timedelta64(60, "m")
season = np.cos(2 * np.pi * (np.arange(hours.size) / 24 / 365 - 0.4))
noise = np.repeat(np.random.default_rng(1).normal(0, 4, 365), 24)
lines = [f"{hour},{20.5 - season_:.1f},{40 - 12 * season_ + off:.1f}"
         for hour, season_, off in zip(hours, season, noise, strict=True)]  # fmt: skip
(folder / "flat.csv").write_text("\n".join(["time (UTC),temperature (°C),RH (%)", *lines]) + "\n", encoding="utf-8")

air = driftmodel.air(folder / "flat.csv", time_zone="UTC")
print(f"{air.sizes['time']} hours, humidity from {float(air['relative_humidity'].min()):.0f} to "
      f"{float(air['relative_humidity'].max()):.0f} %")  # fmt: skip

# A climate file says what the record is for; past its end its year comes again.
(folder / "flat.toml").write_text(
    'title = "Dry flat, logged"\ninvented = true\n\n'
    '[logger]\nfile = "flat.csv"\ntime_zone = "UTC"\nrepeat_years = true\n'
)

# The guitar of a shipped scenario lives in that flat from its second stay on.
scenario = driftmodel.with_lever(driftmodel.load_scenario("first-winter"), "place", str(folder / "flat.toml"))
scenario = replace(scenario, horizon_years=5, weather_members=2)
outlook = driftmodel.forecast(scenario, draws=50, seed=1)
print(outlook["regrade_due"].to_series().round(2))
print(f"Verdict: {outlook.attrs['verdict']}")

picture = Figure(figsize=(7, 3), layout="constrained")
axes = picture.subplots()
days = outlook["time"].values
low, middle, high = np.quantile(outlook["action_change"].values, (0.1, 0.5, 0.9), axis=0)
axes.fill_between(days, low, high, alpha=0.3, label="four guitars in five")
axes.plot(days, middle, label="the middle one")
axes.set_ylabel("change of action, mm")
axes.legend(loc="upper left")
picture.savefig(folder / "action.png", dpi=120)

# The bench reads 1.9 mm one dry February: is that weather or drift? Then: which spacer stays right here?
decision = driftmodel.decide(scenario, "action 1.9 mm at 35 % 20 C", when=date(2027, 2, 10))
print(f"The reading calls for: {decision.said}")
print(f"The spacer that stays right in this flat: {driftmodel.grade(scenario, years=5, draws=50).advised}")

# Would a humidifier help? Both on the same draws; the difference carries its own error. A logger's air cannot be moved
# by a lever, so this asks of the scenario's own house.
home = replace(driftmodel.load_scenario("first-winter"), horizon_years=5, weather_members=2)
both = driftmodel.compare([home, driftmodel.with_lever(home, "humidifier", 45)], draws=50)
print(both["difference_mean"].to_series().round(2))

# %% 2. A fleet
# The shipped fleet with fewer draws than it asks for, so that this takes seconds; its files are the pattern of yours.
fleet = driftmodel.read_fleet("two-regions")
fleet = replace(fleet, settings=fleet.settings.model_copy(update={"draws": 32, "members": 2, "samples": 60}))
demand = driftmodel.demand(fleet)
monthly = demand.cube["regrades"].sum(["region", "design", "grade", "cover"])
for month in monthly["month"].values[:6]:
    low, middle, high = np.quantile(monthly.sel(month=month).values, (0.1, 0.5, 0.9))
    print(f"{month}: {middle:.0f} regrades, four times in five {low:.0f} to {high:.0f}")

# %% 3. A wood of your own
# One file in a folder that DRIFTMODEL_WOODS names: a copy of a known wood with its own numbers and where they are from.
woods = folder / "woods"
woods.mkdir(exist_ok=True)
number = 'value = {}, unit = "{}", spread = 15.0, spread_kind = "cv_pct", source = "own-bench", status = "read once"'
(woods / "barn_spruce.toml").write_text(
    'name = "barn spruce"\nscientific = "Picea abies"\nkind = "softwood"\naliases = []\n\n[numbers]\n'
    f"modulus_of_elasticity_12 = {{ {number.format(11000.0, 'MPa')} }}\n"
    f"coefficient_radial = {{ {number.format(0.0011, '1/%')} }}\n\n"
    '[sources.own-bench]\nreference = "Own bench, five sticks, 2026, invented"\nkind = "own measurement"\n'
)
os.environ["DRIFTMODEL_WOODS"] = str(woods)
print(driftmodel.woods("barn spruce").numbers["coefficient_radial"])  # what it does not say stands in from its kin

quieter = driftmodel.with_lever(home, "top wood", "barn spruce")
both = driftmodel.compare([home, quieter], draws=50)
print(both["difference_mean"].to_series().round(2))
