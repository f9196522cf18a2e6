"""Simulated feet of which the cause is known: how often the findings name it, and how often they are wrong.

Run with ``python -m tests.benchmarks.causes [--feet N] [--seed S]``, N animals of each cause; it prints the tables of
docs/findings-check.md. No pictures are made: a claw's true values are drawn, "photographed" with errors as large as the
program states for the sample photos, and judged. Letters stand for the status of a number, as in docs/findings.md.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import binomtest

from clawvision.findings import assess_feet, choose_profile, load_profiles
from clawvision.findings.profiles import Profile
from clawvision.types import AnimalResult, Foot, FootResult, Measure, PhotoFacts, PhotoRequest, Stage, View

SEED = 1
ANIMALS = 2000
PAGE = Path(__file__).parents[2] / "docs" / "findings-check.md"
PROFILES = load_profiles()
PROFILE: Profile = choose_profile(None, PROFILES)
HIND: tuple[Foot, ...] = ("LH", "RH")
ALL: tuple[Foot, ...] = (*HIND, "LF", "RF")
PARTNER = {"outer": "inner", "inner": "outer"}
Claw = dict[str, float]

# --- healthy claws: mean, spread between animals, spread between claws of one animal (one standard deviation each)

_NUSS = "Nuss & Paulus 2006, Vet J 172:284-292"
_NORMAL: Mapping[str, tuple[float, float, float, str]] = {
    "toe_length hind": (89.0, 4.0, 1.5, "mean: Fjeldaas et al. 2007, Acta Vet Scand (P); spreads J"),
    "toe_length fore": (84.0, 4.0, 1.5, "mean: Fjeldaas et al. 2007, Acta Vet Scand (P); spreads J"),
    "toe_angle": (49.0, 2.0, 1.5, "45 to 55, about 50 after trimming: common practice (T); spreads J"),
    "heel_height hind": (41.5, 2.5, 2.1, "35 to 48 mm (M) taken as mean ± 2 standard deviations (C)"),
    "heel_height fore": (41.5, 2.5, 2.1, "as hind (J): no figure for fore claws"),
    "sole_length": (112.7, 5.0, 0.0, f"inner claw: {_NUSS} (P); spread J"),
    "outer_over_inner hind": (1.0657, 0.0, 0.02, f"{_NUSS} (C); spread J"),
    "outer_over_inner fore": (1.0, 0.0, 0.02, "J: no figure for fore claws"),
    "sole_width outer": (52.0, 2.5, 1.0, f"{_NUSS} (P); spreads J"),
    "sole_width inner": (42.5, 2.5, 1.0, f"{_NUSS} (P); spreads J"),
    "axial_twist": (11.0, 1.5, 2.0, "rendered healthy claws 6 to 16 taken as mean ± 2 standard deviations (J)"),
    "helical_twist": (0.0, 0.0, 2.0, "J"),
    "dorsal_concavity": (-1.0, 0.3, 0.5, "rendered healthy claws (J)"),
    "toe_lift": (0.75, 0.0, 0.2, "a worn, rounded tip, 0.5 to 1 mm (J)"),
    "splay": (4.0, 0.0, 5.0, "J"),
    "toe_overlap": (-28.0, 0.0, 4.0, "J"),
    "uneven_stance": (0.0, 0.0, 4.0, "J: how far the toes stand apart beyond their lengths"),
    "need": (83.0, 0.0, 4.0, "median 83 mm, 90 covers 96 %: Archer et al. 2015, Vet Rec 177:222 (P)"),
}
OUTER_TOE_LESS_INNER = -0.3
"""mm, Nuss & Paulus 2006: 76.8 and 77.1 at one thickness of the sole (P)."""
ANGLE_PER_MM = -0.5
"""Degrees of toe angle lost for each mm that a toe is longer than the mean, as in the sample scenes (J)."""
LEAST_ANGLE = 20.0
TOE_PER_SOLE = 0.65
"""Of what a sparing claw gains in closed length the share that its dorsal wall gains, as in the sample scenes (J)."""
AXIAL_PER_HELICAL = 0.5
"""Degrees that the toe turns in the plane of the sole for each degree that the bearing surface turns (J)."""

# --- what the program states of the sample photos
#
# Of the sample photos that are `measured` (8 of the side, 8 of the sole), from assessment.json of `clawvision assess
# sample_images`: the median of the expanded uncertainty (k = 2), lengths as a share of the value; its spread as the
# standard deviation of its logarithm, from the quartiles; and the median share of it that all of a photo has in common
# (scale, pose, focal length, the card's plane).

_SIDE_U: Mapping[str, tuple[str, float, float, float]] = {
    "toe_length": ("share", 0.0467, 0.79, 0.63),
    "toe_angle": ("absolute", 1.90, 0.37, 0.49),
    "heel_height": ("absolute", 3.25, 0.33, 0.46),
    "dorsal_concavity": ("absolute", 2.86, 0.21, 0.03),
    "toe_lift": ("absolute", 3.79, 0.59, 0.26),
    "helical_twist": ("absolute", 11.55, 0.15, 0.0),
}
_SOLE_U: Mapping[str, tuple[str, float, float, float]] = {
    "sole_length": ("share", 0.0241, 0.21, 0.76),
    "sole_width": ("share", 0.0583, 0.42, 0.37),
    "axial_twist": ("absolute", 3.88, 0.35, 0.06),
    "helical_twist": ("absolute", 10.86, 0.01, 0.0),
}
_FOOT_U: Mapping[str, tuple[str, float, float, float]] = {
    "splay": ("absolute", 2.53, 0.03, 0.12),
    "toe_overlap": ("absolute", 3.66, 0.02, 0.18),
}
_TWISTED_U = {"side": 19.2, "sole": 14.8}
"""Degrees, k = 2: `helical_twist` where most claws are twisted (docs/helical-twist.md)."""
_TWISTED_FROM = 15.0
_READ_TOO_SMALL = ((35.0, -7.0), (20.0, -4.0))
"""From this twist on it is read so much too small on average (docs/helical-twist.md)."""
_STATUSES = (("measured", 0.76), ("review", 0.165), ("refused", 0.075))
"""Of 466 good held-out photos 354 were measured without a hand; of the rest 35 had a reference that was not found
(docs/model.md), the others count as `review`."""


# --- true feet


@dataclass
class TrueFoot:
    """The true values of one foot's claws, and of both together."""

    claws: dict[str, Claw]
    both: dict[str, float]

    def difference(self) -> float:
        """Return the closed difference, outer less inner, mm."""
        return self.claws["outer"]["sole_length"] - self.claws["inner"]["sole_length"]


