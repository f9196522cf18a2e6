"""The shape of a foot as numbers: what is drawn at random for each scene, within what range, and from which family.

A claw's frame, mm: x from the heel to the toe, y to the abaxial side, z up from the bearing plane; the bearing surface
starts near x = 0. Ranges are ours (status J of the references: judged, from published lengths and from pictures).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from clawvision.types import FloatArray


@dataclass(frozen=True, slots=True)
class ClawShape:
    """One claw. Lengths in mm, angles in degrees, shares without unit.

    The coronet runs from the bulb's top B (``bulb_x``, ``bulb_z``) to the coronet point C (``coronet_x``,
    ``coronet_z``). ``toe_length`` is the straight distance from C to the toe tip's end of the dorsal border.
    """

    toe_length: float
    coronet_x: float
    coronet_z: float
    bulb_x: float
    bulb_z: float
    bulb_depth: float
    """How far the bulb stands out behind B."""
    bulb_belly: float
    """Height of the bulb's rearmost point as a share of ``bulb_z``."""
    hollow: float
    """How far the dorsal border falls below the chord C–T, negative where it bulges."""
    toe_lift: float
    lift_from: float
    """Where along the bearing length the toe begins to lift, as a share."""
    tip_thickness: float
    tip_round: float
    width: float
    heel_round: float
    """Length over which the heel rounds, mm."""
    taper_from: float
    taper: float
    taper_power: float
    toe_round: float
    axial_sweep: float
    """How far the midline leans to the abaxial side behind the toe, mm."""
    turn_in: float
    """Sideways travel of the toe towards the cleft, mm (negative: away from it)."""
    undercut: float
    """Share of the width by which the bearing edge lies inside the widest place of the wall."""
    slope_abaxial: float
    slope_axial: float
    """Lean of the walls: mm sideways (towards the claw's middle) for each mm of height."""
    ridge: float
    """Exponent of the section above the dorsal wall: small is boxy, 1 is round."""
    sole_hollow: float
    helical_twist: float
    rough: float
    """Amplitude of the horn's unevenness, mm."""
    rough_seed: float


@dataclass(frozen=True, slots=True)
class FootShape:
    """Two claws and how they stand to each other, and the leg above. ``pastern_deg`` and ``cannon_deg`` are measured
    from the bearing plane's rear half: 90 upright, less leaning back over the heels.
    """

    outer: ClawShape
    inner: ClawShape
    gap: float
    splay_outer: float
    splay_inner: float
    roll_outer: float
    roll_inner: float
    shift: float
    """How far the inner claw stands before the outer one, mm."""
    pastern_deg: float
    pastern_length: float
    cannon_deg: float
    leg_scale: float
    hair_overhang: float
    """How far hair tips hang over the coronet, mm."""
    hair_amount: float
    dewclaw: float
    family: str = ""


def claw_vector(claw: ClawShape) -> FloatArray:
    """Return a claw's numbers in the order of its fields, float64 (K,)."""
    return np.array([getattr(claw, field.name) for field in fields(claw)])


CLAW_FIELDS: tuple[str, ...] = tuple(field.name for field in fields(ClawShape))

TRAINED_FAMILIES = ("sound", "long", "uneven", "curled", "twisted", "crossing", "short", "wide")
HELD_OUT_FAMILIES = ("slipper", "spindle", "beaked")
_HEEL = ("coronet_x", "coronet_z", "bulb_x", "bulb_z")
_SHARES = (0.3, 0.2, 0.15, 0.07, 0.12, 0.06, 0.06, 0.04)
_GROWTH = {"even": 0.4, "uneven": 0.15, "overgrown": 0.45}
"""How often feet of held-out build have both toes of usual length, one, and none: as often as those of training."""


