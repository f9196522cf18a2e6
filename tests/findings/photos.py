"""Photos of feet as the findings see them: measures and context, no pixels."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from clawvision.findings import load_profiles
from clawvision.types import Measure, PhotoFacts, PhotoRequest

PROFILES = load_profiles()
_UNITS = {"toe_angle": "deg", "axial_twist": "deg", "helical_twist": "deg", "splay": "deg"}


def measures(values: dict[str, float | None], u: float) -> dict[str, Measure]:
    def unit(name: str) -> Any:
        return _UNITS.get(name, "percent" if name.endswith("percent") else "mm")

    return {
        name: Measure(value, None if value is None else u, unit(name), reason="hidden" if value is None else None)
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
    **request: Any,
) -> PhotoFacts:
    asked = PhotoRequest(path=Path(name), name=name, animal=request.pop("animal", "Alma 12"), foot=foot, **request)
    return PhotoFacts(
        request=asked,
        view="side",
        taken=taken,
        status=status,
        reasons=(),
        claws={claw: measures(values, u) for claw, values in (claws or {}).items()},
        foot_measures=measures(foot_measures or {}, u),
    )


def side(foot: str | None, claw: str = "outer", *, name: str = "", **more: Any) -> PhotoFacts:
    """A side photo; a claw in good order unless told otherwise."""
    values = {"toe_length": 92.0, "toe_angle": 50.0, "heel_height": 43.0, "dorsal_concavity": -0.9}
    keys = ("toe_length", "toe_angle", "heel_height", "dorsal_concavity")
    values.update({key: more.pop(key) for key in keys if key in more})
    return photo(name or f"{foot}_{claw}_side.jpg", foot, claws={claw: dict(values)}, **more)


def sole(foot: str | None, outer: float = 120.1, inner: float = 112.7, **more: Any) -> PhotoFacts:
    """A sole photo; lengths and widths of Nuss & Paulus 2006 (means of healthy hind feet) unless told otherwise."""
    widths = more.pop("widths", (52.0, 42.5))
    twist = more.pop("twist", (10.0, 9.0))
    helical = more.pop("helical", None)
    claws: dict[str, dict[str, float | None]] = {}
    for claw, length, width, turn in zip(("outer", "inner"), (outer, inner), widths, twist, strict=True):
        claws[claw] = {"sole_length": length, "sole_width": width, "axial_twist": turn}
    if helical is not None:
        claws["outer"]["helical_twist"] = helical
    both = {
        "length_difference": outer - inner,
        "width_difference_percent": 200.0 * (widths[0] - widths[1]) / sum(widths),
        "apparent_length_difference": more.pop("apparent", outer - inner),
        "toe_overlap": more.pop("overlap", -28.0),
    }
    return photo(f"{foot}_sole.jpg", foot, claws=claws, foot_measures=both, **more)
