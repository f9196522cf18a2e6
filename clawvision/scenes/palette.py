"""The families and ranges that appearances are drawn from. Colours are written as sRGB from 0 to 255."""

from __future__ import annotations

import numpy as np

from clawvision.scenes.appearance import Array, Coat, Dirt, Horn, Light, Sky, Surface, Things
from clawvision.scenes.surface_families import HELD_OUT_SURFACES, SURFACES, SurfaceFamily, pattern_index

Rng = np.random.Generator
Colour = tuple[float, float, float]

FAMILY_KINDS = ("ground", "wall", "coat", "horn", "rig")
_FREE_PATTERNS = ("none", "boards", "slats", "studs", "stones", "blades", "ribs")
_RARE = {"white_studio": 0.35, "black_studio": 0.35, "concrete": 1.5, "wet_concrete": 1.5}
"""Weights of families that are drawn more or less often than the rest."""

_COATS: dict[str, tuple[Colour, Colour, Colour]] = {
    # base, patches, single hairs
    "black": ((26, 24, 25), (38, 33, 30), (58, 52, 48)),
    "white": ((206, 202, 196), (226, 222, 214), (150, 146, 142)),
    "grey": ((128, 126, 124), (96, 95, 94), (182, 180, 178)),
    "red_brown": ((112, 58, 34), (86, 42, 26), (158, 98, 66)),
    "dark_brown": ((58, 40, 31), (40, 28, 24), (92, 68, 52)),
    "dun": ((168, 130, 92), (142, 106, 74), (206, 176, 140)),
    "black_white": ((30, 28, 28), (204, 199, 192), (64, 60, 58)),
    "roan": ((120, 84, 72), (170, 150, 140), (206, 198, 192)),
    "cream": ((216, 198, 166), (196, 172, 134), (234, 222, 198)),
    "red_white": ((124, 62, 38), (208, 200, 190), (166, 110, 80)),
}
_HELD_OUT_COATS = frozenset({"roan", "cream", "red_white"})

_HORNS: dict[str, tuple[Colour, Colour, Colour]] = {
    # wall, second colour, toe
    "slate": ((54, 54, 57), (84, 84, 88), (46, 45, 47)),
    "blue_grey": ((116, 124, 130), (84, 92, 100), (138, 142, 142)),
    "amber": ((164, 122, 76), (120, 82, 48), (190, 152, 104)),
    "cream": ((202, 178, 146), (166, 136, 104), (216, 198, 168)),
    "brown_to_pale": ((92, 68, 50), (66, 48, 36), (182, 156, 122)),
    "brown": ((96, 78, 64), (66, 54, 46), (84, 68, 56)),
    "grey": ((124, 118, 110), (88, 84, 80), (140, 134, 124)),
    "two_tone": ((60, 56, 54), (184, 160, 130), (70, 64, 60)),
    "striped": ((196, 178, 150), (74, 66, 58), (188, 170, 142)),
    "pale_to_dark": ((188, 164, 132), (150, 124, 96), (58, 52, 48)),
    "olive": ((104, 100, 80), (74, 72, 58), (132, 126, 100)),
}
_HELD_OUT_HORNS = frozenset({"pale_to_dark", "olive"})

_RIGS = ("sun", "overcast", "lamp", "flash", "window", "mixed", "low_sun", "blue_shade", "tubes")
_HELD_OUT_RIGS = frozenset({"low_sun", "blue_shade", "tubes"})

