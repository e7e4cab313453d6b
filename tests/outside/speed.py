"""Seconds for one unit, for the benchmark: rdtools for dates alone, rdtools as usual, statsmodels.

    speed.py FOLDER"""

import pathlib
import sys

import methods

days, resets, set_point = methods.read_unit(pathlib.Path(sys.argv[1]))
print(methods.seconds(lambda: methods.rdtools(days, set_point, reps=1)))
print(methods.seconds(lambda: methods.rdtools(days, set_point, reps=1000), rounds=1))
print(methods.seconds(lambda: methods.statsmodels(days, resets)))
