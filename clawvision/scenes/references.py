"""What lies beside the claw: the scale card, plain cards, rulers, and white paper that is no card."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from clawvision.printing.card import scale_card
from clawvision.printing.drawing import Drawing, Text
from clawvision.printing.png import render
from clawvision.scale.geometry import CARD_HEIGHT, CARD_WIDTH, MARKER_ORIGINS, MARKER_SIZE
from clawvision.types import ByteArray

TEXTURE_HEIGHT, TEXTURE_WIDTH = 320, 1024
"""Pixels of every texture. The long side holds a 300 mm ruler's millimetres at more than three pixels each."""

Reference = Literal["card", "id1", "ruler", "paper"]
Rng = np.random.Generator
Colour = tuple[int, int, int]

_PLAIN: tuple[Colour, ...] = (
    (240, 240, 238),
    (238, 206, 60),
    (40, 84, 160),
    (180, 40, 44),
    (30, 30, 33),
    (52, 120, 74),
    (150, 154, 158),
    (196, 168, 96),
    (222, 120, 40),
    (110, 60, 130),
)
_RULERS: tuple[tuple[str, Colour, Colour], ...] = (
    ("plastic", (238, 238, 234), (20, 20, 22)),
    ("plastic", (240, 214, 70), (20, 20, 22)),
    ("steel", (170, 174, 178), (30, 31, 34)),
    ("wood", (206, 168, 112), (48, 32, 20)),
)


@dataclass(frozen=True, slots=True, eq=False)
class ReferenceTexture:
    """A flat thing with a print: ``texture`` uint8 (320, 1024, 3) sRGB over its whole face, and its size.

    ``hidden`` holds the numbers of the scale card's markers that dirt covers.
    """

    kind: Reference
    texture: ByteArray
    width_mm: float
    height_mm: float
    hidden: tuple[int, ...] = ()


def sample_reference(rng: Rng, kind: Reference | None = None) -> ReferenceTexture:
    """Draw a reference: usually the scale card, now and then soiled.

    Parameters
    ----------
    rng
        Source of all chance.
    kind
        Which one; drawn as well if not given.
    """
    if kind is None:
        names: tuple[Reference, ...] = ("card", "id1", "ruler", "paper")
        kind = names[rng.choice(4, p=[0.6, 0.14, 0.18, 0.08])]
    hidden: tuple[int, ...] = ()
    match kind:
        case "card":
            picture, size = Image.fromarray(_card(bool(rng.random() < 0.6))), (CARD_WIDTH, CARD_HEIGHT)
            if rng.random() < 0.25:
                hidden = tuple(int(n) for n in rng.choice(4, size=int(rng.integers(1, 3)), replace=False))
                for number in hidden:
                    x, y = (c + MARKER_SIZE * rng.uniform(0.35, 0.65) for c in MARKER_ORIGINS[number])
                    _spot(picture, rng, size, (x, y), rng.uniform(7, 11))
        case "id1":
            picture, size = _plain_card(rng), (CARD_WIDTH, CARD_HEIGHT)
        case "ruler":
            picture, size = _ruler(rng)
        case "paper":
            size = (float(rng.uniform(60, 210)), float(rng.uniform(50, 148)))
            shade = int(rng.integers(215, 250))
            picture = Image.new(
                "RGB", (TEXTURE_WIDTH, TEXTURE_HEIGHT), (shade, shade, shade - int(rng.integers(0, 12)))
            )
    if rng.random() < 0.3:
        for _ in range(int(rng.integers(1, 9))):
            _spot(picture, rng, size, (rng.uniform(0, size[0]), rng.uniform(0, size[1])), rng.uniform(0.4, 2.5))
    pixels = np.asarray(picture, dtype=np.uint8)
    if rng.random() < 0.4:
        pixels = _grimy(pixels, rng)
    return ReferenceTexture(kind, pixels, size[0], size[1], hidden)


@lru_cache(maxsize=2)
def _card(words: bool) -> ByteArray:
    """Return the scale card as the program prints it, with or without its few words."""
    elements = tuple(element for element in scale_card() if words or not isinstance(element, Text))
    picture = render(Drawing(CARD_WIDTH, CARD_HEIGHT, "card", elements), 600).convert("RGB")
    return np.asarray(picture.resize((TEXTURE_WIDTH, TEXTURE_HEIGHT), Image.Resampling.BOX), dtype=np.uint8)


def _plain_card(rng: Rng) -> Image.Image:
    colour = _PLAIN[rng.integers(len(_PLAIN))]
    picture = Image.new("RGB", (TEXTURE_WIDTH, TEXTURE_HEIGHT), colour)
    pen = ImageDraw.Draw(picture)
    w, h = TEXTURE_WIDTH, TEXTURE_HEIGHT
    if rng.random() < 0.6:
        top = rng.uniform(0.08, 0.7)
        band = tuple(int(c) for c in rng.integers(0, 256, 3))
        pen.rectangle((0, top * h, w, (top + rng.uniform(0.1, 0.25)) * h), fill=band)
    if rng.random() < 0.5:
        pen.rectangle((0.1 * w, 0.35 * h, 0.24 * w, 0.55 * h), fill=(208, 176, 96))
    for _ in range(int(rng.integers(0, 4))):
        x, y = rng.uniform(0.05, 0.6), rng.uniform(0.1, 0.85)
        grey = int(rng.choice([20, 235]))
        pen.rectangle((x * w, y * h, (x + rng.uniform(0.1, 0.3)) * w, (y + 0.04) * h), fill=(grey, grey, grey))
    return picture