_GLOVES: tuple[Colour, ...] = (
    (226, 226, 222),
    (206, 204, 196),
    (62, 92, 168),
    (88, 128, 196),
    (34, 34, 36),
    (70, 72, 74),
    (52, 104, 66),
    (104, 150, 108),
    (206, 146, 52),
    (150, 60, 58),
    (176, 168, 146),
    (196, 172, 206),
)
_SKINS: tuple[Colour, ...] = (
    (232, 194, 170),
    (220, 172, 142),
    (198, 148, 116),
    (160, 110, 80),
    (118, 78, 56),
    (78, 52, 40),
    (218, 162, 146),
)
_SLEEVES: tuple[Colour, ...] = (
    (66, 88, 120),
    (40, 54, 82),
    (52, 50, 50),
    (130, 40, 36),
    (60, 82, 56),
    (190, 188, 180),
    (112, 96, 70),
    (204, 110, 38),
    (88, 92, 96),
)
_PAINTS: tuple[Colour, ...] = (
    (186, 42, 36),
    (40, 92, 170),
    (38, 112, 62),
    (214, 168, 44),
    (150, 152, 154),
    (90, 94, 98),
    (220, 220, 216),
    (44, 46, 48),
    (206, 104, 36),
)


def families(kind: str, *, held_out: bool) -> tuple[str, ...]:
    """Return the names of a kind's families: those for training, or those kept for judging.

    Raises
    ------
    KeyError
        For a ``kind`` that is not among `FAMILY_KINDS`.
    """
    names, kept = {
        "ground": ([n for n, f in SURFACES.items() if f.ground], HELD_OUT_SURFACES),
        "wall": ([n for n, f in SURFACES.items() if f.wall], HELD_OUT_SURFACES),
        "coat": (list(_COATS), _HELD_OUT_COATS),
        "horn": (list(_HORNS), _HELD_OUT_HORNS),
        "rig": (list(_RIGS), _HELD_OUT_RIGS),
    }[kind]
    return tuple(name for name in names if (name in kept) == held_out)


def draw_family(rng: Rng, kind: str, held_out: bool) -> str:
    """Draw one of a kind's families."""
    names = families(kind, held_out=held_out)
    weights = np.array([_RARE.get(name, 1.0) for name in names])
    return str(rng.choice(names, p=weights / weights.sum()))


def linear(colour: Colour | Array) -> Array:
    """Return a colour of sRGB, 0 to 255, as linear RGB, 0 to 1 (IEC 61966-2-1)."""
    value = np.asarray(colour, dtype=np.float64) / 255
    value = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.clip(value, 0.003, 0.92).astype(np.float32)


def varied(rng: Rng, colour: Colour | Array, spread: float = 0.16, hue: float = 0.05) -> Array:
    """Return a colour of sRGB as linear RGB with a random change of lightness and, mostly to warm or cool, of hue."""
    warm, green = rng.normal(0, hue), rng.normal(0, 0.3 * hue)
    value = np.asarray(colour, dtype=np.float64) * np.exp(rng.normal(0, spread)) * np.exp([warm, green, -warm])
    grey = value.mean()
    return linear(np.clip(grey + (value - grey) * rng.uniform(0.6, 1.3), 3, 246).astype(np.float32))


def surface(rng: Rng, name: str, *, upright: bool = False) -> Surface[Array]:
    """Draw one ground or wall of a family."""
    family = SURFACES[name]
    if family.free:
        return _free_surface(rng)
    body = rng.choice(len(family.body))
    first = varied(rng, family.body[body], 0.2)
    stretch = rng.uniform(*family.stretch)
    angle = rng.uniform(0, np.pi) if not upright else 0.0
    if pattern_index(family.pattern) and rng.random() < 0.5:
        angle = rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.1) if not upright else 0.0
    shrink = float(np.exp(rng.normal(0, 0.2)))
    return _surface(
        colours=np.stack(
            [first, _toned(rng, first, varied(rng, family.blotch)), _toned(rng, first, varied(rng, family.fleck))]
        ),
        scale=[rng.uniform(*family.scales[k]) for k in range(3)],
        amount=[rng.uniform(*family.amounts[k]) for k in range(3)],
        hard=rng.choice([0.12, 0.4, 1.0]),
        stretch=(np.cos(angle), np.sin(angle), stretch),
        pattern=pattern_index(family.pattern),
        layout=(
            family.layout[0] * shrink,
            family.layout[1] * shrink,
            family.layout[2] * np.exp(rng.normal(0, 0.3)),
            family.layout[3] * rng.uniform(0.3, 1.4),
        ),
        joint=varied(rng, family.joint, 0.25),
        relief=[rng.uniform(0.3, 1.0) * family.relief[k] for k in range(3)],
        gloss=(rng.uniform(*family.rough), _wet(rng, family), rng.uniform(60, 300)),
    )


