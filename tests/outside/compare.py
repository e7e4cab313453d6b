"""One table: Fadeline beside rdtools and Theil-Sen on the same simulated units.

    compare.py FADELINE FOLDER      FOLDER as written by `fadeline grade --simulated … --write FOLDER`

A date is judged as `fadeline grade` judges it: assessments every week from the 60th day on, those 12 to 18, 27 to 33
and 57 to 63 days before the true crossing; no date, or one beyond a year, counts as a year off.
"""

import datetime
import json
import pathlib
import statistics
import subprocess
import sys

import methods

AHEAD, WITHIN, EVERY, FIRST, HORIZON = (15, 30, 60), 3, 7, 60, 365.0
fadeline, folder = sys.argv[1], pathlib.Path(sys.argv[2])
units = sorted(path for path in folder.iterdir() if (path / "truth.json").is_file())


def judged(unit, days):
    """(date, days left) of every assessment that is judged."""
    truth = {day["date"]: day for day in json.loads((unit / "truth.json").read_text())["days"]}
    lit = days.dropna().index
    for back in range(0, (lit[-1] - lit[0]).days - FIRST + 1, EVERY):
        date = lit[-1].date() - datetime.timedelta(days=back)
        day = truth.get(date.isoformat())
        if day is None or day["closed"] or day["crossing"] is None:
            continue
        left = (datetime.date.fromisoformat(day["crossing"]) - date).days
        if left >= 1 and any(abs(left - ahead) <= WITHIN for ahead in AHEAD):
            yield date, left


errors = {name: {ahead: [] for ahead in AHEAD} for name in ("Theil-Sen", "rdtools")}
took = {name: [] for name in ("Fadeline", "Theil-Sen", "rdtools", "repeated", "statsmodels", "csv")}
for unit in units:
    days, resets, set_point = methods.read_unit(unit)
    for date, left in judged(unit, days):
        known = days[: str(date)]
        for name, said in (
            ("Theil-Sen", methods.theil_sen(known, resets, set_point)),
            ("rdtools", methods.rdtools(known, set_point, reps=1)),
        ):
            for ahead in AHEAD:
                if abs(left - ahead) <= WITHIN:
                    errors[name][ahead].append(abs(min(said, HORIZON) - left))
    files = [str(unit / name) for name in ("readings.csv", "unit.toml", "service.csv")]
    study = [fadeline, "study", files[0], "--unit", files[1], "--service", files[2], "--json"]
    took["Fadeline"].append(methods.seconds(lambda: subprocess.run(study, check=True, capture_output=True)))
    took["csv"].append(methods.seconds(lambda: methods.read_unit(unit)))
    took["Theil-Sen"].append(methods.seconds(lambda: methods.theil_sen(days, resets, set_point)))
    took["rdtools"].append(methods.seconds(lambda: methods.rdtools(days, set_point, reps=1)))
    if len(took["repeated"]) < 5:
        usual = lambda: methods.rdtools(days, set_point, reps=1000)
        took["repeated"].append(methods.seconds(usual, rounds=1))
    took["statsmodels"].append(methods.seconds(lambda: methods.statsmodels(days, resets)))

grade = [fadeline, "grade", "--folder", str(folder), "--json"]
ours = json.loads(subprocess.run(grade, check=True, capture_output=True).stdout)["scored"][0]["dates"]["ahead"]
counts = [row["count"] for row in ours]
middle = {name: statistics.median(values) for name, values in took.items()}
millis = lambda name: f"{1e3 * middle[name]:.0f} ms"
print(f"{len(units)} units, {' / '.join(map(str, counts))} dates judged 15 / 30 / 60 days ahead")
print()
print("| method | mean error, days | median error, days | time per unit |")
print("|---|---|---|---|")
mean = " / ".join(f"{row['mean_error']:.1f}" for row in ours)
half = " / ".join(f"{row['median_error']:.1f}" for row in ours)
print(f"| Fadeline | {mean} | {half} | {millis('Fadeline')}, from the CSV file to the answer |")
for name, says in (
    ("Theil-Sen", "Theil-Sen since the last logged cleaning (scipy)"),
    ("rdtools", "rdtools, stochastic rate and recovery"),
):
    by = errors[name]
    if [len(by[ahead]) for ahead in AHEAD] != counts:
        sys.exit(f"{name}: judged {[len(by[a]) for a in AHEAD]} dates where grade judged {counts}")
    mean = " / ".join(f"{statistics.mean(by[ahead]):.1f}" for ahead in AHEAD)
    half = " / ".join(f"{statistics.median(by[ahead]):.1f}" for ahead in AHEAD)
    print(f"| {says} | {mean} | {half} | {millis(name)} from daily values, and {millis('csv')} to read the file |")
print()
both = lambda name: middle["Fadeline"] / (middle[name] + middle["csv"])
print(f"one study, file to answer, takes {both('rdtools'):.2f} of the time of rdtools with its file read by pandas,")
print(f"{both('repeated'):.3f} with its usual 1000 repetitions ({middle['repeated']:.1f} s, five units),")
print(f"{both('statsmodels'):.2f} of one OLS and one GLSAR of statsmodels ({millis('statsmodels')} from daily values)")
