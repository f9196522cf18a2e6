"""How fast claws grow longer: rates, their comparison, forecasts and a due list. Pure; opens no file."""

from clawvision.growth.compare import Comparison, compare_partners, compare_with_profile, difference
from clawvision.growth.due import DueAnimal, DueFoot, due_kind, due_list, group_by_animal
from clawvision.growth.forecast import Forecast, forecast, forecasts, lengths_ahead, profile_limit
from clawvision.growth.herd import HerdClaw, HerdGrowth, herd_growth
from clawvision.growth.rate import ClawRate, Estimate, Level, claw_rate
from clawvision.growth.series import Break, ClawKey, ToeReading, ToeSeries, limb_of, split

__all__ = [
    "Break",
    "ClawKey",
    "ClawRate",
    "Comparison",
    "DueAnimal",
    "DueFoot",
    "Estimate",
    "Forecast",
    "HerdClaw",
    "HerdGrowth",
    "Level",
    "ToeReading",
    "ToeSeries",
    "claw_rate",
    "compare_partners",
    "compare_with_profile",
    "difference",
    "due_kind",
    "due_list",
    "forecast",
    "forecasts",
    "group_by_animal",
    "herd_growth",
    "lengths_ahead",
    "limb_of",
    "profile_limit",
    "split",
]