def _wet(rng: Rng, family: SurfaceFamily) -> float:
    return float(rng.uniform(0.1, 1.0)) if rng.random() < family.wet else 0.0


def _toned(rng: Rng, first: Array, second: Array) -> Array:
    """Draw the second colour towards the first, so that blotches are often faint."""
    return np.asarray(first + (second - first) * rng.uniform(0.25, 1.0), dtype=np.float32)


def _free_surface(rng: Rng) -> Surface[Array]:
    """A surface of no kind at all: colours, grain and pattern each at random, so that a network relies on none."""
    colours = [linear(rng.uniform(10, 240, 3).astype(np.float32)) for _ in range(2)]
    grey = linear(np.full(3, rng.uniform(15, 235), dtype=np.float32))
    colours = [grey + (c - grey) * rng.uniform(0, 0.6) for c in colours]
    # Patterns that only held-out families have stay out of training here too.
    pattern = pattern_index(str(rng.choice(_FREE_PATTERNS))) if rng.random() < 0.6 else 0
    size = float(np.exp(rng.uniform(np.log(8), np.log(250))))
    angle = rng.uniform(0, np.pi)
    return _surface(
        colours=np.stack([colours[0], colours[1], grey * rng.uniform(0.3, 2.0)]),
        scale=[
            np.exp(rng.uniform(np.log(20), np.log(300))),
            np.exp(rng.uniform(np.log(1), np.log(25))),
            rng.uniform(2, 20),
        ],
        amount=[rng.uniform(0, 0.6), rng.uniform(0, 0.5), rng.choice([0, rng.uniform(0, 0.15)])],
        hard=rng.choice([0.08, 0.4, 1.2]),
        stretch=(np.cos(angle), np.sin(angle), rng.choice([1.0, rng.uniform(1, 12)])),
        pattern=pattern,
        layout=(size * rng.uniform(1, 4), size, size * rng.uniform(0.03, 0.25), rng.uniform(0, 0.3)),
        joint=linear(rng.uniform(5, 220, 3).astype(np.float32)),
        relief=[rng.uniform(0, 4), rng.uniform(0, 0.8), rng.uniform(0, 3)],
        gloss=(rng.uniform(0.3, 0.95), rng.choice([0.0, rng.uniform(0, 1)]), rng.uniform(60, 300)),
    )


def _surface(**parts: object) -> Surface[Array]:
    arrays = {name: np.asarray(value, dtype=np.float32) for name, value in parts.items()}
    return Surface(**arrays)


def coat(rng: Rng, name: str) -> Coat[Array]:
    """Draw one coat of a family."""
    base, patch, hair = (varied(rng, c, 0.18) for c in _COATS[name])
    patchy = name in ("black_white", "red_white", "roan")
    lower = varied(rng, [(60, 48, 40), (30, 27, 26), (214, 206, 194), (120, 96, 76)][rng.integers(4)])
    return Coat(
        colours=np.stack([base, patch, hair]),
        mix=_array(
            rng.uniform(0.15, 0.7) if patchy else rng.choice([0.0, rng.uniform(0, 0.4)]),
            rng.uniform(15, 90),
            rng.choice([0.1, 0.5]),
            rng.uniform(0.05, 0.35) if name != "roan" else rng.uniform(0.3, 0.6),
            rng.uniform(0.1, 0.6),
        ),
        lower=np.append(lower, rng.uniform(0.1, 0.9) if rng.random() < 0.25 else 0).astype(np.float32),
        skin=varied(rng, [(196, 150, 134), (70, 62, 60), (34, 31, 32)][rng.integers(3)]),
        gloss=_array(rng.uniform(0.0, 1.0)),
    )


