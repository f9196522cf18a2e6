"""How fast a store's claws grow longer, and which feet are due: from rows to what `clawvision.growth` says of them.

Pure, and needs no extra package.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby
from operator import attrgetter
from types import MappingProxyType
from typing import Literal, get_args

from clawvision.findings.profiles import DEFAULT_PROFILE, Profile
from clawvision.growth import (
    ClawKey,
    Comparison,
    Forecast,
    HerdClaw,
    HerdGrowth,
    ToeReading,
    ToeSeries,
    claw_rate,
    compare_partners,
    compare_with_profile,
    due_kind,
    due_list,
    forecasts,
    group_by_animal,
    herd_growth,
    limb_of,
)
from clawvision.history.rows import StoredAnimal, ToeLength
from clawvision.types import ClawName, Foot

LimitName = Literal["watch", "flag"]
"""Which length of the profile a forecast goes to: toe_length_watch or toe_length_flag."""

_FOOT = attrgetter("animal", "foot")
_CLAW = attrgetter("claw")


@dataclass(frozen=True, slots=True)
class ClawReadings:
    """What is stored of a claw's toe lengths.

    Attributes
    ----------
    series
        The readings that count, with standard uncertainties, and the trims that the foot's photos tell of.
    profile
        As the latest photo names it, None where it names none.
    review
        Photos left out since a person has to look at them first.
    unusable
        Photos left out since their length or uncertainty is none, such as an uncertainty of 0.
    """

    series: ToeSeries
    profile: str | None
    review: int
    unusable: int

    @property
    def profile_name(self) -> str:
        """Return the profile's name, that of the default one where none is named."""
        return self.profile or DEFAULT_PROFILE


@dataclass(frozen=True, slots=True, eq=False)
class HerdHistory:
    """The growth of a store's claws.

    Attributes
    ----------
    readings, claws
        By animal, foot and claw; the same place in both is the same claw.
    herds
        What the claws of one profile tell together, by the profile's name: heifers and cows are not one herd.
    profiles
        Those that are known here. A claw may name one that is not.
    """

    readings: tuple[ClawReadings, ...]
    claws: tuple[HerdClaw, ...]
    herds: Mapping[str, HerdGrowth]
    profiles: Mapping[str, Profile]


@dataclass(frozen=True, slots=True)
class ClawGrowth:
    """All that is said of one claw's growth; ``of`` is the number of claws that its ranks count among."""

    readings: ClawReadings
    claw: HerdClaw
    of: int
    comparisons: tuple[Comparison, ...]
    forecast: Forecast

    @property
    def trim_days(self) -> frozenset[date]:
        """The days on which a trim is known: those noted, and those of photos from before or after one."""
        series = self.readings.series
        return frozenset(series.trims) | {each.day for each in series.readings if each.stage != "check"}

    @property
    def between_trims(self) -> tuple[tuple[ToeReading, ...], ...]:
        """The readings in parts between trims; in a drawing lines join only those of one part."""
        cut = {(each.last, each.next) for each in self.claw.own.breaks}
        parts: list[list[ToeReading]] = []
        for each in self.readings.series.readings:
            before = parts[-1][-1] if parts else None
            same = before is not None and (before.day, before.stage) == (each.day, each.stage)
            if before is None or (not same and (before.day, each.day) in cut):
                parts.append([])
            parts[-1].append(each)
        return tuple(map(tuple, parts))


@dataclass(frozen=True, slots=True)
class FootGrowth:
    """The claws of a foot, the comparison of partners where there are two, and what its herd's fit says of itself."""

    animal: str
    foot: Foot
    claws: tuple[ClawGrowth, ...]
    partners: Comparison | None
    profile: Profile | None
    profile_name: str
    assumed: bool
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FootDue:
    """A foot of the due list: its claws worst first. ``foot`` is None for an animal without any toe length."""

    animal: str
    foot: Foot | None
    claws: tuple[Forecast, ...]
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DueFeet:
    """Which feet are due by a day: ``due`` worst first, ``unknown`` by name, and how many are ``later``."""

    by: date
    due: tuple[FootDue, ...]
    unknown: tuple[FootDue, ...]
    later: int


