"""Random animals as the findings see them: measures and context, no pixels. Fast, and the same for the same seed.

Nothing here is meant to be likely. Values lie mostly near a limit or far beyond it, photos contradict one another, are
under review or refused, measures are missing, and uncertainties are anything from tiny to useless.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any, get_args

import numpy as np

from clawvision.findings import load_profiles
from clawvision.types import Foot, Measure, PhotoFacts, PhotoRequest, Sign, Stage, Status, View

PROFILES = load_profiles()
FEET: tuple[Foot, ...] = get_args(Foot)
SIGNS: tuple[Sign, ...] = get_args(Sign)
NAMED_PROFILES: tuple[str | None, ...] = (None, *PROFILES)

UNITS: Mapping[str, Any] = {
    **dict.fromkeys(("toe_angle", "axial_twist", "helical_twist", "splay", "roll", "sole_tilt"), "deg"),
    "width_difference_percent": "percent",
}


@dataclass(frozen=True)
class Spread:
    """Where a measure is drawn from: around an ordinary value, and around the limits that matter for it."""

    usual: float
    width: float
    limits: tuple[float, ...]


_SIDE = {
    "toe_length": Spread(92.0, 7.0, (75.0, 85.0, 88.0, 100.0, 110.0, 130.0)),
    "toe_angle": Spread(49.0, 4.0, (42.0, 45.0, 58.0)),
    "heel_height": Spread(43.0, 4.0, (32.0, 38.0, 55.0)),
    "dorsal_concavity": Spread(-1.0, 1.0, (2.0,)),
    "toe_lift": Spread(1.0, 1.0, (5.0,)),
    "helical_twist": Spread(2.0, 4.0, (15.0,)),
}
_SOLE = {
    "sole_length": Spread(116.0, 8.0, ()),
    "sole_width": Spread(47.0, 5.0, ()),
    "axial_twist": Spread(9.0, 3.0, (6.0, 16.0)),
    "helical_twist": Spread(2.0, 4.0, (15.0,)),
}
_FOOT = {"splay": Spread(8.0, 6.0, (25.0,)), "toe_overlap": Spread(-28.0, 6.0, (0.0,))}
_FRONT = {"roll": Spread(-4.0, 4.0, (10.0,))}
_REAR = {"sole_tilt": Spread(0.0, 5.0, (-10.0, 10.0))}


STATUSES: tuple[Status, ...] = ("measured", "measured", "measured", "measured", "review", "refused")


@dataclass
class _Draw:
    """The generator, and what one animal's photos share."""

    rng: np.random.Generator
    context: dict[str, Any]
    calm: bool
    """Whether this animal's claws are ordinary ones, most of them, and its photos alike."""
    photos: list[PhotoFacts] = field(default_factory=list)

    def one_of(self, things: Sequence[Any]) -> Any:
        return things[int(self.rng.integers(len(things)))]

    def chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def value(self, spread: Spread) -> float:
        kind = self.rng.random() * (0.52 if self.calm else 1.0)
        if kind < 0.5 or not spread.limits:
            wide = 3.0 if kind > 0.4 and not self.calm else 1.0
            return float(self.rng.normal(spread.usual, wide * spread.width))
        around = self.one_of(spread.limits)
        return float(around + self.rng.normal(0.0, (1.0 if kind < 0.8 else 4.0) * spread.width))


def random_animals(seed: int, count: int) -> Iterator[list[PhotoFacts]]:
    """Give the photos of ``count`` animals, one list an animal; the n-th is the same however many are asked for."""
    for number in range(count):
        yield random_animal(np.random.default_rng([seed, number]))