@dataclass
class Animal:
    """One simulated animal: its true feet, and what is known of its gait."""

    cause: str
    feet: dict[Foot, TrueFoot]
    gait: int | None = None
    changed: list[tuple[Foot, str]] = field(default_factory=list)
    """Foot and claw that the cause is about, where it is about single ones."""


def _healthy(rng: np.random.Generator, cause: str) -> Animal:
    own = {name: mean + rng.normal(0.0, spread) for name, (mean, spread, _, _) in _NORMAL.items()}

    def drawn(name: str) -> float:
        return float(own[name] + rng.normal(0.0, _NORMAL[name][2]))

    feet: dict[Foot, TrueFoot] = {}
    for foot in ALL if rng.random() < 0.5 else HIND:
        limb = "hind" if foot in HIND else "fore"
        claws: dict[str, Claw] = {}
        for claw in ("outer", "inner"):
            claws[claw] = {
                "toe_length": drawn(f"toe_length {limb}") + (OUTER_TOE_LESS_INNER if claw == "outer" else 0.0),
                "toe_angle": drawn("toe_angle"),
                "heel_height": drawn(f"heel_height {limb}"),
                "dorsal_concavity": drawn("dorsal_concavity"),
                "toe_lift": abs(drawn("toe_lift")),
                "sole_length": drawn("sole_length"),
                "sole_width": drawn(f"sole_width {claw}"),
                "axial_twist": drawn("axial_twist"),
                "helical_twist": abs(drawn("helical_twist")),
                "need": drawn("need"),
            }
        claws["outer"]["sole_length"] = claws["inner"]["sole_length"] * drawn(f"outer_over_inner {limb}")
        both = {"splay": drawn("splay"), "toe_overlap": drawn("toe_overlap"), "uneven": drawn("uneven_stance")}
        feet[foot] = TrueFoot(claws, both)
    return Animal(cause, feet)


