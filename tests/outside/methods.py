"""The other methods: what each says of a unit's daily light.

rdtools: the stochastic rate and recovery method for photovoltaic soiling (Deceglie et al. 2018), its own detection of
cleanings, every day weighing the same. Theil-Sen: the median slope of the days since the last logged cleaning.
"""

import math
import time
import tomllib
import warnings

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import stats

warnings.filterwarnings("ignore")
from rdtools import soiling  # noqa: E402  (it warns at its import)

RESETS = {"sleeve-cleaned", "sleeve-replaced", "lamp-replaced", "sensor-cleaned", "sensor-replaced"}
LEAST_DAYS = 7  # of a trend
LAG_DAYS = 3  # the mean of a day and the six before it lags a straight fall by three days


def read_unit(folder):
    """Daily medians of the lit readings by date, the dates of logged resets, and the set point."""
    papers = tomllib.loads((folder / "unit.toml").read_text())
    zone = papers.get("zone", "UTC")
    table = pd.read_csv(folder / "readings.csv", parse_dates=["time"])
    lit = table[(table["lamp_on"] == 1) & (table["intensity"] > 0)] if "lamp_on" in table else table
    day = lit["time"].dt.tz_convert(zone).dt.tz_localize(None).dt.floor("D")
    days = lit["intensity"].groupby(day).median()
    log = pd.read_csv(folder / "service.csv", parse_dates=["time"])
    log = log[log["action"].isin(RESETS)]
    resets = [] if log.empty else list(log["time"].dt.tz_convert(zone).dt.tz_localize(None).dt.floor("D"))
    return days.asfreq("D"), resets, papers["set_point"]["intensity"]


def days_to(level, slope, set_point):
    """Days until a straight fall has brought a mean of seven days to the set point; infinite where it does not fall."""
    if not slope < 0:
        return math.inf
    return max(0.0, (level - set_point) / -slope + LAG_DAYS)


def theil_sen(days, resets, set_point):
    end = days.index[-1]
    since = max((reset for reset in resets if reset <= end), default=days.index[0])
    recent = days[days.index > since].dropna()
    if len(recent) < LEAST_DAYS:
        return math.inf
    x = (recent.index - end).days.to_numpy(float)
    slope, intercept, _, _ = stats.theilslopes(recent.to_numpy(), x)
    return days_to(intercept, slope, set_point)


def rdtools(days, set_point, reps):
    """The rate of the interval under way; where it is not valid, the middle one of the valid intervals before.

    The repetitions (usually 1000) give its intervals of the loss so far; the rates do not depend on them.
    """
    light = pd.Series(1.0, index=days.index)
    np.random.seed(0)
    try:
        _, _, info = soiling.soiling_srr(days, light, reps=reps)
    except soiling.NoValidIntervalError:
        return math.inf
    found = info["soiling_interval_summary"]
    valid = found[found["valid"]]
    last = found.iloc[-1]
    rate = last["soiling_rate"] if last["valid"] else valid["soiling_rate"].median()
    level = days.dropna().iloc[-7:].median()
    return days_to(level, rate * info["renormalizing_factor"], set_point)


def statsmodels(days, resets):
    """One ordinary and one autoregressive least squares on a constant, the day and the days since the last reset."""
    known = days.dropna()
    ends = known.index
    since = [max((r for r in resets if r <= day), default=ends[0]) for day in ends]
    columns = [np.ones(len(ends)), (ends - ends[0]).days.to_numpy(float)]
    if resets:
        columns.append(np.array([(a - b).days for a, b in zip(ends, since)], float))
    x, y = np.column_stack(columns), np.log(known.to_numpy())
    ordinary = sm.OLS(y, x).fit()
    try:
        following = sm.GLSAR(y, x, rho=1).iterative_fit(maxiter=6)
    except np.linalg.LinAlgError:
        # Where the autocorrelation runs to 1 the constant is gone from what is left of the regressors.
        following = sm.GLSAR(y, x, rho=0.99).fit()
    return ordinary.bse, following.bse


def seconds(work, rounds=3):
    """The median time of some runs."""
    taken = []
    for _ in range(rounds):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return sorted(taken)[rounds // 2]
