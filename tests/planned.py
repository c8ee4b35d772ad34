"""A small plan for tests: two parts, a fan and a vent."""

import tomllib
from typing import Any

import pandas as pd

from heatwake.planning.sheet import PlannedTest, plan_test
from heatwake.schema.plan import Plan
from heatwake.schema.validate import validate

SMALL = """
title = "Small"
[camera]
pixels = [160, 120]
pitch_um = 12.0
focal_mm = 9.1
distance_mm = 430.0
body_mm = 30.0
[board]
width_mm = 80.0
height_mm = 60.0
[film]
height_mm = 25.0
tension_N_m = 60.0
pressure_Pa = 5.0
[air]
flow_L_s = 0.8
[ambient]
degC = 24.0
max_degC = 45.0
[runs]
smallest_difference_K = 2.5
power_percent = 0.5
[[factors]]
name = "fan"
levels = ["out", "in"]
opening = "rear fan"
[[openings]]
name = "rear fan"
kind = "fan"
from_mm = [80, 20]
to_mm = [80, 40]
[[openings]]
name = "vent"
kind = "vent"
from_mm = [0, 10]
to_mm = [0, 50]
[[parts]]
name = "Q1"
x_mm = 25.0
y_mm = 20.0
width_mm = 12.0
height_mm = 10.0
tall_mm = 5.0
power_W = 3.0
rise_K = 40.0
time_constant_s = 60.0
[[parts]]
name = "U1"
x_mm = 50.0
y_mm = 40.0
width_mm = 8.0
height_mm = 8.0
tall_mm = 2.0
power_W = 1.0
rise_K = 25.0
time_constant_s = 60.0
"""


def small_plan(changes: dict[str, Any] | None = None, *, text: str = "") -> Plan:
    """Return the small plan with changes by dotted keys; None takes a key out; ``text`` is added as it is."""
    content = tomllib.loads(SMALL + text)
    for key, value in (changes or {}).items():
        *tables, last = key.split(".")
        table: Any = content
        for name in tables:
            table = table[int(name)] if name.isdigit() else table.setdefault(name, {})
        if value is None:
            table.pop(last)
        else:
            table[last] = value
    return validate(Plan, content, file="plan.toml")


def small_test(changes: dict[str, Any] | None = None, *, text: str = "") -> PlannedTest:
    """Return what the small plan comes to."""
    return plan_test(small_plan(changes, text=text), pd.DataFrame())
