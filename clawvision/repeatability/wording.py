"""What a study means, in a sentence."""

from __future__ import annotations

from clawvision.repeatability.study import GROWING, MeasureResult

ROUGH = " Rough: it rests on few repeats."
UNITS = {"mm": " mm", "deg": "°", "mm2": " mm²", "percent": " %"}


def amount(value: float, unit: str) -> str:
    """Return a value with its unit, to two figures or to a tenth."""
    return f"{value:.{1 if value >= 0.95 else 2}f}{UNITS.get(unit, ' ' + unit)}"


def meaning(each: MeasureResult) -> str:
    """Return what the repeats of one measure mean for comparing two photos."""
    figure = each.sdc
    if figure.value is None:
        return f"Not known how far two photos must differ. {figure.reason}"
    shown = "growth is shown" if each.measure in GROWING else "a change is shown"
    what = "foot" if each.of_foot else "claw"
    safe = "" if figure.high is None else f" (safely {amount(figure.high, each.unit)})"
    text = (
        f"Two photos of one {what} have to differ by more than {amount(figure.value, each.unit)}{safe} before {shown}."
    )
    return text if each.enough else text + ROUGH