def dirt(rng: Rng, ground: Surface[Array]) -> Dirt[Array]:
    """Draw the dirt: dung, or of the ground's own hue."""
    dung = varied(rng, [(72, 58, 40), (58, 54, 34), (96, 78, 54), (44, 38, 32), (122, 104, 80)][rng.integers(5)], 0.2)
    own = ground.colours[0] * rng.uniform(0.5, 1.1)
    first = own if rng.random() < 0.4 else dung
    level = rng.choice([0.0, 0.1, 0.35, 0.7], p=[0.3, 0.3, 0.25, 0.15])
    amount = level * rng.uniform(0.3, 1.3, 4) * np.array([1.0, 1.0, 0.6, 0.5])
    return Dirt(
        colours=np.stack([first, first * rng.uniform(0.5, 1.6)]).clip(0.003, 0.9).astype(np.float32),
        amount=np.minimum(amount, 0.9).astype(np.float32),
        layout=_array(np.exp(rng.uniform(np.log(6), np.log(40))), rng.uniform(10, 70), rng.choice([0.08, 0.25, 0.7])),
        relief=_array(rng.uniform(0.1, 1.5)),
        gloss=_array(rng.uniform(0.5, 0.95), rng.choice([0.0, rng.uniform(0, 1)])),
        splashes=_array(rng.choice([0.0, rng.uniform(0, 0.05)], p=[0.7, 0.3]), rng.uniform(1.5, 6)),
    )


def horn(rng: Rng, name: str, coat: Coat[Array], ground: Surface[Array]) -> Horn[Array]:
    """Draw the claws' colours and textures.

    Real horn is often close to the hair above it or the ground below it (the colour step across its outline is
    under 13 units of CIE76 in half of the photographs looked at), so more than half of the looks are drawn that way.
    """
    wall, second, toe = (varied(rng, c, 0.22) for c in _HORNS[name])
    near = rng.random()
    if near < 0.65:
        target = coat.colours[0] if near < 0.25 else ground.colours[0] * rng.uniform(0.7, 1.3)
        pull = rng.uniform(0.5, 0.95)
        wall, toe = (c + (target - c) * pull for c in (wall, toe))
    odd = rng.random(4) < np.array([0.0, 0.15, 0.1, 0.1])
    each = [
        np.stack([c if not odd[k] else c[:] * rng.uniform(0.5, 1.8) for k in range(4)])
        * np.exp(rng.normal(0, 0.07, (4, 1)))
        for c in (wall, second, toe)
    ]
    walls, seconds, toes = (np.clip(c, 0.004, 0.8).astype(np.float32) for c in each)
    graded = name in ("brown_to_pale", "pale_to_dark") or rng.random() < 0.2
    striped = name == "striped" or rng.random() < 0.12
    blotched = name == "two_tone" or rng.random() < 0.25
    band = varied(rng, [(186, 160, 126), (150, 128, 104), (206, 196, 182), (88, 74, 62)][rng.integers(4)])
    mix = [
        rng.uniform(0.4, 1.0) if graded else rng.uniform(0, 0.2),
        rng.uniform(0.5, 1.0) if striped else rng.choice([0.0, rng.uniform(0, 0.3)]),
        rng.uniform(0.5, 1.0) if blotched else rng.uniform(0, 0.2),
        rng.uniform(0.2, 0.9) if rng.random() < 0.5 else 0.0,
        rng.uniform(2, 12),
        rng.uniform(2, 12),
    ]
    soles = _soles(rng, wall, ground.colours[0])
    return Horn(
        wall=walls,
        second=seconds,
        toe=toes,
        bulb=np.clip(walls * rng.uniform(0.6, 1.3) + (coat.skin - walls) * rng.uniform(0, 0.4), 0.004, 0.8).astype(
            np.float32
        ),
        band=_four(band),
        mix=_jittered(rng, mix, 0.1),
        flour=varied(rng, (208, 200, 184), 0.1),
        stain=varied(rng, (120, 34, 28), 0.25),
        rings=_jittered(
            rng, [rng.uniform(3.0, 11), rng.choice([0.1, 0.6]) * rng.uniform(0.1, 1), rng.uniform(0.0, 0.35)], 0.1
        ),
        grain=_jittered(
            rng,
            [
                rng.uniform(0.03, 0.4),
                rng.uniform(0.08, 0.6),
                rng.choice([0.0, rng.uniform(0, 0.3)]),
                rng.uniform(0.1, 0.9) if rng.random() < 0.25 else 0.0,
                rng.choice([0.0, rng.uniform(0, 0.35)]),
            ],
            0.2,
        ),
        gloss=_jittered(rng, [rng.uniform(0.25, 0.9), _moist(rng)], 0.1),
        **soles,
    )