def _longer(claw: Claw, toe: float, sole: float) -> None:
    """Let a claw grow: the angle falls, and a toe that is very long hollows and lifts (J, as in the sample scenes)."""
    claw["toe_length"] += toe
    claw["sole_length"] += sole
    claw["toe_angle"] = max(claw["toe_angle"] + ANGLE_PER_MM * toe, LEAST_ANGLE)
    claw["dorsal_concavity"] += 0.1 * max(claw["toe_length"] - 110.0, 0.0)
    claw["toe_lift"] += 0.2 * max(claw["toe_length"] - 110.0, 0.0)


def _overdue(rng: np.random.Generator, animal: Animal) -> None:
    # 3 to 8 months of growth without wear at 5 mm a month (T).
    grown = rng.uniform(15.0, 40.0)
    for foot in animal.feet.values():
        for claw in foot.claws.values():
            own = grown + rng.normal(0.0, 1.5)
            _longer(claw, own, 0.8 * own)


def _one_claw(rng: np.random.Generator) -> tuple[Foot, str]:
    # Mostly the outer claw of a hind foot, which carries more (Muggli et al. 2011, Vet J 188:295); how often, J.
    return HIND[int(rng.integers(2))], "outer" if rng.random() < 0.8 else "inner"


def _unloading(rng: np.random.Generator, animal: Animal) -> None:
    foot, name = _one_claw(rng)
    excess = rng.uniform(5.0, 80.0)
    _longer(animal.feet[foot].claws[name], TOE_PER_SOLE * excess, excess)
    animal.changed.append((foot, name))


def _twisted(rng: np.random.Generator, animal: Animal, feet: Sequence[Foot], name: str) -> None:
    turn, grown = rng.uniform(15.0, 60.0), rng.uniform(5.0, 30.0)
    for foot in feet:
        claw = animal.feet[foot].claws[name]
        own = float(np.clip(turn + rng.normal(0.0, 3.0), 15.0, 60.0))
        claw["helical_twist"] = own
        claw["axial_twist"] += AXIAL_PER_HELICAL * own
        claw["sole_width"] -= 0.1 * own  # narrower: van Amstel 2017, Vet Clin N Am Food Anim 33:351-364; how much, J
        _longer(claw, grown, grown)
        animal.changed.append((foot, name))


def _twisted_one(rng: np.random.Generator, animal: Animal) -> None:
    foot, name = _one_claw(rng)
    _twisted(rng, animal, [foot], name)


def _twisted_both(rng: np.random.Generator, animal: Animal) -> None:
    _twisted(rng, animal, HIND, _one_claw(rng)[1])


def _too_short(rng: np.random.Generator, animal: Animal) -> None:
    # At these lengths soles were thin: 5 mm at 72 mm, Tsuka et al. 2014, J Dairy Sci 97.
    left = rng.uniform(62.0, 74.0)
    for foot in animal.feet.values():
        for claw in foot.claws.values():
            length = left + rng.normal(0.0, 1.0)
            taken = claw["toe_length"] - length
            claw["toe_angle"] += min(-ANGLE_PER_MM * taken, 8.0)
            claw["toe_length"] = length
            claw["sole_length"] -= 0.3 * taken


