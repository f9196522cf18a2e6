"""What a scene's appearance is made of: colours, textures and lights, as arrays of one scene or tensors of a batch.

Colours are linear RGB from 0 to 1, lengths mm. ``T`` is a float32 array of one scene, or a tensor with the batch as
its first axis in front of the shape noted at each field.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
T = TypeVar("T")


@dataclass(frozen=True, slots=True, eq=False)
class Surface(Generic[T]):
    """A ground, a wall or sawn wood. ``pattern`` is an index into `backdrops.PATTERNS`."""

    colours: T  # (3, 3): body, blotches, flecks
    scale: T  # (3,) mm: blotches, grain, flecks
    amount: T  # (3,): share under blotches, contrast of the grain, share under flecks
    hard: T  # (): width of a blotch's border, in standard deviations
    stretch: T  # (3,): cosine and sine of the grain's direction, how many times longer than wide
    pattern: T  # ()
    layout: T  # (4,): length and width of a unit of the pattern, mm; joint's width, mm; tint of single units
    joint: T  # (3,): colour of joints, gaps, or what lies between blades
    relief: T  # (3,) mm: blotches, grain, pattern
    gloss: T  # (3,): roughness when dry, share that is wet, mm of a puddle


@dataclass(frozen=True, slots=True, eq=False)
class Horn(Generic[T]):
    """The four claws in the picture: outer, inner, and two of the neighbouring foot."""

    wall: T  # (4, 3)
    second: T  # (4, 3): the other colour of stripes and blotches
    toe: T  # (4, 3)
    bulb: T  # (4, 3)
    band: T  # (4, 3): the band of young horn under the hair
    mix: T  # (4, 6): weights of toe, stripes, blotches, band; stripe's width mm; band's width mm
    sole: T  # (4, 3)
    sole_dark: T  # (4, 3)
    line: T  # (4, 3): white line
    sole_mix: T  # (4, 6): dark share, border width, flour share, white line's weight, stain share, ridges mm
    flour: T  # (3,): dried pale dirt
    stain: T  # (3,): blood
    rings: T  # (4, 3): spacing mm, height mm, contrast
    grain: T  # (4, 5): height of fibres mm, their contrast, scratches, cracks, pebbling mm
    gloss: T  # (4, 2): roughness, wet share


@dataclass(frozen=True, slots=True, eq=False)
class Dirt(Generic[T]):
    """Mud and dung on horn, legs, hands and pipes."""

    colours: T  # (2, 3)
    amount: T  # (4,): share on wall, sole, leg, all else
    layout: T  # (3,): mm of a blotch, mm of height over which it thins out, border width
    relief: T  # (): mm
    gloss: T  # (2,): roughness, share that is wet
    splashes: T  # (2,): share, mm


@dataclass(frozen=True, slots=True, eq=False)
class Coat(Generic[T]):
    """Hair of the legs."""

    colours: T  # (3, 3): base, patches, single hairs
    mix: T  # (5,): share of patches, mm of a patch, its border, share of single hairs, contrast of locks
    lower: T  # (4,): colour near the coronet and its weight
    skin: T  # (3,)
    gloss: T  # ()


@dataclass(frozen=True, slots=True, eq=False)
class Things(Generic[T]):
    """Hands, pipes, straw and rope."""

    skin: T  # (2, 3)
    glove: T  # (2, 3)
    glove_gloss: T  # (2, 2): roughness, height of wrinkles mm
    sleeve: T  # (2, 3)
    sleeve_second: T  # (2, 3)
    sleeve_weave: T  # (2, 2): mm of the weave, kind: below 0.5 twill, above it checks
    pipe: T  # (4, 3)
    rust: T  # (4, 3)
    pipe_mix: T  # (4, 3): share of rust, roughness, metal
    straw: T  # (2, 3)
    rope: T  # (2, 3)


@dataclass(frozen=True, slots=True, eq=False)
class Light(Generic[T]):
    """The key light, the hemisphere around and two bright areas that glossy things mirror.

    ``kind`` 0 is a light at infinity in ``direction``, 1 a lamp at ``position``, 2 a flash at the camera.
    """

    kind: T  # ()
    direction: T  # (3,): unit, towards the light
    position: T  # (3,) mm
    key: T  # (3,): radiance on a surface that faces it
    sky: T  # (3,)
    bounce: T  # (3,)
    up: T  # (3,): unit, where the sky is
    area: T  # (2, 3): unit directions of bright areas
    area_size: T  # (2, 2): cosine of their angular radius, radiance
    contact: T  # (): strength of darkening in corners


@dataclass(frozen=True, slots=True, eq=False)
class Sky(Generic[T]):
    """What lies behind everything, by direction. ``kind`` 0 outdoors, 1 indoors, 2 plain."""

    kind: T  # ()
    zenith: T  # (3,)
    horizon: T  # (3,)
    land: T  # (2, 3)
    mix: T  # (5,): cloud share, height of hills, share of trees or openings, softness, height of buildings
    turn: T  # ()


@dataclass(frozen=True, slots=True, eq=False)
class Appearance(Generic[T]):
    """Everything that shades a scene. Arrays as noted at each part; tensors with the batch as first axis."""

    ground: Surface[T]
    wall: Surface[T]
    wood: Surface[T]
    horn: Horn[T]
    dirt: Dirt[T]
    coat: Coat[T]
    things: Things[T]
    light: Light[T]
    sky: Sky[T]