def _moist(rng: Rng) -> float:
    return float(rng.uniform(0.15, 1.0)) if rng.random() < 0.4 else 0.0


def _soles(rng: Rng, wall: Array, ground: Array) -> dict[str, Array]:
    pale = [(206, 190, 164), (190, 176, 156), (170, 158, 142), (224, 214, 196), (164, 140, 110)]
    dark = [(92, 84, 76), (58, 54, 52), (74, 62, 50), (110, 98, 84), (36, 34, 34)]
    kind = rng.choice(3, p=[0.5, 0.25, 0.25])
    if kind == 0:
        sole = varied(rng, pale[rng.integers(len(pale))]) * rng.uniform(0.4, 0.9)
    elif kind == 1:
        sole = varied(rng, dark[rng.integers(len(dark))])
    else:
        sole = wall * rng.uniform(0.7, 1.4)
    if rng.random() < 0.45:
        sole = (sole + (ground * rng.uniform(0.7, 1.4) - sole) * rng.uniform(0.5, 0.95)).astype(np.float32)
    shade = varied(rng, dark[rng.integers(len(dark))])
    shade = (sole + (shade - sole) * rng.uniform(0.2, 1.0)).astype(np.float32)
    line = varied(rng, [(222, 208, 180), (196, 176, 140), (150, 132, 108)][rng.integers(3)])
    sole_mix = [
        rng.choice([0.0, rng.uniform(0, 0.6)], p=[0.15, 0.85]),
        rng.choice([0.06, 0.2, 0.6]),
        rng.choice([0.0, rng.uniform(0, 0.6)], p=[0.5, 0.5]),
        rng.choice([0.0, rng.uniform(0.1, 1.0)], p=[0.3, 0.7]),
        rng.uniform(0.01, 0.15) if rng.random() < 0.15 else 0.0,
        rng.uniform(0.0, 0.5),
    ]
    tones = np.exp(rng.normal(0, 0.08, (4, 1)))
    return {
        "sole": np.clip(_four(sole) * tones, 0.004, 0.85).astype(np.float32),
        "sole_dark": np.clip(_four(shade) * tones, 0.004, 0.85).astype(np.float32),
        "line": _four(line),
        "sole_mix": _jittered(rng, sole_mix, 0.1),
    }