def _as_it_is(rng: np.random.Generator, animal: Animal) -> None:
    pass


CAUSES: Mapping[str, Callable[[np.random.Generator, Animal], None]] = {
    "healthy": _as_it_is,
    "overdue trim": _overdue,
    "unloading": _unloading,
    "twisted, one foot": _twisted_one,
    "twisted, both hind feet": _twisted_both,
    "too short": _too_short,
}


def animals(cause: str, count: int, seed: int) -> Iterator[Animal]:
    """Give simulated animals with one cause; the n-th is the same however many are asked for."""
    for number in range(count):
        rng = np.random.default_rng([seed, list(CAUSES).index(cause), number])
        animal = _healthy(rng, cause)
        CAUSES[cause](rng, animal)
        if rng.random() < 0.5:
            # Scores by Sprecher et al. 1997, Theriogenology 47:1179; how many walk how, J.
            shares = (0.05, 0.3, 0.4, 0.25) if cause == "unloading" else (1.0, 0.0, 0.0, 0.0)
            animal.gait = int(rng.choice((1, 2, 3, 4), p=shares))
        yield animal


# --- photographs of them


def photographed(animal: Animal, rng: np.random.Generator) -> list[PhotoFacts]:
    """Return what the program would know of a side photo of each claw and a sole photo of each foot."""
    facts = []
    for foot, truth in animal.feet.items():
        facts += [_photo(animal, foot, "side", [claw], truth, rng) for claw in truth.claws]
        facts.append(_photo(animal, foot, "sole", list(truth.claws), truth, rng))
    return facts


def _photo(
    animal: Animal, foot: Foot, view: View, claws: Sequence[str], truth: TrueFoot, rng: np.random.Generator
) -> PhotoFacts:
    status: Any = rng.choice([name for name, _ in _STATUSES], p=[share for _, share in _STATUSES])
    scale, quality = rng.normal(), rng.normal()
    made: dict[str, dict[str, Measure]] = {}
    for claw in claws:
        table = _SIDE_U if view == "side" else _SOLE_U
        made[claw] = {
            name: _measured(name, view, truth.claws[claw][name], table[name], f"own.{claw}", scale, quality, rng)
            for name in table
        }
    both = _both(made, truth, scale, quality, rng) if view == "sole" else {}
    stage: Stage = "before" if animal.cause == "overdue trim" else "check"
    name = f"{foot}_{view}_{'_'.join(claws)}.jpg"
    request = PhotoRequest(
        Path(name),
        name,
        "Alma 12",
        foot,
        view,
        stage=stage,
        locomotion=animal.gait,
    )
    if status == "refused":
        made, both = {}, {}
    return PhotoFacts(request, view, "2031-04-02T09:00:00", status, (), made, both)


def _measured(
    name: str,
    view: str,
    true: float,
    stated: tuple[str, float, float, float],
    own: str,
    scale: float,
    quality: float,
    rng: np.random.Generator,
) -> Measure:
    """Return the true value with an error as large as stated; what the photo shares errs alike in all of it."""
    kind, median, spread, shared = stated
    if name == "helical_twist" and true >= _TWISTED_FROM:
        median = _TWISTED_U[view]
    # Photos are good or bad as a whole: half of the spread of the uncertainties is between photos (J).
    size = median * np.exp(spread * (np.sqrt(0.5) * quality + np.sqrt(0.5) * rng.normal()))
    uncertainty = float(size * abs(true) if kind == "share" else size)
    budget = {"reference": shared * uncertainty / 2.0, own: float(np.sqrt(1.0 - shared**2)) * uncertainty / 2.0}
    value = true + scale * budget["reference"] + rng.normal() * budget[own]
    if name == "helical_twist":
        value = max(value + next((bias for start, bias in _READ_TOO_SMALL if true >= start), 0.0), 0.0)
    return Measure(float(value), uncertainty, _unit(name), budget)