def _claw(rng: np.random.Generator, family: str, *, overgrown: bool = True) -> ClawShape:
    """Draw a claw; one of a held-out family has its build at the usual length too, unless ``overgrown``."""
    uniform = rng.uniform
    coronet_z = float(np.clip(rng.normal(62.0, 6.5), 44.0, 84.0))
    coronet_x = float(np.clip(rng.normal(67.0, 5.0), 50.0, 84.0))
    toe_length = float(np.clip(rng.normal(78.0, 9.0), 62.0, 112.0))
    lift, lift_from, hollow, turn_in, helix = 0.0, uniform(0.5, 0.8), rng.normal(0.0, 1.0), rng.normal(0.0, 2.5), 0.0
    width = float(np.clip(rng.normal(53.0, 5.5), 38.0, 70.0))
    taper = uniform(0.5, 0.82)
    power = uniform(1.5, 2.8)
    ridge = uniform(0.35, 0.8)
    if rng.random() < 0.35:
        helix = uniform(0.0, 60.0) * uniform(0.0, 1.0)
    if family in ("long", "curled", "crossing") or (family in HELD_OUT_FAMILIES and overgrown):
        toe_length = uniform(95.0, 170.0)
        hollow = uniform(-2.0, 7.0)
        lift = max(0.0, uniform(-0.1, 0.2) * (toe_length - 90.0))
        lift_from = uniform(0.3, 0.75)
    if family == "curled":
        toe_length = uniform(120.0, 220.0)
        lift, lift_from, hollow = uniform(0.1, 0.45) * (toe_length - 60.0), uniform(0.25, 0.6), uniform(2.0, 14.0)
    if family == "twisted":
        helix = uniform(8.0, 60.0)
        toe_length = uniform(75.0, 165.0)
        hollow, turn_in = uniform(0.0, 9.0), uniform(-3.0, 18.0)
        lift = uniform(0.0, 22.0)
        width *= uniform(0.8, 1.0)
        if rng.random() < 0.5:  # a slender, round toe: its turn shows in ridge, rings and the sole's edge alone
            taper, ridge = uniform(0.7, 0.88), uniform(0.7, 1.0)
    if family == "crossing":
        turn_in = uniform(8.0, 40.0)
    if family == "short":
        toe_length = uniform(55.0, 72.0)
    if family == "wide":
        width, taper = uniform(56.0, 74.0), uniform(0.3, 0.5)
    if family == "slipper":  # broad and flat
        width, taper, coronet_z = uniform(56.0, 68.0), uniform(0.35, 0.5), uniform(46.0, 56.0)
    if family == "spindle":  # narrow; where it is long, twisted a little
        width, taper, power = uniform(36.0, 46.0), uniform(0.6, 0.8), uniform(1.1, 1.5)
        helix = uniform(0.0, 25.0) if overgrown else helix
    if family == "beaked" and overgrown:  # the wall bulges and turns down to the toe
        hollow, lift, turn_in, helix = uniform(-8.0, -2.5), 0.0, uniform(0.0, 15.0), uniform(0.0, 45.0)
    elif family == "beaked":
        hollow = uniform(-5.0, -1.5)
    bulb_z = float(np.clip(rng.normal(32.0, 6.5), 16.0, coronet_z - 8.0))
    claw = ClawShape(
        toe_length=toe_length,
        coronet_x=coronet_x,
        coronet_z=coronet_z,
        bulb_x=uniform(-8.0, -1.0),
        bulb_z=bulb_z,
        bulb_depth=uniform(4.0, 12.0),
        bulb_belly=uniform(0.35, 0.65),
        hollow=float(hollow),
        toe_lift=float(lift),
        lift_from=lift_from,
        tip_thickness=uniform(0.5, 8.0) * uniform(0.3, 1.0),
        tip_round=uniform(0.6, 5.0),
        width=width,
        heel_round=uniform(18.0, 34.0),
        taper_from=uniform(0.22, 0.48),
        taper=taper,
        taper_power=power,
        toe_round=uniform(6.0, 15.0),
        axial_sweep=uniform(0.0, 12.0),
        turn_in=float(turn_in),
        undercut=uniform(0.0, 0.14),
        slope_abaxial=uniform(0.02, 0.35),
        slope_axial=uniform(-0.08, 0.16),
        ridge=ridge,
        sole_hollow=uniform(-0.5, 4.0),
        helical_twist=float(helix),
        rough=abs(rng.normal(0.0, 0.5)),
        rough_seed=uniform(0.0, 100.0),
    )
    return _sloping(claw)


