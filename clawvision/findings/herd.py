"""A herd's own percentiles in place of a packaged profile's values. Pure.

Only values that say what is *usual* are replaced. Those that protect stay the packaged profile's, since they come from
anatomy or judgement and not from what a herd is used to:

- ``toe_length_floor``, ``toe_length_minimum``, ``heel_height_minimum``: how much horn covers the quick does not follow
  from how short a herd is trimmed;
- ``toe_length_flag``: a herd that is overdue everywhere must not make long claws look usual. It caps what is replaced;
- ``outer_longer_…``, ``length_difference_…``, twist, concavity and overlap: they find the claw that a cow spares. In
  most herds some cows are lame and few have a gait on file, so such claws cannot be told from sound ones, and the more
  of them there were, the wider a range of the herd's own would become;
- ``growth_…`` and ``toe_length_after_trim``: a percentile of lengths tells neither.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import Final

import numpy as np

from clawvision.findings.evidence import FootEvidence, Observed, group_feet
from clawvision.findings.profiles import LIMBS, Limb, Profile, ProfileValue
from clawvision.types import ClawName, Foot, PhotoFacts, Stage

ENOUGH_CLAWS = 30
"""Fewer claws (or feet, where both claws make one value) leave the packaged value: status J. Of 30, three lie beyond
the 90th percentile."""
ENOUGH_ANIMALS = 15
"""Fewer animals leave the packaged value, since the claws of one animal are alike: status J."""
LAME_FROM = 2
"""A locomotion score from which an animal is no reference: the least that is not a sound cow's (Sprecher et al. 1997,
Theriogenology 47:1179)."""
NO_REFERENCE = ("out_of_proportion", "twist", "concave_wall")
"""Findings that keep a claw from being a reference, also where they rest on a photo that needs a look: a claw that may
be deformed is none."""
METHOD: Final = "linear"
"""How ``numpy.percentile`` goes between two values: of n sorted ones, the one at (n − 1) × percent / 100, in between on
a straight line."""

_STAGES: tuple[Stage, ...] = ("check", "before")
_PAIR: tuple[ClawName, ClawName] = ("outer", "inner")


@dataclass(frozen=True, slots=True)
class Recipe:
    """How one profile value follows from a measure. ``limits`` of the packaged profile bound it where it has them."""

    name: str
    measure: str
    percent: float
    not_below: tuple[str, ...]
    not_above: tuple[str, ...]


_LENGTH_BOUNDS = (("toe_length_floor", "toe_length_minimum"), ("toe_length_flag",))
_ANGLE_BOUNDS = (("toe_angle_shallow",), ("toe_angle_steep",))
RECIPES: tuple[Recipe, ...] = (
    Recipe("toe_length_usual_low", "toe_length", 10.0, (), ("toe_length_flag",)),
    # Not below the minimum: a text says how far a claw is beyond the usual, and that must not point below it.
    Recipe("toe_length_usual_high", "toe_length", 90.0, *_LENGTH_BOUNDS),
    Recipe("toe_length_watch", "toe_length", 95.0, *_LENGTH_BOUNDS),
    Recipe("toe_angle_usual_low", "toe_angle", 10.0, *_ANGLE_BOUNDS),
    Recipe("toe_angle_usual_high", "toe_angle", 90.0, *_ANGLE_BOUNDS),
    Recipe(
        "width_difference_expected",
        "width_difference_percent",
        50.0,
        ("width_difference_low",),
        ("width_difference_high",),
    ),
)
_OF_BOTH_CLAWS = ("width_difference_percent",)
_UNITS = {"toe_length": "mm", "toe_angle": "deg", "width_difference_percent": "percent"}


@dataclass(frozen=True, slots=True)
class Filed:
    """What assessments say that bears on a herd's values: photos, and claws of which a finding was made.

    ``found`` holds animal, foot, claw (None for both) and the finding's code.
    """

    photos: tuple[PhotoFacts, ...]
    found: frozenset[tuple[str, Foot, ClawName | None, str]] = frozenset()


@dataclass(frozen=True, slots=True)
class OnFile:
    """One value: of a claw, or of both claws of a foot."""

    animal: str
    value: float
    day: date | None


def counted(count: int, one: str, many: str) -> str:
    """Return a number with its noun."""
    return f"{count} {one if count == 1 else many}"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """How much is no reference, by why."""

    animals_lame: int = 0
    claws_found: int = 0
    feet_unnamed: int = 0
    feet_of_other_kind: int = 0
    values_disputed: int = 0
    photos_unsure: int = 0
    photos_after_trim: int = 0

    def words(self) -> tuple[str, ...]:
        """Return a phrase for each ground that there is."""
        told = (
            (self.animals_lame, "animal", "animals", f"with a locomotion score of {LAME_FROM} or more, or with signs"),
            (self.claws_found, "claw", "claws", "out of proportion, twisted or with a hollow wall"),
            (self.feet_unnamed, "foot", "feet", "without a name"),
            (self.feet_of_other_kind, "foot", "feet", "of an animal that is named as of another profile"),
            (self.values_disputed, "value", "values", "about which photos disagree"),
            (self.photos_unsure, "photo", "photos", "in need of a look, or refused"),
            (self.photos_after_trim, "photo", "photos", "from after a trim"),
        )
        return tuple(f"{counted(count, one, many)} {which}" for count, one, many, which in told if count)


@dataclass(frozen=True, slots=True)
class HerdClaws:
    """The claws that are a reference: by limb and measure, one value a claw or foot, the latest."""

    values: Mapping[tuple[Limb, str], tuple[OnFile, ...]]
    left_out: LeftOut


@dataclass(frozen=True, slots=True)
class HerdValue:
    """One value of the new profile. ``own`` is None where too few claws are on file and ``base`` stays.

    ``held`` says in words which limit of the packaged profile held the value, and is empty where none did.
    """

    limb: Limb
    recipe: Recipe
    base: ProfileValue
    claws: int
    animals: int
    own: ProfileValue | None
    held: str = ""

    @property
    def on_file(self) -> str:
        """Return how many there are, in words."""
        what = ("foot", "feet") if self.recipe.measure in _OF_BOTH_CLAWS else ("claw", "claws")
        return f"{counted(self.claws, *what)} of {counted(self.animals, 'animal', 'animals')}"


def gather(filed: Iterable[Filed], kinds: Sequence[str]) -> HerdClaws:
    """Gather one value of each measure for each claw: of its latest day, the surest.

    Parameters
    ----------
    filed
        What each assessment says, in any order. An animal has the same name in all of them.
    kinds
        Names of profiles whose animals count; so do animals for which no profile was named.

    Returns
    -------
    HerdClaws
        From photos of status ``measured`` and stage ``check`` or ``before`` alone. An animal that was lame or had
        signs in any of the photos is left out whole: horn that grew then stays on its claws for a year or so.
    """
    parts = list(filed)
    # In an order of their own, each once, so that the order of the assessments cannot bear on the result.
    unique = {repr(photo): photo for part in parts for photo in part.photos}
    photos = [unique[key] for key in sorted(unique)]
    untrimmed = [photo for photo in photos if photo.request.stage in _STAGES]
    measured = [photo for photo in untrimmed if photo.status == "measured"]
    lame = {each.request.animal for each in photos if (each.request.locomotion or 0) >= LAME_FROM or each.request.signs}
    feet = [foot for foot in group_feet(measured) if foot.animal not in lame]
    of_kind = _of_kind(feet, photos, kinds)
    latest = _latest(of_kind)
    found = _found(parts)
    marked = {key: {(key.animal, key.foot, claw) for claw in _claws(key.claw)} & found for key in latest}
    values: dict[tuple[Limb, str], list[OnFile]] = {}
    for key, (day, seen) in latest.items():
        if not marked[key] and not seen.rivals:
            values.setdefault((key.limb, key.measure), []).append(OnFile(key.animal, seen.value, day))
    left_out = LeftOut(
        animals_lame=len(lame),
        claws_found=len(set().union(*marked.values())),
        feet_unnamed=sum(foot.foot is None for foot in feet),
        feet_of_other_kind=sum(foot.foot is not None for foot in feet) - len(of_kind),
        values_disputed=sum(bool(seen.rivals) and not marked[key] for key, (_, seen) in latest.items()),
        photos_unsure=len(untrimmed) - len(measured),
        photos_after_trim=len(photos) - len(untrimmed),
    )
    return HerdClaws(MappingProxyType({key: tuple(each) for key, each in values.items()}), left_out)


@dataclass(frozen=True, slots=True)
class _Key:
    animal: str
    foot: Foot
    claw: ClawName | None
    measure: str

    @property
    def limb(self) -> Limb:
        return "hind" if self.foot.endswith("H") else "fore"


def _claws(claw: ClawName | None) -> tuple[ClawName, ...]:
    return _PAIR if claw is None else (claw,)


def _found(parts: Iterable[Filed]) -> set[tuple[str, Foot, ClawName]]:
    """Return the claws that a finding keeps from being a reference."""
    return {
        (animal, foot, claw)
        for part in parts
        for animal, foot, which, code in part.found
        if code in NO_REFERENCE
        for claw in _claws(which)
    }


def _of_kind(feet: Iterable[FootEvidence], photos: Iterable[PhotoFacts], kinds: Sequence[str]) -> list[FootEvidence]:
    """Return the feet that are named, of animals that no photo of the day names as of another profile."""
    named: dict[tuple[str, date | None], set[str]] = {}
    for photo in photos:
        (alone,) = group_feet([photo])  # tells its day as that of a foot is told
        if alone.profile is not None:
            named.setdefault((alone.animal, alone.taken), set()).add(alone.profile)
    return [
        foot for foot in feet if foot.foot is not None and named.get((foot.animal, foot.taken), set()) <= set(kinds)
    ]


def _latest(feet: Iterable[FootEvidence]) -> dict[_Key, tuple[date | None, Observed]]:
    """Return each measure as last taken, with its day. Feet come in the order of their days, undated ones first."""
    latest: dict[_Key, tuple[date | None, Observed]] = {}
    for foot in feet:
        assert foot.foot is not None  # those that are not were left out
        for claw, name, seen in _values(foot):
            key = _Key(foot.animal, foot.foot, claw, name)
            before = latest.get(key)
            # On one day, of two stages, the surer value counts.
            if before is None or before[0] != foot.taken or seen.uncertainty < before[1].uncertainty:
                latest[key] = (foot.taken, seen)
    return latest


def _values(foot: FootEvidence) -> Iterable[tuple[ClawName | None, str, Observed]]:
    """Give the measures of the recipes: claw (None for both), name, value."""
    for name, unit in _UNITS.items():
        claws: tuple[ClawName | None, ...] = (None,) if name in _OF_BOTH_CLAWS else _PAIR
        for claw in claws:
            seen = (foot.foot_measures if claw is None else foot.claws.get(claw, {})).get(name)
            if seen is not None and seen.unit == unit:
                yield claw, name, seen


def herd_values(claws: HerdClaws, base: Profile) -> tuple[HerdValue, ...]:
    """Return every value of ``base`` that a herd may replace, with the herd's own where enough claws are on file.

    Values are rounded to 0.1 and then held by the limits of ``base``; limits that ``base`` does not know do not hold.
    """
    return tuple(
        _value(claws.values.get((limb, recipe.measure), ()), limb, recipe, base, known)
        for limb in reversed(LIMBS)
        for recipe in RECIPES
        if (known := base.value(limb, recipe.name)) is not None
    )


def _value(sample: Sequence[OnFile], limb: Limb, recipe: Recipe, base: Profile, known: ProfileValue) -> HerdValue:
    animals = len({each.animal for each in sample})
    result = HerdValue(limb, recipe, known, len(sample), animals, None)
    if len(sample) < ENOUGH_CLAWS or animals < ENOUGH_ANIMALS:
        return result
    percentile = float(np.percentile([each.value for each in sample], recipe.percent, method=METHOD))
    # Adding 0.0 turns -0.0 into 0.0.
    found = round(percentile, 1) + 0.0
    floor = max(_known(base, limb, recipe.not_below), key=lambda each: each.value, default=None)
    ceiling = min(_known(base, limb, recipe.not_above), key=lambda each: each.value, default=None)
    value, held = found, ""
    if floor is not None and found < floor.value:
        value, held = floor.value, _held(found, floor, "below", base)
    if ceiling is not None and found > ceiling.value:
        value, held = ceiling.value, _held(found, ceiling, "above", base)
    rank = "median" if recipe.percent == 50.0 else f"{recipe.percent:g}th percentile"
    source = f"{rank} ({METHOD}) of this herd's own {limb} feet: {result.on_file}, {_days(sample)}"
    own = ProfileValue(recipe.name, value, known.unit, f"{source}; {held}" if held else source, "C")
    return HerdValue(limb, recipe, known, len(sample), animals, own, held)


def _known(base: Profile, limb: Limb, names: Sequence[str]) -> list[ProfileValue]:
    return [value for name in names if (value := base.value(limb, name)) is not None]


def _held(found: float, limit: ProfileValue, way: str, base: Profile) -> str:
    return f"{found:g} was found and is held at {limit.value:g}, not {way} {limit.name} of {base.name}"


def _days(sample: Sequence[OnFile]) -> str:
    days = sorted(each.day for each in sample if each.day is not None)
    undated = len(sample) - len(days)
    if not days:
        return "days not known"
    span = f"{days[0]}" if days[0] == days[-1] else f"{days[0]} to {days[-1]}"
    return f"{span}, {undated} without a day" if undated else span


def herd_toml(name: str, base: Profile, values: Sequence[HerdValue]) -> bytes:
    """Return the profile as a TOML file that ``extends`` the base. Names of animals are not in it."""
    own = [(each.limb, each.own) for each in values if each.own is not None]
    lines = [
        f"# Made by clawvision herd: this herd's own percentiles in place of values of {base.name}.",
        "# Status C: computed. What protects (minimum, floor, flag, proportion, twist) stays that profile's.",
        f"name = {_text(name)}",
        f"extends = {_text(base.name)}",
        f"title = {_text(f'{base.title}, usual values of this herd'[:200])}",
        f"note = {_text(f'What is not given here is taken from {base.name}.')}",
    ]
    for limb, value in own:
        lines += [
            "",
            f"[{limb}.{value.name}]",
            f"value = {value.value:g}",
            f"source = {_text(value.source)}",
            f"status = {_text(value.status)}",
        ]
    return ("\n".join(lines) + "\n").encode("utf-8")


def _text(words: str) -> str:
    """Return a TOML basic string; JSON's escapes are TOML's too."""
    return json.dumps(words, ensure_ascii=False)