def _both(
    made: Mapping[str, Mapping[str, Measure]], truth: TrueFoot, scale: float, quality: float, rng: np.random.Generator
) -> dict[str, Measure]:
    outer, inner = made["outer"], made["inner"]
    difference = _less(outer["sole_length"], inner["sole_length"])
    widths = (outer["sole_width"], inner["sole_width"])
    mean = sum(each.value or 0.0 for each in widths) / 2.0
    width = _less(*widths)
    share = {cause: 100.0 * part / mean for cause, part in width.budget.items()}
    both = {
        "length_difference": difference,
        "apparent_length_difference": replace(difference, value=(difference.value or 0.0) + truth.both["uneven"]),
        "width_difference_percent": Measure(100.0 * (width.value or 0.0) / mean, _expanded(share), "percent", share),
    }
    for name, stated in _FOOT_U.items():
        both[name] = _measured(name, "sole", truth.both[name], stated, "own.both", scale, quality, rng)
    return both


def _less(one: Measure, other: Measure) -> Measure:
    causes = dict.fromkeys((*one.budget, *other.budget))
    budget = {cause: one.budget.get(cause, 0.0) - other.budget.get(cause, 0.0) for cause in causes}
    return Measure((one.value or 0.0) - (other.value or 0.0), _expanded(budget), "mm", budget)


def _expanded(budget: Mapping[str, float]) -> float:
    return 2.0 * float(np.sqrt(sum(part**2 for part in budget.values())))


def _unit(name: str) -> Any:
    return "deg" if name in ("toe_angle", "axial_twist", "helical_twist", "splay") else "mm"


def exact(animal: Animal) -> list[PhotoFacts]:
    """Return the same photos without any error and uncertainty: what is true by the limits."""
    facts = []
    for foot, truth in animal.feet.items():
        for view, names, table in (
            ("side", ("outer",), _SIDE_U),
            ("side", ("inner",), _SIDE_U),
            ("sole", None, _SOLE_U),
        ):
            claws = {
                claw: {name: Measure(truth.claws[claw][name], 0.0, _unit(name)) for name in table}
                for claw in names or truth.claws
            }
            both = _both(claws, truth, 0.0, 0.0, np.random.default_rng(0)) if view == "sole" else {}
            both = {
                name: replace(each, value=truth.both.get(name, each.value), uncertainty=0.0)
                for name, each in both.items()
            }
            name = f"{foot}_{view}_{'_'.join(claws)}.jpg"
            request = PhotoRequest(Path(name), name, "Alma 12", foot, view)  # type: ignore[arg-type]
            facts.append(PhotoFacts(request, view, "2031-04-02T09:00:00", "measured", (), claws, both))  # type: ignore[arg-type]
    return facts


# --- what the findings say of an animal, in one word: this page's own rule of reading

READINGS = ("nothing found", "overdue", "one claw", "twisted, one", "twisted, both", "too short", "long", "cannot tell")
_KEY_ROWS = ("outer-far-out-of-proportion", "inner-far-out-of-proportion", "overgrown", "too-short", "turned-toe")


def reading(feet: Sequence[FootResult], animal: AnimalResult) -> str:
    """Return the first of these that is shown, in this order; else whether each was decided on one foot at least."""
    codes = {finding.code for foot in feet for finding in foot.findings}
    of_animal = {finding.code for finding in animal.findings}
    if "twist" in codes:
        return "twisted, both" if "twist_both_feet" in of_animal else "twisted, one"
    if "overdue_trim" in of_animal:
        return "overdue"
    if codes & {"out_of_proportion", "out_of_proportion_watch"}:
        return "one claw"
    if "too_short" in codes:
        return "too short"
    if codes & {"long", "overgrown"}:
        return "long"
    decided = {row.rule for foot in feet for row in foot.checked if row.state == "not shown"}
    return "nothing found" if decided >= set(_KEY_ROWS) else "cannot tell"


