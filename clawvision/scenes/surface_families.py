"""The families of grounds and walls, as ranges that single surfaces are drawn from (sRGB 0 to 255, mm)."""

from __future__ import annotations

from dataclasses import dataclass

Colour = tuple[float, float, float]
Range = tuple[float, float]

PATTERNS = ("none", "brick", "boards", "slats", "studs", "stones", "blades", "mesh", "ribs")
"""What a surface is made up of; its index is what the shader reads."""


def pattern_index(name: str) -> int:
    """Return the number of a pattern."""
    return PATTERNS.index(name)


@dataclass(frozen=True, slots=True)
class SurfaceFamily:
    """Ranges of one family; fields as those of `look.Surface`. ``wet`` is the chance that some of it is wet."""

    body: tuple[Colour, ...]
    blotch: Colour
    fleck: Colour
    scales: tuple[Range, Range, Range] = ((40, 200), (2, 10), (2, 6))
    amounts: tuple[Range, Range, Range] = ((0.1, 0.6), (0.05, 0.3), (0, 0.03))
    stretch: Range = (1, 1.3)
    pattern: str = "none"
    layout: tuple[float, float, float, float] = (100, 50, 4, 0.1)
    joint: Colour = (60, 56, 52)
    relief: tuple[float, float, float] = (2.0, 0.4, 1.0)
    rough: Range = (0.6, 0.95)
    wet: float = 0.1
    ground: bool = True
    wall: bool = False
    free: bool = False


_CONCRETE = ((142, 138, 132), (112, 108, 102), (168, 164, 156), (96, 88, 78), (128, 118, 104))
_WOOD = ((168, 134, 96), (128, 100, 70), (104, 88, 72), (150, 144, 134), (88, 64, 44))