def claw_readings(
    rows: Iterable[ToeLength], until: date | None = None, least_u_mm: float = 0.0
) -> tuple[ClawReadings, ...]:
    """Gather rows, which lie by animal, foot and claw, to claws.

    Stored uncertainties are expanded (k = 2); half of them are standard ones. A photo that a person has to look at
    first is left out and counted. A foot is trimmed as a whole: the days that any of its photos notes count for both
    claws, and so do those of photos from before or after a trim, also where these are left out or show the other claw.

    Parameters
    ----------
    rows
        As `clawvision.history.store.toe_lengths` returns them.
    until
        Photos taken later do not count at all.
    least_u_mm
        Standard uncertainty below which no length is taken, from repeated photos.
    """
    found = []
    for _, of_foot in groupby(rows, key=_FOOT):
        known = [row for row in of_foot if until is None or row.day <= until]
        noted = {row.trimmed for row in known if row.trimmed is not None and (until is None or row.trimmed <= until)}
        staged = {row.day for row in known if row.stage != "check"}
        found += [_claw(tuple(group), noted, staged, least_u_mm) for _, group in groupby(known, key=_CLAW)]
    return tuple(found)


def _claw(
    rows: Sequence[ToeLength], noted: AbstractSet[date], staged: AbstractSet[date], least_u_mm: float
) -> ClawReadings:
    readings: list[ToeReading] = []
    review = unusable = 0
    for row in rows:
        if row.status != "measured":
            review += 1
        elif not (0 < row.value < math.inf and 0 < row.uncertainty < math.inf):
            unusable += 1
        else:
            u = max(row.uncertainty / 2, least_u_mm)
            readings.append(ToeReading(row.day, row.value, u, row.stage, ""))
    last = rows[-1]
    if staged:
        noted = noted | (staged - {each.day for each in readings if each.stage != "check"})
    series = ToeSeries(last.animal, last.foot, last.claw, tuple(readings), tuple(noted))
    return ClawReadings(series, last.profile, review, unusable)


def herd_history(readings: Sequence[ClawReadings], profiles: Mapping[str, Profile]) -> HerdHistory:
    """Fit each claw's rate, and together those of all claws of one profile, fore and hind apart by their means.

    Parameters
    ----------
    readings
        Each claw once.
    profiles
        The known profiles. A claw of another one has a rate, but nothing to compare it with.
    """
    places: dict[str, list[int]] = {}
    for place, each in enumerate(readings):
        places.setdefault(each.profile_name, []).append(place)
    claws: dict[int, HerdClaw] = {}
    herds: dict[str, HerdGrowth] = {}
    for name in sorted(places):
        profile = profiles.get(name)
        shortening = {limb: _value(profile, limb, "shortening_most") for limb in ("fore", "hind")}
        rates = [
            claw_rate(readings[place].series, shortening[limb_of(readings[place].series.foot)])
            for place in places[name]
        ]
        herds[name] = herd_growth(rates)
        claws.update(zip(places[name], herds[name].claws, strict=True))
    return HerdHistory(
        tuple(readings),
        tuple(claws[place] for place in range(len(readings))),
        MappingProxyType(herds),
        MappingProxyType(dict(profiles)),
    )


def limit_forecasts(herd: HerdHistory, limit: LimitName = "watch") -> tuple[Forecast, ...]:
    """Forecast when each claw reaches its profile's toe_length_watch, or toe_length_flag."""
    name = f"toe_length_{limit}"
    known: dict[tuple[str, str], float | None] = {}
    limits = []
    for each in herd.readings:
        place = (each.profile_name, limb_of(each.series.foot))
        if place not in known:
            known[place] = _value(herd.profiles.get(each.profile_name), place[1], name)
        limits.append(known[place])
    made = forecasts(herd.claws, limits)
    return tuple(
        replace(row, reason=_strange(each.profile_name))
        if row.limit_mm is None and each.profile_name not in herd.profiles
        else row
        for row, each in zip(made, herd.readings, strict=True)
    )


def foot_growth(
    herd: HerdHistory,
    animal: str,
    foot: Foot | None = None,
    limit: LimitName = "watch",
    seen: Iterable[Foot | None] = (),
) -> tuple[FootGrowth, ...]:
    """Return what is said of an animal's feet, or of one of them, in their usual order.

    ``seen`` names feet of which something else is stored: they come too, without claws where no length is known.
    """
    told = limit_forecasts(herd, limit)
    feet: dict[Foot, list[int]] = {each: [] for each in seen if each is not None and foot in (None, each)}
    for place, one in enumerate(herd.readings):
        if one.series.animal == animal and foot in (None, one.series.foot):
            feet.setdefault(one.series.foot, []).append(place)
    return tuple(_foot(herd, told, animal, which, feet[which]) for which in get_args(Foot) if which in feet)