# --- counting


@dataclass(frozen=True)
class Share:
    """A share of cases, with its 95 % interval by Wilson's method."""

    hits: int
    cases: int

    @property
    def value(self) -> float:
        """Return the share, or NaN of no cases."""
        return self.hits / self.cases if self.cases else float("nan")

    def __str__(self) -> str:
        if not self.cases:
            return "no cases"
        interval = binomtest(self.hits, self.cases).proportion_ci(method="wilson")
        low, high = 100 * interval.low, 100 * interval.high
        return f"{100 * self.value:.1f} % ({low:.1f} to {high:.1f}; {self.hits} of {self.cases})"


@dataclass
class Result:
    """What came of all animals."""

    confusion: dict[str, Counter[str]] = field(default_factory=dict)
    counts: dict[str, list[int]] = field(default_factory=dict)
    rows: dict[str, list[int]] = field(default_factory=dict)
    """For each rule: on how many healthy feet it is shown, and on how many of these it is not true by the limits."""
    healthy_feet: int = 0

    def note(self, name: str, hit: bool) -> None:
        """Count one case."""
        pair = self.counts.setdefault(name, [0, 0])
        pair[0] += hit
        pair[1] += 1

    def share(self, name: str) -> Share:
        """Return what was counted under a name."""
        return Share(*self.counts.get(name, [0, 0]))


FOUND = "proportion found, true closed excess of 10 mm or more"
FOUND_BY_FAR = "the same, found as far out of proportion (`out_of_proportion`)"
FOUND_CLOSE = "the same, true excess 10 to 15 mm"
FOUND_TOE = "proportion found, true toe difference of 10 mm or more"
FOUND_ANY = "proportion found, true closed excess of 10 mm or more, whatever the photos came to"
SOON = "healthy feet sent to today or within 48 hours"
THIS_WEEK = "healthy feet sent to this week"
FALSE = "healthy feet with a finding that is not true by the limits"
TWIST_FOUND = "twisted claws (15° or more) found as `twist`, sole photo measured"
TWIST_SPARE = "twisted claws (15° or more) that get a range"
FAR_SPARE = "claws 10 mm or more out of proportion that get a range"
OVERDUE_SPARE = "overdue hind claws that get a range"
OVERDUE_SPARE_SURE = "the same, all photos of the foot measured"
HOLDS = "ranges of overdue and healthy claws that hold the true spare"
TOO_LITTLE = "true spare below the range"
TOO_MUCH = "true spare above the range"


def simulate(count: int = ANIMALS, seed: int = SEED) -> Result:
    """Draw, photograph and judge ``count`` animals of each cause."""
    result = Result()
    for cause in CAUSES:
        said = result.confusion.setdefault(cause, Counter())
        for number, animal in enumerate(animals(cause, count, seed)):
            rng = np.random.default_rng([seed, list(CAUSES).index(cause), number, 1])
            photos = photographed(animal, rng)
            feet, (together,) = assess_feet(photos, PROFILES)
            said[reading(feet, together)] += 1
            if cause == "healthy":
                _count_healthy(result, animal, feet)
            for foot in feet:
                _count_claws(result, animal, foot, [each for each in photos if each.request.foot == foot.foot])
    return result


def _count_healthy(result: Result, animal: Animal, feet: Sequence[FootResult]) -> None:
    true_feet, _ = assess_feet(exact(animal), PROFILES)
    true = {foot.foot: {(each.code, each.claw) for each in foot.findings} for foot in true_feet}
    for foot in feet:
        result.healthy_feet += 1
        result.note(SOON, foot.urgency.level in ("today", "within 48 hours"))
        result.note(THIS_WEEK, foot.urgency.level == "this week")
        false = [each for each in foot.findings if (each.code, each.claw) not in true[foot.foot]]
        result.note(FALSE, bool(false))
        for rule in {each.rule for each in foot.findings}:
            pair = result.rows.setdefault(rule, [0, 0])
            pair[0] += 1
            pair[1] += any(each.rule == rule for each in false)