def _ruler(rng: Rng) -> tuple[Image.Image, tuple[float, float]]:
    number = int(rng.integers(len(_RULERS)))
    length, width = int(rng.choice([150, 200, 300])) + 10, int(rng.integers(20, 39))
    ink = np.asarray(_ticks(length, width, bool(rng.random() < 0.3), _RULERS[number][0] != "wood"), dtype=np.float32)
    kind, body, colour = _RULERS[number]
    face = np.broadcast_to(np.asarray(body, dtype=np.float32), (*ink.shape, 3))
    if kind == "wood":
        grain = Image.fromarray(rng.normal(0, 9, (TEXTURE_HEIGHT // 6, 24)).astype(np.float32))
        face = face + np.asarray(grain.resize((TEXTURE_WIDTH, TEXTURE_HEIGHT), Image.Resampling.BILINEAR))[..., None]
    pixels = face + (np.asarray(colour, dtype=np.float32) - face) * (ink / 255)[..., None]
    return Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)), (float(length), float(width))


@lru_cache(maxsize=256)
def _ticks(length: int, width: int, both: bool, millimetres: bool) -> ByteArray:
    """Return a ruler's ink, 0 to 255: ticks every mm along one edge or both, figures every 10 mm."""
    picture = Image.new("L", (TEXTURE_WIDTH * 4, TEXTURE_HEIGHT), 0)
    pen = ImageDraw.Draw(picture)
    across, down = picture.width / length, picture.height / width
    for mm in range(length - 9):
        x = (5 + mm) * across
        tall = (6.0 if mm % 10 == 0 else 4.5 if mm % 5 == 0 else 3.0) * down
        half = 0.09 * across
        pen.rectangle((x - half, 0, x + half, tall), fill=255)
        if both:
            pen.rectangle((x - half, picture.height - tall, x + half, picture.height), fill=255)
        if mm % 10 == 0:
            _figure(picture, str(mm if millimetres else mm // 10), (x, 7.0 * down), (across, down))
    return np.asarray(picture.resize((TEXTURE_WIDTH, TEXTURE_HEIGHT), Image.Resampling.BOX), dtype=np.uint8)


def _figure(picture: Image.Image, text: str, place: tuple[float, float], scale: tuple[float, float]) -> None:
    """Write a figure 3.2 mm high below ``place``, squeezed as the ruler is in its texture."""
    font = ImageFont.load_default(size=48)
    box = font.getbbox(text)
    wide, high = round(box[2]), round(box[3])
    stencil = Image.new("L", (max(wide, 1), max(high, 1)), 0)
    ImageDraw.Draw(stencil).text((0, 0), text, fill=255, font=font)
    mm = 3.2 / high
    stencil = stencil.resize((max(1, round(wide * mm * scale[0])), max(1, round(3.2 * scale[1]))))
    picture.paste(255, (round(place[0] - stencil.width / 2), round(place[1])), stencil)


def _spot(
    picture: Image.Image, rng: Rng, size: tuple[float, float], centre: tuple[float, float], radius: float
) -> None:
    """Throw a ragged lump of mud at a place in mm."""
    turns = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    reach = radius * (1 + sum(rng.normal(0, 0.09) * np.cos(k * turns + rng.uniform(0, 6)) for k in range(2, 8)))
    x = (centre[0] + reach * np.cos(turns)) / size[0] * TEXTURE_WIDTH
    y = (centre[1] + reach * np.sin(turns)) / size[1] * TEXTURE_HEIGHT
    box = (int(x.min()) - 3, int(y.min()) - 3, int(x.max()) + 4, int(y.max()) + 4)
    wide, high = box[2] - box[0], box[3] - box[1]
    stencil = Image.new("L", (wide, high), 0)
    ImageDraw.Draw(stencil).polygon(list(zip((x - box[0]).tolist(), (y - box[1]).tolist(), strict=True)), fill=255)
    tone = np.array([74, 60, 46]) * rng.uniform(0.5, 1.5)
    lumps = rng.normal(1, 0.25, (max(2, high // 4), max(2, wide // 8)))
    rough = Image.fromarray(lumps.astype(np.float32)).resize((wide, high), Image.Resampling.BILINEAR)
    mud = np.clip(np.asarray(rough)[..., None] * tone, 0, 255).astype(np.uint8)
    picture.paste(Image.fromarray(mud), box[:2], stencil.filter(ImageFilter.GaussianBlur(1.0)))


def _grimy(pixels: ByteArray, rng: Rng) -> ByteArray:
    """Darken a print with a few broad stains."""
    stains = Image.fromarray(rng.integers(0, 256, (6, 10)).astype(np.uint8))
    cover = np.asarray(stains.resize((TEXTURE_WIDTH, TEXTURE_HEIGHT), Image.Resampling.BICUBIC), dtype=np.float32)
    share = np.clip(cover / 255 - 0.45, 0, 1) * np.float32(rng.uniform(0.1, 0.9))
    tone = np.array([150, 132, 104]) / 255 * rng.uniform(0.6, 1.3)
    channels = [pixels[..., k] * (1 + np.float32(tone[k] - 1) * share) for k in range(3)]
    return np.clip(np.stack(channels, axis=-1), 0, 255).astype(np.uint8)
