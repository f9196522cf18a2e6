"""A study of repeats: every figure of every measure, from gathered photos and hand measures."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from clawvision.output.wording import MEASURE_WORDS
from clawvision.repeatability.agreement import concordance, limits_of_agreement
from clawvision.repeatability.hand import HandReading
from clawvision.repeatability.icc import NO_RATERS, one_way, two_way
from clawvision.repeatability.iso5725 import limit, precision
from clawvision.repeatability.models import Estimate, Icc, Limits, Precision, Sets, unknown
from clawvision.repeatability.outliers import OUTLIER, STRAGGLER, farthest_value, largest_spread
from clawvision.repeatability.repeats import By, Gathered, Place, Reading, by_place
from clawvision.repeatability.stated import stated_ratio
from clawvision.repeatability.variance import relative, repeated, smallest_change, within_sd
from clawvision.types import ClawName, FloatArray, Foot, View

ENOUGH_CLAWS, ENOUGH_DOF = 10, 20
"""Fewer claws, or fewer repeats (10 claws of three photos have 20), give rough figures: status J. With 20 degrees of
freedom a standard deviation is known to about a third."""
SIZES = (
    "toe_length",
    "dorsal_arc",
    "toe_angle",
    "wall_angle",
    "heel_height",
    "dorsal_height",
    "bearing_length",
    "diagonal",
    "sole_length",
    "sole_width",
    "sole_area",
)
"""Measures that are far from 0 on every claw. A percentage of the others, which may be 0 or less, says nothing."""
GROWING = ("toe_length", "dorsal_arc")
NO_GROUPS = "Photos are not grouped: say by what with --by."
_VIEWS: tuple[View, ...] = ("side", "sole", "front", "rear")


@dataclass(frozen=True, slots=True)
class Flag:
    """Something that stands out. It was counted like everything else."""

    what: str
    where: str
    photos: tuple[str, ...]
    p: float

    @property
    def strength(self) -> str:
        """Return how much it stands out, in the words of ISO 5725-2."""
        return "outlier" if self.p <= OUTLIER else "straggler"


@dataclass(frozen=True, slots=True)
class HandResult:
    """Photos against hand measures, photo minus hand."""

    claws: int
    photos: int
    readings: int
    operators: int
    limits: Limits
    concordance: Estimate
    hand_sd: Estimate


@dataclass(frozen=True, slots=True)
class MeasureResult:
    """All figures of one measure in one view. ``claws`` were photographed twice or more on a day, in ``sets``."""

    measure: str
    view: View
    unit: str
    claws: int
    sets: int
    photos: int
    dof: int
    mean: float | None
    within_sd: Estimate
    tem_percent: Estimate
    sdc: Estimate
    one_way: Icc
    agreement: Icc
    consistency: Icc
    crossed: int
    precision: Precision
    groups: tuple[str, ...]
    ungrouped: int
    stated_ratio: Estimate
    flags: tuple[Flag, ...]
    hand: HandResult | None
    of_foot: bool
    """Whether the measure is of both claws together."""

    @property
    def enough(self) -> bool:
        """Return whether there are as many repeats as the figures should rest on."""
        return self.claws >= ENOUGH_CLAWS and self.dof >= ENOUGH_DOF

    @property
    def told(self) -> bool:
        """Return whether anything at all is known."""
        known = (self.within_sd, self.agreement.single, self.precision.s_r, self.hand and self.hand.limits.difference)
        return any(each.value is not None for each in known if each)


@dataclass(frozen=True, slots=True)
class Study:
    """The results, and the hand measures that no photo, or no single day of photos, goes with: line and why."""

    results: tuple[MeasureResult, ...]
    unmatched: tuple[tuple[int, str], ...]


def measure_names(gathered: Gathered) -> tuple[str, ...]:
    """Return the measures that the photos give, in the order of the pages, others behind."""
    known = list(MEASURE_WORDS)
    names = {name for name, _ in gathered.units}
    return tuple(sorted(names, key=lambda name: (known.index(name) if name in known else len(known), name)))


def study(
    gathered: Gathered, hand: Sequence[HandReading] = (), by: By | None = None, measures: Sequence[str] = ()
) -> Study:
    """Compute all figures.

    Parameters
    ----------
    gathered
        The photos.
    hand
        Measures by hand.
    by
        What stands for a group (ISO 5725) or rater (ICC 2 and 3); None if nothing does.
    measures
        Names of the measures wanted; all if left out.
    """
    results = []
    unmatched: dict[int, str] = {}
    for view in _VIEWS:
        for measure in measure_names(gathered):
            if (measure, view) in gathered.units and (not measures or measure in measures):
                rows = [row for row in hand if row.measure == measure]
                pairs, without = _pair(by_place(gathered.seen, measure, view), rows)
                unmatched |= without
                results.append(_result(gathered, measure, view, by, pairs, bool(rows)))
    return Study(tuple(results), tuple(sorted(unmatched.items())))


def _result(
    gathered: Gathered, measure: str, view: View, by: By | None, pairs: Mapping[Place, _Pair], asked: bool
) -> MeasureResult:
    places = {place: each for place, each in by_place(gathered.seen, measure, view).items() if place.day is not None}
    sets = [_values(each) for each in places.values()]
    used = [(place, each) for place, each in places.items() if len(each) >= 2]
    mean = float(np.mean([_values(each).mean() for _, each in used])) if used else None
    sd = within_sd(sets)
    grouped = _group(gathered, measure, view, by)
    by_claw = list(grouped.claws.values())
    agreement, consistency = _crossed(grouped, by)
    if by is None:
        no_groups = unknown(NO_GROUPS)
        exact = Precision(sd, no_groups, no_groups, limit(sd), no_groups)
    else:
        exact = precision([[_values(cell) for cell in cells.values()] for cells in by_claw])
    return MeasureResult(
        measure=measure,
        view=view,
        unit=gathered.units[measure, view],
        claws=len({place.claw_key for place, _ in used}),
        sets=len(used),
        photos=sum(len(each) for _, each in used),
        dof=sum(len(each) - 1 for _, each in used),
        mean=mean,
        within_sd=sd,
        tem_percent=_percent(measure, sd, mean),
        sdc=smallest_change(sets),
        one_way=one_way(sets),
        agreement=agreement,
        consistency=consistency,
        crossed=len(grouped.crossed),
        precision=exact,
        groups=grouped.names,
        ungrouped=grouped.left,
        stated_ratio=stated_ratio(sets, [np.array([r.expanded for r in each]) for each in places.values()]),
        flags=_flags(used, grouped if by is not None else None),
        hand=_against_hand(pairs) if asked else None,
        of_foot=all(place.claw is None for place in places),
    )


def _values(readings: Iterable[Reading]) -> FloatArray:
    return np.array([each.value for each in readings], dtype=np.float64)


def _percent(measure: str, sd: Estimate, mean: float | None) -> Estimate:
    if sd.value is None or mean is None:
        return sd
    if measure not in SIZES:
        return unknown("The measure may be 0 or less, so that a percentage of it says nothing.")
    return relative(sd, mean)


@dataclass(frozen=True, slots=True)
class _Grouped:
    """The values by claw and group; ``left`` photos tell no group."""

    claws: Mapping[Place, Mapping[str, Sequence[Reading]]]
    names: tuple[str, ...]
    left: int

    @property
    def crossed(self) -> list[Place]:
        """Return the claws that all groups measured."""
        return [place for place, cells in self.claws.items() if len(cells) == len(self.names) >= 2]


def _group(gathered: Gathered, measure: str, view: View, by: By | None) -> _Grouped:
    if by is None:
        return _Grouped({}, (), 0)
    photos = gathered.by_operator if by == "operator" else gathered.seen
    without: By | None = by if by in ("day", "stage") else None
    claws: dict[Place, dict[str, list[Reading]]] = {}
    left: set[str] = set()
    for place, readings in by_place(photos, measure, view, without).items():
        for each in readings:
            group = each.photo.group(by)
            if group is None:
                left.add(each.photo.sha256)
            elif place.day is not None or without == "day":
                claws.setdefault(place, {}).setdefault(group, []).append(each)
    names = sorted({name for cells in claws.values() for name in cells})
    return _Grouped(claws, tuple(names), len(left))


def _crossed(grouped: _Grouped, by: By | None) -> tuple[Icc, Icc]:
    """Return ICC(2,·) and ICC(3,·) of the claws that all groups measured, from the first photo of each group."""
    if by is None:
        none = Icc(unknown(NO_RATERS), unknown(NO_RATERS), None)
        return none, none
    rows = [[grouped.claws[place][name][0].value for name in grouped.names] for place in grouped.crossed]
    return two_way(np.array(rows, dtype=np.float64).reshape(len(rows), len(grouped.names)))


def _flags(used: Sequence[tuple[Place, Sequence[Reading]]], grouped: _Grouped | None) -> tuple[Flag, ...]:
    """Return what stands out: of the spreads within claws (or within their groups), and of the single photos."""
    if grouped is None:
        cells = [(place.words(), readings) for place, readings in used]
    else:
        cells = [
            (f"{place.words()}, {name}", readings)
            for place, groups in grouped.claws.items()
            for name, readings in groups.items()
            if len(readings) >= 2
        ]
    sets: Sets = [_values(readings) for _, readings in cells]
    flags = []
    widest = largest_spread(sets)
    if widest is not None and widest.p <= STRAGGLER:
        where, readings = cells[widest.index]
        flags.append(Flag("repeats that differ more than the others", where, _names(readings), widest.p))
    farthest = farthest_value(sets)
    if farthest is not None and farthest[0].p <= STRAGGLER:
        (found, place) = farthest
        where, readings = cells[found.index]
        # Of two photos nobody can tell which one is off.
        off = readings if len(readings) == 2 else [readings[place]]
        flags.append(Flag("a photo far from the others of its claw", where, _names(off), found.p))
    return tuple(flags)


def _names(readings: Iterable[Reading]) -> tuple[str, ...]:
    return tuple(each.photo.photo for each in readings)


@dataclass(frozen=True, slots=True)
class _Pair:
    photos: Sequence[Reading]
    hand: tuple[HandReading, ...]


def _pair(
    places: Mapping[Place, Sequence[Reading]], rows: Sequence[HandReading]
) -> tuple[dict[Place, _Pair], dict[int, str]]:
    """Return what photos and hand measures go together, and which rows have no photo of their own, with why."""
    found: dict[Place, list[HandReading]] = {}
    unmatched: dict[int, str] = {}
    by_claw: dict[tuple[str, Foot, ClawName | None], list[Place]] = {}
    for place in places:
        by_claw.setdefault(place.claw_key, []).append(place)
    for row in rows:
        fit = [
            place
            for place in by_claw.get((row.animal, row.foot, row.claw), [])
            if (row.taken is None or place.day == row.taken) and (row.stage is None or place.stage == row.stage)
        ]
        if len(fit) == 1:
            found.setdefault(fit[0], []).append(row)
        elif fit:
            unmatched[row.line] = "photos of several days, unknown ones or stages fit: fill the columns taken and stage"
        else:
            unmatched[row.line] = "no photo that counts shows this claw then"
    return {place: _Pair(places[place], tuple(each)) for place, each in found.items()}, unmatched


def _against_hand(pairs: Mapping[Place, _Pair]) -> HandResult:
    photos = [_values(pair.photos) for pair in pairs.values()]
    hands = [np.array([row.value for row in pair.hand], dtype=np.float64) for pair in pairs.values()]
    operators = {row.operator for pair in pairs.values() for row in pair.hand if row.operator is not None}
    return HandResult(
        claws=len(pairs),
        photos=sum(map(len, photos)),
        readings=sum(map(len, hands)),
        operators=len(operators),
        limits=limits_of_agreement(photos, hands),
        concordance=concordance(np.array([each[0] for each in photos]), np.array([each[0] for each in hands])),
        hand_sd=within_sd(hands) if repeated(hands) else unknown("No hand measure was repeated."),
    )
