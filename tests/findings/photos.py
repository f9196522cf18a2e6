"""Photos of feet as the findings see them: measures and context, no pixels."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from clawvision.findings import load_profiles
from clawvision.types import Measure, PhotoFacts, PhotoRequest

PROFILES = load_profiles()
_DEGREES = {"toe_angle", "axial_twist", "helical_twist", "splay", "roll", "sole_tilt"}


def measures(
    values: dict[str, float | None], u: float, budgets: dict[str, dict[str, float]] | None = None
) -> dict[str, Measure]:
    """Measures of one uncertainty; a measure that ``budgets`` names has that of its budget instead, k = 2."""
    budgets = budgets or {}

    def unit(name: str) -> Any:
        return "deg" if name in _DEGREES else "percent" if name.endswith("percent") else "mm"

    def uncertainty(name: str) -> float:
        return 2.0 * math.hypot(*budgets[name].values()) if name in budgets else u

    return {
        name: Measure(
            value,
            None if value is None else uncertainty(name),
            unit(name),
            budget=budgets.get(name, {}),
            reason="hidden" if value is None else None,
        )
        for name, value in values.items()
    }


def photo(
    name: str,
    foot: str | None,
    *,
    claws: dict[str, dict[str, float | None]] | None = None,
    foot_measures: dict[str, float | None] | None = None,
    u: float = 2.0,
    status: Any = "measured",
    taken: str | None = "2031-04-02T09:00:00",
    budgets: dict[str, dict[str, dict[str, float]]] | None = None,
    **request: Any,
) -> PhotoFacts:
    asked = PhotoRequest(path=Path(name), name=name, animal=request.pop("animal", "Alma 12"), foot=foot, **request)
    return PhotoFacts(
        request=asked,
        view="side",
        taken=taken,
        status=status,
        reasons=(),
        claws={claw: measures(values, u, (budgets or {}).get(claw)) for claw, values in (claws or {}).items()},
        foot_measures=measures(foot_measures or {}, u),
    )


def side(foot: str | None, claw: str = "outer", *, name: str = "", **more: Any) -> PhotoFacts:
    """A side photo; a claw in good order unless told otherwise."""
    values = {"toe_length": 92.0, "toe_angle": 50.0, "heel_height": 43.0, "dorsal_concavity": -0.9}
    keys = ("toe_length", "toe_angle", "heel_height", "dorsal_concavity", "toe_lift")
    values.update({key: more.pop(key) for key in keys if key in more})
    return photo(name or f"{foot}_{claw}_side.jpg", foot, claws={claw: dict(values)}, **more)


def sole(foot: str | None, outer: float = 120.1, inner: float = 112.7, **more: Any) -> PhotoFacts:
    """A sole photo; lengths and widths of Nuss & Paulus 2006 (means of healthy hind feet) unless told otherwise."""
    widths = more.pop("widths", (52.0, 42.5))
    twist = more.pop("twist", (10.0, 9.0))
    helical = more.pop("helical", None)
    name = more.pop("name", f"{foot}_sole.jpg")
    claws: dict[str, dict[str, float | None]] = {}
    for claw, length, width, turn in zip(("outer", "inner"), (outer, inner), widths, twist, strict=True):
        claws[claw] = {"sole_length": length, "sole_width": width, "axial_twist": turn}
    if helical is not None:
        outer_turn, inner_turn = helical if isinstance(helical, tuple) else (helical, None)
        claws["outer"]["helical_twist"] = outer_turn
        if inner_turn is not None:
            claws["inner"]["helical_twist"] = inner_turn
    both = {
        "length_difference": outer - inner,
        "width_difference_percent": 200.0 * (widths[0] - widths[1]) / sum(widths),
        "apparent_length_difference": more.pop("apparent", outer - inner),
        "toe_overlap": more.pop("overlap", -28.0),
    }
    if "splay" in more:
        both["splay"] = more.pop("splay")
    return photo(name, foot, claws=claws, foot_measures=both, **more)


def front(foot: str | None, roll: tuple[float, float], **more: Any) -> PhotoFacts:
    """A photo from the front: how far the front walls of outer and inner claw turn towards the cleft."""
    return _pair(foot, "front", "roll", roll, **more)


def rear(foot: str | None, tilt: tuple[float, float], **more: Any) -> PhotoFacts:
    """A photo from behind along the soles: their tilt against the leg."""
    return _pair(foot, "rear", "sole_tilt", tilt, **more)


def _pair(foot: str | None, view: str, measure: str, values: tuple[float, float], **more: Any) -> PhotoFacts:
    claws: dict[str, dict[str, float | None]] = {
        claw: {measure: value} for claw, value in zip(("outer", "inner"), values, strict=True)
    }
    return photo(f"{foot}_{view}.jpg", foot, claws=claws, **more)


def whole(foot: str, *, toes: tuple[float, float] = (92.0, 92.0), **more: Any) -> list[PhotoFacts]:
    """A hind foot of which all that has to be known of an ordinary claw was measured, in order unless told otherwise.

    Soles as in Nuss & Paulus 2006, and the bearing surfaces turn by 5 and 4 degrees.
    """
    of_sole = {
        key: more.pop(key) for key in ("outer", "inner", "helical", "twist", "widths", "apparent") if key in more
    }
    of_side = {key: more.pop(key) for key in ("toe_angle", "heel_height", "dorsal_concavity") if key in more}
    more.setdefault("u", 2.0)
    tag = more.pop("tag", "")
    return [
        sole(foot, **{"helical": (5.0, 4.0), **of_sole}, name=f"{foot}_sole{tag}.jpg", **more),
        *[
            side(foot, claw, name=f"{foot}_{claw}{tag}.jpg", toe_length=toe, **of_side, **more)
            for claw, toe in zip(("outer", "inner"), toes, strict=True)
        ],
    ]