def herd_feet(herd: HerdHistory, limit: LimitName = "watch") -> Mapping[tuple[str, Foot], FootGrowth]:
    """Return what is said of every foot of a herd, by animal and foot."""
    told = limit_forecasts(herd, limit)
    feet: dict[tuple[str, Foot], list[int]] = {}
    for place, one in enumerate(herd.readings):
        feet.setdefault((one.series.animal, one.series.foot), []).append(place)
    return MappingProxyType({key: _foot(herd, told, *key, places) for key, places in feet.items()})


def due_feet(told: Iterable[Forecast], by: date, seen: Iterable[StoredAnimal] = ()) -> DueFeet:
    """Return which feet are due by a day.

    A foot is due where a claw is beyond the limit, or may be by that day: where the early end of its interval is not
    later. Otherwise it is unknown where one of its claws is, since unknown is not fine, and so are the animals and
    feet of which photos are stored but no toe length; all others are later.

    Parameters
    ----------
    told
        Of each claw one forecast, in any order.
    by
        The day.
    seen
        All animals of the store.
    """
    due: list[FootDue] = []
    unknown: list[FootDue] = []
    later = 0
    feet: dict[str, int] = {}
    for animal in group_by_animal(due_list(told)):
        feet[animal.animal] = len(animal.feet)
        for each in animal.feet:
            row = FootDue(each.animal, each.foot, each.claws, _reasons(each.claws))
            first = each.claws[0]
            if first.beyond == "shown" or (first.early is not None and first.early <= by):
                due.append(row)
            elif any(due_kind(claw) == "unknown" for claw in each.claws):
                unknown.append(row)
            else:
                later += 1
    for one in seen:
        missing = one.feet - feet.get(one.animal, 0)
        if one.animal not in feet:
            unknown.append(FootDue(one.animal, None, (), ("No toe length of a named foot on a known day is stored.",)))
        elif missing > 0:
            words = "One more foot has" if missing == 1 else f"{missing} more feet have"
            unknown.append(FootDue(one.animal, None, (), (f"{words} photos but no toe length.",)))
    # Each foot at its own place, not at that of the animal's worst one.
    order = {row.key: place for place, row in enumerate(due_list(claw for foot in due for claw in foot.claws))}
    due.sort(key=lambda row: order[row.claws[0].key])
    unknown.sort(key=lambda row: (row.animal, row.foot or "~"))
    return DueFeet(by, tuple(due), tuple(unknown), later)


def _foot(herd: HerdHistory, told: Sequence[Forecast], animal: str, foot: Foot, places: Sequence[int]) -> FootGrowth:
    if not places:
        return FootGrowth(animal, foot, (), None, None, "", False, ())
    last = max(places, key=lambda place: _last_day(herd.readings[place]))
    name = herd.readings[last].profile_name
    profile = herd.profiles.get(name)
    claws = []
    for place in sorted(places, key=lambda place: get_args(ClawName).index(herd.readings[place].series.claw)):
        readings, claw = herd.readings[place], herd.claws[place]
        own = herd.profiles.get(readings.profile_name)
        comparisons = () if own is None else compare_with_profile(claw.key, claw.estimate, own)
        of = sum(each.own.estimate is not None for each in herd.herds[readings.profile_name].claws)
        claws.append(ClawGrowth(readings, claw, of, comparisons, told[place]))
    partners = None
    keys: dict[str, ClawKey] = {each.claw.key[2]: each.claw.key for each in claws}
    same = len({each.readings.profile_name for each in claws}) == 1
    if profile is not None and same and {"outer", "inner"} <= set(keys):
        partners = compare_partners(herd.herds[name], keys["outer"], keys["inner"], profile)
    return FootGrowth(
        animal=animal,
        foot=foot,
        claws=tuple(claws),
        partners=partners,
        profile=profile,
        profile_name=name,
        assumed=herd.readings[last].profile is None,
        notes=herd.herds[name].notes,
    )


def _last_day(readings: ClawReadings) -> date:
    return readings.series.readings[-1].day if readings.series.readings else date.min


def _reasons(claws: Sequence[Forecast]) -> tuple[str, ...]:
    return tuple(f"{claw.key[2]}: {claw.reason}" for claw in claws if claw.reason is not None)


def _strange(name: str) -> str:
    return f"The profile {name} is not known here: give its folder with --profiles."


def _value(profile: Profile | None, limb: str, name: str) -> float | None:
    found = None if profile is None else profile.value("fore" if limb == "fore" else "hind", name)
    return None if found is None else found.value