def _sloping(claw: ClawShape) -> ClawShape:
    """Return a claw whose toe is long enough for its height: the dorsal wall stands at 65° at the most."""
    return replace(claw, toe_length=max(claw.toe_length, (claw.coronet_z - claw.toe_lift) * 1.1))


def _alike(rng: np.random.Generator, claw: ClawShape, spread: float) -> ClawShape:
    """Return the partner of a claw: the same build with small differences."""
    values = {}
    for name in CLAW_FIELDS:
        values[name] = float(getattr(claw, name) * (1.0 + spread * rng.normal()))
    values["turn_in"] = float(claw.turn_in + rng.normal(0.0, 2.0))
    values["helical_twist"] = max(0.0, float(claw.helical_twist + rng.normal(0.0, 2.0))) if claw.helical_twist else 0.0
    values["rough_seed"] = rng.uniform(0.0, 100.0)
    values["bulb_z"] = min(values["bulb_z"], values["coronet_z"] - 8.0)
    return _sloping(ClawShape(**values))


def _trained_claws(rng: np.random.Generator) -> tuple[str, ClawShape, ClawShape]:
    family = str(rng.choice(TRAINED_FAMILIES, p=_SHARES))
    outer = _claw(rng, family)
    if family == "uneven" or rng.random() < 0.2:
        other = "sound" if rng.random() < 0.6 else str(rng.choice(TRAINED_FAMILIES, p=_SHARES))
        inner = _on_heels_of(rng, outer, _claw(rng, "long" if family == "uneven" else other))
    else:
        inner = _alike(rng, outer, 0.03)
    return (family, inner, outer) if rng.random() < 0.5 else (family, outer, inner)


def _held_out_claws(rng: np.random.Generator) -> tuple[str, ClawShape, ClawShape]:
    family = str(rng.choice(HELD_OUT_FAMILIES))
    growth = str(rng.choice(list(_GROWTH), p=list(_GROWTH.values())))
    outer = _claw(rng, family, overgrown=growth == "overgrown")
    partner = _on_heels_of(rng, outer, _claw(rng, family)) if growth == "uneven" else _alike(rng, outer, 0.03)
    return (family, partner, outer) if rng.random() < 0.5 else (family, outer, partner)


def _on_heels_of(rng: np.random.Generator, outer: ClawShape, inner: ClawShape) -> ClawShape:
    """Return a claw on the heel of its partner: heels of one foot are of one build, whatever has become of the toes."""
    base = _alike(rng, outer, 0.03)
    return _sloping(replace(inner, **{name: getattr(base, name) for name in _HEEL}))


def sample_foot(rng: np.random.Generator, *, held_out: bool, lifted: bool) -> FootShape:
    """Draw a foot.

    Parameters
    ----------
    rng
        Source of chance; the same state gives the same foot.
    held_out
        Draw from the families that training never sees, else only from the others.
    lifted
        A lifted foot, its pastern bent back over the heels.
    """
    uniform = rng.uniform
    if held_out:
        family, outer, inner = _held_out_claws(rng)
    else:
        family, outer, inner = _trained_claws(rng)
    splay = abs(rng.normal(0.0, 4.0)) - 1.0
    pastern = uniform(20.0, 75.0) if lifted else uniform(58.0, 92.0)
    return FootShape(
        outer=outer,
        inner=inner,
        gap=float(uniform(0.0, 5.0) if rng.random() < 0.7 else uniform(5.0, 24.0)),
        splay_outer=float(splay * uniform(0.2, 0.8) + rng.normal(0.0, 1.0)),
        splay_inner=float(splay * uniform(0.2, 0.8) + rng.normal(0.0, 1.0)),
        roll_outer=float(rng.normal(0.0, 3.0)),
        roll_inner=float(rng.normal(0.0, 3.0)),
        shift=float(rng.normal(0.0, 2.5)),
        pastern_deg=float(pastern),
        pastern_length=uniform(75.0, 115.0),
        cannon_deg=float(uniform(-5.0, 60.0) if lifted else uniform(80.0, 100.0)),
        leg_scale=uniform(0.88, 1.12),
        hair_overhang=float(uniform(0.5, 6.5)),
        hair_amount=uniform(0.1, 1.0),
        dewclaw=uniform(0.6, 1.3),
        family=family,
    )