def random_animal(rng: np.random.Generator) -> list[PhotoFacts]:
    """Return the photos of one animal."""
    draw = _Draw(rng, {}, calm=bool(rng.random() < 0.5))
    draw.context = {
        "animal": "Alma 12",
        "profile": draw.one_of(NAMED_PROFILES),
        "locomotion": None if draw.chance(0.4) else int(rng.integers(1, 6)) if draw.chance(0.4) else 1,
        "signs": tuple(each for each in SIGNS if draw.chance(0.5)) if draw.chance(0.1) else (),
    }
    count = int(rng.integers(1, len(FEET) + 1))
    named = rng.permutation(len(FEET))[:count]
    feet = [None if draw.chance(0.12) else FEET[index] for index in named]
    alike = {name: draw.value(each) for name, each in _SIDE.items()} if draw.chance(0.6 if draw.calm else 0.2) else {}
    while not draw.photos:  # a foot of which no photo was drawn is no case
        for foot in feet:
            _one_foot(draw, foot, alike)
    return draw.photos


def _one_foot(draw: _Draw, foot: str | None, alike: Mapping[str, float]) -> None:
    day = date(2031, 4, 2) if draw.chance(0.9) else None
    truth = {claw: _true_claw(draw, alike) for claw in ("outer", "inner")}
    trimmed = date(2031, 4, 2) - timedelta(days=int(draw.rng.integers(1, 400))) if draw.chance(0.4) else None
    if draw.chance(0.2):
        past = date(2031, 4, 2) - timedelta(days=int(draw.rng.integers(5, 300)))
        _visit(
            draw, foot, past, draw.one_of(("check", "before", "after")), truth, trimmed, draw.value(Spread(-8, 6, ()))
        )
    if day is not None and draw.chance(0.15):
        _visit(draw, foot, day - timedelta(days=int(draw.rng.integers(0, 9))), "before", truth, trimmed, 0.0)
        _visit(draw, foot, day, "after", truth, trimmed, draw.value(Spread(-12, 6, ())))
    else:
        _visit(draw, foot, day, draw.one_of(("check", "check", "check", "before")), truth, trimmed, 0.0)


def _true_claw(draw: _Draw, alike: Mapping[str, float]) -> dict[str, float]:
    own = {name: draw.value(spread) for name, spread in {**_SIDE, **_SOLE, **_FRONT, **_REAR}.items()}
    near = {name: value + float(draw.rng.normal(0.0, 2.0)) for name, value in alike.items()}
    return {**own, **near} if draw.chance(0.7) else own


def _visit(
    draw: _Draw,
    foot: str | None,
    day: date | None,
    stage: Stage,
    truth: Mapping[str, Mapping[str, float]],
    trimmed: date | None,
    shift: float,
) -> None:
    """Add the photos of one foot on one day: usually both sides and a sole, some of them twice, some contradicting."""
    about = {"foot": foot, "stage": stage, "trimmed": trimmed, "day": day}
    for claw in ("outer", "inner"):
        for _ in range(draw.one_of((0, 1, 1, 1, 1, 2))):
            name = claw if foot is not None or draw.chance(0.6) else draw.one_of(("left", "right"))
            _add(draw, "side", about, {name: _seen(draw, truth[claw], _SIDE, shift)}, {})
    for _ in range(draw.one_of((0, 1, 1, 1, 2))):
        names = ("outer", "inner") if foot is not None or draw.chance(0.3) else ("left", "right")
        soles = {name: _seen(draw, truth[claw], _SOLE, 0.0) for name, claw in zip(names, truth, strict=True)}
        both = {name: draw.value(spread) for name, spread in _FOOT.items() if draw.chance(0.9)}
        one, other = (soles[name] for name in names)
        if names == ("outer", "inner") and "sole_length" in one and "sole_length" in other:
            # Most random pairs are far apart: bring them near the healthy difference.
            if draw.calm or draw.chance(0.5):
                one["sole_length"] = other["sole_length"] * float(draw.rng.normal(1.04, 0.02 if draw.calm else 0.08))
            both["length_difference"] = one["sole_length"] - other["sole_length"]
            both["apparent_length_difference"] = both["length_difference"] + float(draw.rng.normal(0.0, 6.0))
            both["width_difference_percent"] = float(draw.rng.normal(20.0, 5.0 if draw.calm else 20.0))
        _add(draw, "sole", about, soles, both)
    if draw.chance(0.25):
        _add(draw, "front", about, {claw: _seen(draw, truth[claw], _FRONT, 0.0) for claw in truth}, {})
    if draw.chance(0.25):
        _add(draw, "rear", about, {claw: _seen(draw, truth[claw], _REAR, 0.0) for claw in truth}, {})