def things(rng: Rng) -> Things[Array]:
    """Draw hands, pipes, straw and rope."""
    straw = varied(rng, [(206, 184, 122), (180, 152, 92), (150, 124, 80), (214, 204, 160)][rng.integers(4)])
    metal = rng.random(4) < 0.35
    paint = np.stack(
        [varied(rng, (150, 152, 154) if metal[k] else _PAINTS[rng.integers(len(_PAINTS))], 0.15) for k in range(4)]
    )
    if rng.random() < 0.6:
        paint[1:], metal[1:] = paint[0], metal[0]
    rope = varied(
        rng,
        [(214, 84, 36), (52, 52, 56), (200, 190, 166), (60, 90, 160), (150, 126, 90), (88, 96, 108)][rng.integers(6)],
    )
    return Things(
        skin=np.repeat(varied(rng, _SKINS[rng.integers(len(_SKINS))], 0.1)[None], 2, axis=0),
        glove=np.repeat(varied(rng, _GLOVES[rng.integers(len(_GLOVES))], 0.15)[None], 2, axis=0),
        glove_gloss=_array(*[[rng.uniform(0.2, 0.9), rng.uniform(0.02, 0.25)]] * 2),
        sleeve=np.repeat(varied(rng, _SLEEVES[rng.integers(len(_SLEEVES))], 0.2)[None], 2, axis=0),
        sleeve_second=np.repeat(varied(rng, _SLEEVES[rng.integers(len(_SLEEVES))], 0.2)[None], 2, axis=0),
        sleeve_weave=_array(*[[rng.uniform(1.0, 3.0), rng.random()]] * 2),
        pipe=paint,
        rust=np.stack([varied(rng, (116, 66, 38), 0.2) for _ in range(4)]),
        pipe_mix=np.stack(
            [_array(rng.choice([0.0, rng.uniform(0, 0.5)]), rng.uniform(0.2, 0.7), float(metal[k])) for k in range(4)]
        ),
        straw=np.stack([straw, straw * rng.uniform(0.5, 0.9)]).astype(np.float32),
        rope=np.stack([rope, rope * rng.uniform(0.3, 0.9)]).astype(np.float32),
    )


def light(rng: Rng, rig: str, view: str) -> tuple[Light[Array], Sky[Array]]:
    """Draw the light of a rig and the backdrop that goes with it."""
    side = -1.0 if view == "sole" else 1.0
    warm, cool, plain = np.array([1.25, 1.0, 0.68]), np.array([0.72, 0.96, 1.3]), np.ones(3)
    lift, azimuth = rng.uniform(20, 75), rng.uniform(0, 2 * np.pi)
    kind, key, sky, bounce = 0, plain, plain, plain
    strength, ambient, floor = 2.4, 0.5, rng.uniform(0.15, 0.45)
    match rig:
        case "sun":
            key, sky = np.array([1.12, 1.0, 0.84]), np.array([0.78, 0.95, 1.2])
            strength, ambient = rng.uniform(1.6, 3.4), rng.uniform(0.3, 0.8)
        case "overcast":
            strength, ambient, floor = rng.uniform(0.0, 0.5), rng.uniform(0.8, 1.1), rng.uniform(0.2, 0.45)
        case "lamp":
            kind, key = 1, warm * np.exp(rng.normal(0, 0.1, 3))
            strength, ambient = rng.uniform(1.5, 3.0), rng.uniform(0.08, 0.35)
            sky = plain + (warm - 1) * rng.uniform(0, 0.6)
        case "flash":
            kind, key = 2, np.array([1.0, 1.0, 1.04])
            strength, ambient, floor = rng.uniform(1.5, 3.0), rng.uniform(0.02, 0.35), 0.1
        case "window":
            strength, ambient, lift = rng.uniform(0.8, 2.0), rng.uniform(0.15, 0.5), rng.uniform(5, 45)
            key = np.array([0.95, 1.0, 1.08])
        case "mixed":
            tint = np.exp(rng.normal(0, 0.09, (3, 3)))
            key, sky, bounce = tint
            kind = int(rng.integers(0, 3))
            strength, ambient, floor = rng.uniform(0.5, 3), rng.uniform(0.1, 0.9), rng.uniform(0.1, 0.5)
        case "low_sun":
            lift, strength, ambient = rng.uniform(5, 20), rng.uniform(2, 4), rng.uniform(0.2, 0.6)
            key, sky = np.array([1.35, 0.98, 0.6]), np.array([0.8, 0.92, 1.15])
        case "blue_shade":
            strength, ambient = rng.uniform(0.1, 0.5), rng.uniform(0.5, 1.0)
            key, sky, bounce = cool, cool * np.exp(rng.normal(0, 0.1, 3)), np.array([1.1, 1.0, 0.85])
        case _:
            kind, key, sky = 1, np.array([0.92, 1.08, 0.9]), np.array([0.95, 1.05, 0.94])
            strength, ambient = rng.uniform(0.6, 1.6), rng.uniform(0.3, 0.8)
    lift = np.radians(lift)
    direction = np.array([np.cos(azimuth) * np.cos(lift), np.sin(azimuth) * np.cos(lift), side * np.sin(lift)])
    up = np.array([rng.normal(0, 0.1), rng.normal(0, 0.1), side])
    if view == "sole":
        up += rng.normal(0, 0.6, 3) * np.array([1, 1, 0])
    area = rng.normal(size=(2, 3)) + np.array([0, 0, side])
    # A lamp, a window or the sun between clouds is far brighter than what surrounds it: wet horn shows it as white.
    bright = rng.uniform(0.5, 6, 2) * np.where(rng.random(2) < 0.3, rng.uniform(2, 8, 2), 1.0)
    result = Light(
        kind=_array(kind),
        direction=direction.astype(np.float32),
        position=(direction * rng.uniform(400, 1600)).astype(np.float32),
        key=(key * strength).astype(np.float32),
        sky=(sky * ambient).astype(np.float32),
        bounce=(bounce * ambient * floor).astype(np.float32),
        up=_unit(up),
        area=_unit(area),
        area_size=np.stack([rng.uniform(0.9, 0.99, 2), ambient * bright], axis=-1).astype(np.float32),
        contact=_array(rng.uniform(0.3, 1.0)),
    )
    return result, _sky(rng, rig, ambient, sky.astype(np.float32))