SURFACES: dict[str, SurfaceFamily] = {
    "concrete": SurfaceFamily(_CONCRETE, (88, 80, 70), (60, 56, 52), wall=True),
    "wet_concrete": SurfaceFamily(
        ((96, 84, 70), (76, 70, 62), (110, 104, 96)), (58, 48, 36), (150, 142, 130), rough=(0.4, 0.7), wet=1.0
    ),
    "rubber": SurfaceFamily(
        ((46, 46, 48), (58, 56, 54), (36, 34, 33)),
        (84, 74, 62),
        (110, 100, 88),
        pattern="studs",
        layout=(32, 32, 9, 0.02),
        joint=(38, 36, 34),
        relief=(0.8, 0.2, 2.5),
        rough=(0.35, 0.8),
        wet=0.35,
    ),
    "slats": SurfaceFamily(
        _CONCRETE, (84, 74, 60), (70, 62, 54), pattern="slats", layout=(2400, 165, 35, 0.1), joint=(14, 12, 11), wet=0.4
    ),
    "soil": SurfaceFamily(
        ((104, 80, 58), (76, 58, 44), (130, 106, 80), (58, 48, 40)),
        (62, 46, 34),
        (150, 130, 104),
        scales=((20, 120), (3, 14), (3, 12)),
        amounts=((0.2, 0.6), (0.2, 0.6), (0.0, 0.12)),
        relief=(6, 2.0, 0),
        wet=0.3,
    ),
    "sand": SurfaceFamily(
        ((196, 170, 130), (170, 146, 112), (206, 190, 160)),
        (150, 124, 92),
        (110, 90, 70),
        scales=((30, 160), (1, 5), (2, 6)),
        amounts=((0.1, 0.5), (0.1, 0.35), (0.0, 0.05)),
        relief=(8, 0.6, 0),
        wet=0.1,
    ),
    "straw": SurfaceFamily(
        ((176, 150, 96), (150, 124, 80), (194, 174, 124)),
        (104, 82, 52),
        (220, 206, 160),
        amounts=((0.1, 0.5), (0.1, 0.3), (0, 0.05)),
        pattern="blades",
        layout=(60, 4.5, 0.4, 0.5),
        joint=(62, 48, 32),
        relief=(5, 0.3, 3.0),
    ),
    "grass": SurfaceFamily(
        ((84, 108, 46), (104, 124, 60), (70, 84, 40), (132, 130, 78)),
        (110, 100, 56),
        (176, 170, 110),
        amounts=((0.1, 0.5), (0.1, 0.3), (0, 0.05)),
        pattern="blades",
        layout=(45, 3.5, 0.35, 0.6),
        joint=(34, 40, 22),
        relief=(6, 0.3, 3.0),
    ),
    "planks": SurfaceFamily(
        _WOOD,
        (84, 74, 62),
        (54, 40, 28),
        scales=((30, 120), (2.5, 7), (4, 14)),
        amounts=((0.0, 0.4), (0.2, 0.6), (0, 0.03)),
        stretch=(8, 20),
        pattern="boards",
        layout=(1800, 130, 5, 0.2),
        joint=(26, 22, 18),
        relief=(0.3, 0.4, 1.5),
        wall=True,
    ),
    "white_studio": SurfaceFamily(
        ((240, 240, 238), (226, 228, 230)),
        (232, 232, 230),
        (220, 220, 220),
        amounts=((0, 0.2), (0, 0.03), (0, 0)),
        relief=(0, 0, 0),
        wet=0,
        wall=True,
    ),
    "black_studio": SurfaceFamily(
        ((16, 16, 17), (28, 28, 30)),
        (24, 24, 25),
        (34, 34, 35),
        amounts=((0, 0.2), (0, 0.05), (0, 0)),
        relief=(0, 0.05, 0),
        wet=0,
        wall=True,
    ),
    "painted": SurfaceFamily(
        ((206, 204, 196), (150, 170, 176), (178, 186, 160), (190, 168, 120), (120, 132, 150), (96, 100, 98)),
        (150, 146, 138),
        (100, 96, 90),
        amounts=((0, 0.35), (0.0, 0.1), (0, 0.02)),
        relief=(0.5, 0.1, 0),
        rough=(0.3, 0.9),
        ground=False,
        wall=True,
    ),
    "sheet": SurfaceFamily(
        ((150, 154, 156), (104, 112, 116), (150, 100, 76)),
        (120, 96, 76),
        (96, 70, 50),
        pattern="ribs",
        layout=(1000, 76, 20, 0.0),
        relief=(0.3, 0.05, 8),
        rough=(0.25, 0.6),
        ground=False,
        wall=True,
    ),
    "rubble": SurfaceFamily(
        ((134, 124, 110), (110, 104, 98), (160, 140, 112)),
        (90, 84, 74),
        (70, 64, 56),
        pattern="stones",
        layout=(90, 90, 0.09, 0.35),
        joint=(150, 144, 132),
        relief=(3, 0.8, 8),
        ground=False,
        wall=True,
    ),
    "free": SurfaceFamily(((128, 128, 128),), (128, 128, 128), (128, 128, 128), wall=True, free=True),
    "brick": SurfaceFamily(
        ((150, 84, 62), (128, 70, 54), (166, 120, 88), (112, 92, 80)),
        (96, 64, 52),
        (60, 50, 46),
        pattern="brick",
        layout=(250, 75, 10, 0.3),
        joint=(150, 142, 130),
        relief=(1, 0.6, 2.0),
        wet=0.2,
        wall=True,
    ),
    "steel_mesh": SurfaceFamily(
        ((120, 122, 124), (90, 88, 86), (140, 128, 112)),
        (104, 76, 54),
        (80, 64, 52),
        pattern="mesh",
        layout=(40, 40, 22, 0.05),
        joint=(16, 14, 12),
        relief=(0.2, 0.1, 3),
        rough=(0.25, 0.6),
        wet=0.3,
    ),
    "gravel": SurfaceFamily(
        ((140, 132, 122), (120, 116, 112), (160, 148, 130)),
        (96, 92, 88),
        (190, 184, 174),
        pattern="stones",
        layout=(16, 16, 0.12, 0.6),
        joint=(66, 58, 50),
        relief=(3, 0.4, 5),
        wet=0.2,
    ),
    "tiles": SurfaceFamily(
        ((210, 208, 200), (172, 180, 180), (150, 128, 104)),
        (180, 176, 166),
        (110, 106, 98),
        amounts=((0, 0.3), (0.0, 0.08), (0, 0.01)),
        pattern="brick",
        layout=(150, 150, 4, 0.06),
        joint=(116, 112, 106),
        relief=(0.1, 0.02, 0.8),
        rough=(0.1, 0.4),
        ground=False,
        wall=True,
    ),
}
HELD_OUT_SURFACES = frozenset({"brick", "steel_mesh", "gravel", "tiles"})
