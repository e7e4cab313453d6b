"""Expected numbers for our least squares, from statsmodels and scipy.

    make.py                 prints fixtures/outside/expected.json for the series beside it
    make.py --series READINGS [SERVICE]
                            prints a series: the daily medians of a unit's readings

Each series is fitted on a constant, the day and, where the sleeve was cleaned, the days since then (both in hundreds).
"""

import json
import pathlib
import sys

import numpy as np
import pandas as pd
import scipy
import statsmodels
import statsmodels.api as sm
from scipy import optimize, stats
from statsmodels.robust.norms import RobustNorm
from statsmodels.sandbox.regression.penalized import TheilGLS

FOLDER = pathlib.Path(__file__).parents[2] / "fixtures" / "outside"
NU = 4.0  # degrees of freedom of the Student-t weights
RHO = 0.6  # correlation from day to day
COVERAGE = 0.8
AHEAD = [15, 30, 60]  # days after the last at which an interval is predicted
WANDER_SD, TAU_DAYS, DAY_SD = 0.01, 12.0, 0.005  # slow wandering and noise of one day with readings of weight 1
PRIOR_MEAN, PRIOR_SD = -0.05, 0.02  # of every coefficient but the constant


class StudentT(RobustNorm):
    """The norm whose weights are (nu + 1) / (nu + z^2)."""

    def rho(self, z):
        return (NU + 1) / 2 * np.log1p(np.asarray(z) ** 2 / NU)

    def weights(self, z):
        return (NU + 1) / (NU + np.asarray(z) ** 2)

    def psi(self, z):
        return z * self.weights(z)

    def psi_deriv(self, z):
        z = np.asarray(z)
        return (NU + 1) * (NU - z**2) / (NU + z**2) ** 2


def design(day, since):
    columns = [np.ones(len(day)), day / 100.0]
    if since is not None:
        columns.append(since / 100.0)
    return np.column_stack(columns)


def fits(table):
    day, y, readings = (table[name].to_numpy(float) for name in ("day", "ln", "readings"))
    cleaned = "since" in table
    x = design(day, table["since"].to_numpy(float) if cleaned else None)

    line = stats.linregress(day / 100.0, y)
    ols = sm.OLS(y, x).fit()
    ahead = np.array(AHEAD, float)
    later = design(day[-1] + ahead, table["since"].iloc[-1] + ahead if cleaned else None)
    said = ols.get_prediction(later).summary_frame(alpha=1 - COVERAGE)
    wls = sm.WLS(y, x, weights=readings).fit()
    # The scale of the least-squares residuals, held while the weights settle.
    rlm = sm.RLM(y, x, M=StudentT()).fit(update_scale=False, maxiter=2000, tol=1e-15, conv="coefs")
    loss = lambda b: -stats.t.logpdf((y - x @ b) / rlm.scale, NU).sum()
    slope = lambda b: -x.T @ StudentT().psi((y - x @ b) / rlm.scale) / rlm.scale
    likeliest = optimize.minimize(loss, ols.params, jac=slope, method="BFGS", options={"gtol": 1e-9})
    glsar = sm.GLSAR(y, x, rho=RHO).fit()
    apart = np.abs(day[:, None] - day[None, :])
    covariance = WANDER_SD**2 * np.exp(-apart / TAU_DAYS) + np.diag(DAY_SD**2 * readings.max() / readings)
    gls = sm.GLS(y, x, sigma=covariance).fit()
    # Mixed estimation (Theil and Goldberger 1961): least squares with prior knowledge of the slopes, with the
    # variance of the least-squares residuals.
    known = np.eye(x.shape[1])[1:]
    prior_mean = np.full(len(known), PRIOR_MEAN)
    theil = TheilGLS(y, x, known, prior_mean, np.full(len(known), PRIOR_SD**2)).fit(1.0)
    return {
        "linregress": {"params": [line.intercept, line.slope], "se": [line.intercept_stderr, line.stderr]},
        "ols": {"params": ols.params, "se": ols.bse, "low": said["obs_ci_lower"], "high": said["obs_ci_upper"]},
        "wls": {"params": wls.params, "se": wls.bse},
        "rlm": {"scale": rlm.scale, "params": rlm.params, "weights": rlm.weights},
        "student": {"params": likeliest.x},
        "glsar": {"params": glsar.params, "se": glsar.bse},
        "gls": {"params": gls.params, "unit_se": np.sqrt(np.diag(gls.normalized_cov_params))},
        "theil": {"params": theil.params},
    }


def plain(value):
    if isinstance(value, dict):
        return {name: plain(v) for name, v in value.items()}
    # 13 digits: the last ones differ from one build of the numerical libraries to another.
    return float(f"{value:.13g}") if np.ndim(value) == 0 else [plain(v) for v in np.asarray(value)]


def series(readings, service=None):
    table = pd.read_csv(readings, parse_dates=["time"])
    if "lamp_on" in table:
        table = table[table["lamp_on"] == 1]
    table = table[table["intensity"] > 0]
    day = table["time"].dt.floor("D")
    days = np.log(table["intensity"]).groupby(day).agg(["median", "size"])
    out = pd.DataFrame({"day": (days.index - days.index[0]).days, "ln": days["median"].round(5), "readings": days["size"]})
    log = pd.read_csv(service, parse_dates=["time"]) if service else pd.DataFrame({"time": [], "action": []})
    cleaned = log.loc[log["action"] == "sleeve-cleaned", "time"].dt.floor("D") if len(log) else []
    cleaned = [c for c in cleaned if c > days.index[0]]
    if cleaned:
        last = [max((c for c in cleaned if c <= d), default=days.index[0]) for d in days.index]
        out["since"] = [(d - c).days for d, c in zip(days.index, last)]
    return out.head(400)


if sys.argv[1:2] == ["--series"]:
    print(series(*sys.argv[2:]).to_csv(index=False), end="")
else:
    numbers = {
        "versions": {
            "numpy": np.__version__,
            "pandas": pd.__version__,
            "scipy": scipy.__version__,
            "statsmodels": statsmodels.__version__,
        },
        "nu": NU,
        "rho": RHO,
        "coverage": COVERAGE,
        "ahead": AHEAD,
        "wander_sd": WANDER_SD,
        "tau_days": TAU_DAYS,
        "day_sd": DAY_SD,
        "prior_mean": PRIOR_MEAN,
        "prior_sd": PRIOR_SD,
        "series": {path.stem: plain(fits(pd.read_csv(path))) for path in sorted(FOLDER.glob("*.csv"))},
    }
    print(json.dumps(numbers, indent=1))