def _seen(draw: _Draw, truth: Mapping[str, float], spreads: Mapping[str, Spread], shift: float) -> dict[str, float]:
    """Return what one photo says: the claw's values, or now and then something else altogether."""
    wild = draw.chance(0.02 if draw.calm else 0.12)
    values = {}
    for name, spread in spreads.items():
        if draw.chance(0.92):
            values[name] = draw.value(spread) if wild else truth[name] + float(draw.rng.normal(0.0, 0.1 * spread.width))
            values[name] += shift if name == "toe_length" else 0.0
    return values


def _add(
    draw: _Draw,
    view: View,
    about: Mapping[str, Any],
    claws: Mapping[str, Mapping[str, float]],
    both: Mapping[str, float],
) -> None:
    # The order of names says nothing of the feet.
    name = f"{int(draw.rng.integers(1_000_000)):06d}-{len(draw.photos)}.jpg"
    size = float(np.exp(draw.rng.uniform(np.log(0.1), np.log(2.0 if draw.calm else 8.0))))
    budgets = draw.chance(0.5)
    status: Any = draw.one_of(STATUSES)
    request = PhotoRequest(
        path=Path(name),
        name=name,
        foot=about["foot"],
        view=view,
        stage=about["stage"],
        trimmed=about["trimmed"],
        **draw.context,
    )
    shared = {"reference_size": 0.6 * size, "plane_offset": float(draw.rng.normal(0.0, 0.8 * size))}
    made: dict[str, dict[str, Measure]] = {}
    for claw, values in claws.items():
        own = {f"outline_1.{claw}": 0.4 * size, f"model.{claw}": 0.3 * size}
        made[claw] = {key: _measure(key, value, {**shared, **own}, budgets) for key, value in values.items()}
    # What both claws share cancels in a difference.
    apart = {f"outline_1.{claw}": sign * 0.4 * size for claw, sign in zip(claws, (1.0, -1.0), strict=False)}
    day = about["day"]
    draw.photos.append(
        PhotoFacts(
            request=request,
            view=view,
            taken=None if day is None else f"{day.isoformat()}T09:00:00",
            status=status,
            reasons=(),
            claws=made if status != "refused" else {},
            foot_measures={key: _measure(key, value, apart, budgets) for key, value in both.items()}
            if status != "refused"
            else {},
        )
    )


def _measure(name: str, value: float, budget: Mapping[str, float], with_budget: bool) -> Measure:
    uncertainty = 2.0 * float(np.sqrt(sum(each**2 for each in budget.values())))
    return Measure(value, uncertainty, UNITS.get(name, "mm"), dict(budget) if with_budget else {})


def with_uncertainty(facts: PhotoFacts, factor: float) -> PhotoFacts:
    """Return the same photo claiming less (or more): uncertainties and their budgets times ``factor``."""
    return replace(
        facts,
        claws={claw: {name: _scaled(each, factor) for name, each in of.items()} for claw, of in facts.claws.items()},
        foot_measures={name: _scaled(each, factor) for name, each in facts.foot_measures.items()},
    )


def _scaled(measure: Measure, factor: float) -> Measure:
    if measure.uncertainty is None:
        return measure
    budget = {cause: part * factor for cause, part in measure.budget.items()}
    return replace(measure, uncertainty=measure.uncertainty * factor, budget=budget)


def asked(facts: Sequence[PhotoFacts], **changes: Any) -> list[PhotoFacts]:
    """Return the same photos with other words beside them: gait, signs, foot, profile."""
    return [replace(each, request=replace(each.request, **changes)) for each in facts]