def true_excess(foot: TrueFoot, claw: str) -> float:
    """Return how far a hind foot's closed difference lies beyond the healthy one, on the side of a claw, mm."""
    high, low = (PROFILE.value("hind", name) for name in ("outer_longer_high", "outer_longer_low"))
    assert high is not None and low is not None  # the default profile has both
    inner, difference = foot.claws["inner"]["sole_length"], foot.difference()
    return difference - high.value / 100.0 * inner if claw == "outer" else low.value / 100.0 * inner - difference


def _count_claws(result: Result, animal: Animal, foot: FootResult, photos: Sequence[PhotoFacts]) -> None:
    name = foot.foot
    assert name is not None  # all simulated feet are named
    truth = animal.feet[name]
    sole = any(each.view == "sole" and each.status == "measured" for each in photos)
    for claw, values in truth.claws.items():
        codes = {each.code for each in foot.findings if each.claw == claw}
        spare = foot.trim.spare.get(claw)  # type: ignore[call-overload]
        ranged = spare is not None and spare.reason is None
        if animal.cause == "unloading" and (name, claw) in animal.changed:
            excess = true_excess(truth, claw)
            found = bool(codes & {"out_of_proportion", "out_of_proportion_watch"})
            if excess >= 10.0:
                result.note(FOUND_ANY, found)
                result.note(FAR_SPARE, ranged)
                if sole:
                    result.note(FOUND, found)
                    result.note(FOUND_BY_FAR, "out_of_proportion" in codes)
                    if excess < 15.0:
                        result.note(FOUND_CLOSE, found)
            if sole and values["toe_length"] - truth.claws[PARTNER[claw]]["toe_length"] >= 10.0:
                result.note(FOUND_TOE, found)
        if values["helical_twist"] >= _TWISTED_FROM:
            result.note(TWIST_SPARE, ranged)
            if sole:
                result.note(TWIST_FOUND, "twist" in codes)
        if animal.cause == "overdue trim" and name in HIND:
            result.note(OVERDUE_SPARE, ranged)
            if all(each.status == "measured" for each in photos):
                result.note(OVERDUE_SPARE_SURE, ranged)
        if ranged and animal.cause in ("healthy", "overdue trim"):
            assert spare is not None and spare.least is not None and spare.most is not None  # it has a range
            own = values["toe_length"] - values["need"]
            result.note(HOLDS, spare.least <= own <= spare.most)
            result.note(TOO_LITTLE, own < spare.least)
            result.note(TOO_MUCH, own > spare.most)


# --- the page


def inputs() -> str:
    """Return what the simulation rests on, as Markdown."""
    rows = [[f"`{name}`", f"{m:g}", f"{a:g}", f"{c:g}", source] for name, (m, a, c, source) in _NORMAL.items()]
    head = ["healthy value", "mean", "between animals (SD)", "between claws (SD)", "source and status"]
    stated = [
        [
            f"`{name}`",
            view,
            f"{100 * u:g} %" if kind == "share" else f"{u:g} {_unit(name)}",
            f"{spread:g}",
            f"{shared:g}",
        ]
        for view, table in (("side", _SIDE_U), ("sole", _SOLE_U), ("sole", _FOOT_U))
        for name, (kind, u, spread, shared) in table.items()
    ]
    of = [
        "measure",
        "view",
        "stated uncertainty, median (k = 2)",
        "spread (SD of the logarithm)",
        "shared by the photo",
    ]
    return f"{_table(head, rows)}\n\n{_table(of, stated)}"