def _sky(rng: Rng, rig: str, ambient: float, tint: Array) -> Sky[Array]:
    outdoor = rig in ("sun", "overcast", "low_sun", "blue_shade") or rng.random() < 0.25
    kind = 0 if outdoor else int(rng.choice([1, 2], p=[0.6, 0.4]))
    blue = rig in ("sun", "low_sun", "blue_shade") or rng.random() < 0.3
    zenith = varied(rng, (90, 140, 210) if blue else (200, 204, 208), 0.2)
    horizon = varied(rng, (206, 218, 230), 0.15)
    if kind:
        zenith = varied(rng, [(40, 40, 42), (110, 106, 100), (180, 178, 170), (20, 20, 21)][rng.integers(4)], 0.3)
        horizon = zenith * rng.uniform(0.6, 1.4)
    gain = ambient * (rng.uniform(0.8, 1.8) if kind == 0 else rng.uniform(0.3, 1.2))
    land = [varied(rng, [(70, 92, 44), (104, 100, 64), (140, 104, 76), (60, 62, 58)][rng.integers(4)]) for _ in "ab"]
    return Sky(
        kind=_array(kind),
        zenith=(zenith * gain * tint).astype(np.float32),
        horizon=(horizon * gain).astype(np.float32),
        land=(np.stack(land) * gain).astype(np.float32),
        mix=_array(
            rng.uniform(0, 0.8),
            rng.uniform(-0.02, 0.2),
            rng.uniform(0.1, 0.7),
            np.exp(rng.uniform(np.log(0.05), np.log(1.0))),
            rng.choice([0.0, rng.uniform(0, 0.5)]),
        ),
        turn=_array(rng.uniform(0, 2 * np.pi)),
    )


def _array(*values: object) -> Array:
    result = np.asarray(values, dtype=np.float32)
    return result[0] if len(values) == 1 and result.ndim == 1 else result


def _four(colour: Array) -> Array:
    return np.repeat(np.asarray(colour, dtype=np.float32)[None], 4, axis=0)


def _jittered(rng: Rng, row: list[float], spread: float) -> Array:
    values = np.asarray(row, dtype=np.float64)[None] * np.exp(rng.normal(0, spread, (4, len(row))))
    return values.astype(np.float32)


def _unit(vector: Array) -> Array:
    return np.asarray(vector / np.linalg.norm(vector, axis=-1, keepdims=True), dtype=np.float32)
