"""What a claw's rate says against the profile, and against its partner. Three-valued, never inside the uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from clawvision.findings.profiles import Profile, ProfileValue
from clawvision.growth.herd import HerdGrowth
from clawvision.growth.rate import Estimate, Z
from clawvision.growth.series import ClawKey, limb_of
from clawvision.types import State

MONTHS_TO_ADD_UP = 5.0
"""A trim lasts 4 to 6 months (common practice): how long a difference of rates has to add up."""

Code = Literal["growth_above_high", "growth_below_low", "growth_beyond_belief", "growth_over_partner"]

_WALL_ONLY = "A rate is growth less wear, so that much wear explains it too."


@dataclass(frozen=True, slots=True)
class Comparison:
    """A rate, or a difference of two, against a limit.

    ``shown`` only where the whole interval of 95 % lies beyond the limit, ``not shown`` only where it all lies within.
    ``value`` is None where there is nothing to compare. ``source`` and ``status`` are the limit's.
    """

    code: Code
    key: ClawKey
    state: State
    value: Estimate | None
    limit: float | None
    source: str
    status: str
    text: str
    also_explained_by: str = ""


def compare_with_profile(key: ClawKey, rate: Estimate | None, profile: Profile) -> tuple[Comparison, ...]:
    """Compare a rate with the profile's growth_high, growth_low and lengthening_most.

    Wall growth bounds a rate from above only: a claw that lengthens slowly may wear fast, and the text says so.
    """
    limb = limb_of(key[1])
    high, low = profile.value(limb, "growth_high"), profile.value(limb, "growth_low")
    most = profile.value(limb, "lengthening_most")
    return (
        _against(
            "growth_above_high",
            key,
            rate,
            high,
            above=True,
            text="It grows longer faster than walls grow at most, even without any wear.",
            also="A claw that is spared wears less and may grow faster: look for a cause. Or a photo shows another "
            "claw, has a wrong scale or another landmark.",
        ),
        _against(
            "growth_below_low",
            key,
            rate,
            low,
            above=False,
            text="It grows longer more slowly than walls grow.",
            also=_WALL_ONLY + " Or a trim was not noted.",
        ),
        _against(
            "growth_beyond_belief",
            key,
            rate,
            most,
            above=True,
            text="It seems to grow longer faster than can be believed: check claw, day, card and landmarks.",
            also="An error in a photo is likelier than such growth.",
        ),
    )


def difference(one: Estimate, two: Estimate, covariance: float = 0.0) -> Estimate:
    """Return the first rate less the second; ``covariance`` is that of their errors (`HerdGrowth.covariance`)."""
    variance = one.u_normal**2 + two.u_normal**2 - 2 * covariance
    u = math.sqrt(max(variance, 0.0))
    value = one.value - two.value
    return Estimate(value, u, value - Z * u, value + Z * u)


def compare_partners(herd: HerdGrowth, one: ClawKey, two: ClawKey, profile: Profile) -> Comparison:
    """Compare two claws of a foot: is the difference of their rates beyond its uncertainty?

    What both share in the prediction, the cow's part and the herd's mean, cancels. ``not shown`` needs the whole
    interval within what adds up to the profile's length_difference_watch between two trims: that no difference was
    seen is no sign that there is none.
    """
    rates = {claw.key: claw.estimate for claw in herd.claws}
    first, second = rates.get(one), rates.get(two)
    watch = profile.value(limb_of(one[1]), "length_difference_watch")
    margin = None if watch is None else watch.value / MONTHS_TO_ADD_UP
    if first is None or second is None:
        text = "One of the two claws has no rate."
        return Comparison("growth_over_partner", one, "cannot tell", None, margin, *_basis(watch), text)
    apart = difference(first, second, herd.covariance(one, two))
    state: State = "cannot tell"
    text = "The two claws' rates are too uncertain to say whether they differ."
    if apart.low > 0 or apart.high < 0:
        faster, slower = (one, two) if apart.value > 0 else (two, one)
        state = "shown"
        text = (
            f"The {faster[2]} claw grows longer faster than the {slower[2]} one, by {abs(apart.value):.1f} mm a month."
        )
    elif margin is not None and -margin < apart.low and apart.high < margin:
        state = "not shown"
        text = f"The two claws' rates differ by less than {margin:.1f} mm a month."
    also = "The slower claw wears more, or bears more of the weight." if state == "shown" else ""
    return Comparison("growth_over_partner", one, state, apart, margin, *_basis(watch), text, also)


def _basis(limit: ProfileValue | None) -> tuple[str, str]:
    if limit is None:
        return "", ""
    return f"{limit.name} over {MONTHS_TO_ADD_UP:g} months between trims; {limit.source}", limit.status


def _against(
    code: Code, key: ClawKey, rate: Estimate | None, limit: ProfileValue | None, *, above: bool, text: str, also: str
) -> Comparison:
    source, status = (limit.source, limit.status) if limit else ("", "")
    bound = limit.value if limit else None
    state: State = "cannot tell"
    said = "The claw has no rate." if rate is None else "The profile knows no such limit."
    if rate is not None and bound is not None:
        beyond = rate.low > bound if above else rate.high < bound
        within = rate.high <= bound if above else rate.low >= bound
        state = "shown" if beyond else "not shown" if within else "cannot tell"
        said = text if beyond else f"{'Not above' if above else 'Not below'} {bound:g} mm a month."
        if state == "cannot tell":
            said = f"The interval of the rate holds the limit of {bound:g} mm a month."
    return Comparison(code, key, state, rate, bound, source, status, said, also if state == "shown" else "")