def tables(result: Result) -> str:
    """Return what came of it, as Markdown."""
    said = [
        [cause, *(f"{100 * counter[each] / sum(counter.values()):.1f} %" for each in READINGS)]
        for cause, counter in result.confusion.items()
    ]
    shares = [[name, str(result.share(name)), MUSTS.get(name, "")] for name in COUNTED]
    rows = [
        [f"`{rule}`", *(f"{100 * each / result.healthy_feet:.2f} %" for each in pair)]
        for rule, pair in sorted(result.rows.items(), key=lambda each: (-each[1][0], each[0]))
    ]
    return "\n\n".join(
        (
            _table(["true cause", *READINGS], said),
            _table(["what was counted", "share (95 % interval; cases)", "must be"], shares),
            _table(["rule shown on healthy feet", "of feet", "of feet, and not true by the limits"], rows),
        )
    )


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    return "\n".join("| " + " | ".join(cells) + " |" for cells in (head, ["---"] * len(head), *rows))


COUNTED = (
    FOUND,
    FOUND_BY_FAR,
    FOUND_CLOSE,
    FOUND_TOE,
    FOUND_ANY,
    SOON,
    THIS_WEEK,
    FALSE,
    TWIST_FOUND,
    TWIST_SPARE,
    FAR_SPARE,
    OVERDUE_SPARE,
    OVERDUE_SPARE_SURE,
    HOLDS,
    TOO_LITTLE,
    TOO_MUCH,
)
MUSTS = {FOUND: "≥ 95 %", SOON: "< 2 %", TWIST_SPARE: "0", HOLDS: "about 95 %"}


def stated(record: Path) -> str:
    """Return the uncertainties that an ``assessment.json`` states, as the tables at the head of this file hold them."""
    photos = [each for each in json.loads(record.read_text(encoding="utf-8"))["photos"] if each["status"] == "measured"]
    lines = []
    for view, table in (("side", _SIDE_U), ("sole", _SOLE_U), ("sole", _FOOT_U)):
        for name, (kind, *_) in table.items():
            sets = [s for p in photos if p["view"] == view for s in (p["foot_measures"], *_measures_of_claws(p))]
            found = [each[name] for each in sets if name in each and each[name]["uncertainty"] is not None]
            sizes = [each["uncertainty"] / (abs(each["value"]) if kind == "share" else 1.0) for each in found]
            low, high = np.quantile(np.log(sizes), (0.25, 0.75))
            shared = [
                2.0 * np.sqrt(sum(part**2 for cause, part in each["budget"].items() if "." not in cause))
                / each["uncertainty"]
                for each in found
            ]  # fmt: skip
            # A quarter to three quarters of a normal distribution are 1.349 standard deviations.
            spread, common = (high - low) / 1.349, float(np.median(shared))
            lines.append(f"{view} {name} ({kind}): {np.median(sizes):.4g}, {spread:.2f}, {common:.2f} ({len(found)})")
    return "\n".join(lines)


def _measures_of_claws(photo: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    claws = photo["claws"]
    return [each["measures"] for each in (claws.values() if isinstance(claws, dict) else claws)]


def write_page(stated_inputs: str, results: str) -> None:
    """Put the tables between the marks of the page."""
    text = PAGE.read_text(encoding="utf-8")
    for mark, content in (("inputs", stated_inputs), ("results", results)):
        head, rest = text.split(f"<!-- {mark} -->\n", 1)
        text = f"{head}<!-- {mark} -->\n{content}\n<!-- end -->{rest.split('<!-- end -->', 1)[1]}"
    PAGE.write_text(text, encoding="utf-8")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--feet", type=int, default=ANIMALS, help="animals of each cause")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument(
        "--stated", type=Path, help="an assessment.json: print the uncertainties that it states instead"
    )
    parser.add_argument("--write", action="store_true", help="put the tables into docs/findings-check.md as well")
    options = parser.parse_args()
    if options.stated is not None:
        print(stated(options.stated))
        return
    results = tables(simulate(options.feet, options.seed))
    print(f"{inputs()}\n\n{results}")
    if options.write:
        write_page(inputs(), results)


if __name__ == "__main__":
    main()
