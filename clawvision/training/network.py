"""The network that sees claws: one U-Net, three outputs.

Input: RGB, float32 in 0..255, (B, 3, H, W), H and W multiples of 32; trained at 384 × 512 (a crop in the
canonical pose) and at 192 × 256 (the whole photo, letterboxed). Normalising happens inside.

Outputs, in pixels of the input with the centre of its top left pixel at (0, 0):

``masks`` (B, 5, H/2, W/2)
    Logits, one sigmoid each: the channels of :data:`MASKS`. Cell (i, j) has its centre at
    x = 2 j + 0.5, y = 2 i + 0.5.
``landmarks`` (B, 9, H/4, W/4)
    Logits, one softmax over the picture each: :data:`LANDMARKS`. Cell (i, j) has its centre at
    x = 4 j + 1.5, y = 4 i + 1.5.
``facts`` (B, 32)
    The numbers at the places named by the ``FACT_...`` slices.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from clawvision.outline.learned import contract
from clawvision.outline.learned.contract import (
    FACT_COUNT,
    FACT_DOWN,
    FACT_LANDMARK_LOG_SIGMA,
    FACT_TOE,
    LANDMARK_STEP,
    LANDMARKS,
    MASKS,
)
from clawvision.training.encoder import NORM_MOMENTUM, Encoder, EncoderSize

FINE_SIZE = contract.FINE_SIZE[::-1]
COARSE_SIZE = contract.COARSE_SIZE[::-1]
"""Height and width, as tensors have them."""

FIRST_SIGMA_PX = 30.0
"""An untrained network is to state errors of about this size, lest they drown everything else."""

CENTRE, SPAN = 127.0, 128.0
"""The encoder's ImageNet weights were trained on (x - 127) / 128."""


@dataclass(frozen=True, slots=True)
class NetworkSize:
    """Channel counts: of the decoder at 1/32, 1/16, 1/8, 1/4 and 1/2, and within the head for the facts."""

    encoder: EncoderSize
    decoder: tuple[int, int, int, int, int]
    pooled: int
    near: int
    hidden: int


SIZES = {
    "full": NetworkSize(EncoderSize(), (160, 112, 72, 48, 24), 256, 24, 256),
    "small": NetworkSize(EncoderSize(0.5, deep=False), (32, 32, 24, 16, 16), 48, 8, 64),
}


class Seen(NamedTuple):
    """What the network returns; shapes in the module's description."""

    masks: Tensor
    landmarks: Tensor
    facts: Tensor


class ConvNorm(nn.Module):
    """A 3 × 3 (or 1 × 1) convolution, batch normalisation, ReLU."""

    def __init__(self, inputs: int, outputs: int, kernel: int = 3) -> None:
        super().__init__()
        self.conv = nn.Conv2d(inputs, outputs, kernel, padding=kernel // 2, bias=False)
        self.norm = nn.BatchNorm2d(outputs, momentum=NORM_MOMENTUM)

    def forward(self, x: Tensor) -> Tensor:
        return F.relu(self.norm(self.conv(x)))


class Rise(nn.Module):
    """One step up the decoder: narrow, double the size, join the encoder's map, two convolutions."""

    def __init__(self, below: int, beside: int, outputs: int) -> None:
        super().__init__()
        self.narrow = ConvNorm(below, outputs, 1)
        self.first = ConvNorm(outputs + beside, outputs)
        self.second = ConvNorm(outputs, outputs)

    def forward(self, below: Tensor, beside: Tensor) -> Tensor:
        up = F.interpolate(self.narrow(below), scale_factor=2.0, mode="bilinear", align_corners=False)
        y: Tensor = self.second(self.first(torch.cat([up, beside], 1)))
        return y


def mean_over(x: Tensor) -> Tensor:
    """Return the mean over the picture, (B, C, 1, 1)."""
    return F.adaptive_avg_pool2d(x, 1)


def exactly(x: Tensor) -> torch.autocast:
    """Return a context in which the last layers stay float32: answers need more than bfloat16's 8 bits."""
    return torch.autocast(x.device.type, enabled=False)


def places(like: Tensor, step: int) -> tuple[Tensor, Tensor]:
    """Return each cell's x and y from the picture's middle, in units of 64 input pixels.

    Both have the shape of ``like`` (B, 1, h, w), whose cells are ``step`` pixels wide. Made by running sums,
    so that an exported graph holds no size.
    """
    ones = like * 0.0 + 1.0
    x, y = torch.cumsum(ones, 3), torch.cumsum(ones, 2)
    return (x - mean_over(x)) * (step / 64.0), (y - mean_over(y)) * (step / 64.0)


class FactsHead(nn.Module):
    """The facts, from features pooled over the picture, under each claw's mask and at each landmark.

    Where the masks and heat maps lie, how they stretch and how sharp they are goes in too. They get no
    gradient from the facts.
    """

    pairs: Tensor
    plain: Tensor

    def __init__(self, deepest: int, size: NetworkSize) -> None:
        super().__init__()
        _, at16, at8, at4, _ = size.decoder
        marks, masks = len(LANDMARKS), len(MASKS)
        self.deep = ConvNorm(deepest, size.pooled, 1)
        self.near = nn.Linear(at4 + 2, size.near)
        lie = 2 * marks + 5 * masks
        self.hidden = nn.Linear(size.pooled + 4 * at16 + 2 * at8 + 2 * masks + marks * size.near + lie, size.hidden)
        self.out = nn.Linear(size.hidden, FACT_COUNT)
        self.direct = nn.Linear(lie, FACT_COUNT, bias=False)
        with torch.no_grad():
            self.out.bias[FACT_LANDMARK_LOG_SIGMA] = math.log(FIRST_SIGMA_PX)
        # Numbers that form a unit vector share the sum of their squares; all others divide by 1.
        pairs = torch.zeros(FACT_COUNT, FACT_COUNT)
        plain = torch.ones(FACT_COUNT)
        for part in (FACT_TOE, FACT_DOWN):
            pairs[part, part] = 1.0
            plain[part] = 1e-6
        self.register_buffer("pairs", pairs, persistent=False)
        self.register_buffer("plain", plain, persistent=False)

    def at_landmarks(self, landmarks: Tensor, at4: Tensor) -> tuple[Tensor, Tensor]:
        """Return what lies under each landmark's heat and how sharp that is (B, 9 n); and its place (B, 18)."""
        x, y = places(at4[:, :1], LANDMARK_STEP)
        heat = torch.softmax(landmarks.flatten(2), 2)
        under = heat @ torch.cat([x, y, x * x + y * y, at4], 1).flatten(2).transpose(1, 2)
        at = under[:, :, :2]
        spread = under[:, :, 2:3] - (at * at).sum(2, keepdim=True)
        peaked = (heat * heat).sum(2, keepdim=True)
        sharp = torch.log(torch.cat([F.relu(spread) + 1e-4, peaked + 1e-6], 2))
        near = F.relu(self.near(torch.cat([under[:, :, 3:], sharp], 2)))
        return near.flatten(1), at.flatten(1)

    def forward(self, deepest: Tensor, levels: tuple[Tensor, Tensor, Tensor], seen: tuple[Tensor, Tensor]) -> Tensor:
        parts = [mean_over(self.deep(deepest))]
        with exactly(deepest):
            at16, at8, at4 = (level.float() for level in levels)
            masks = torch.sigmoid(seen[0].detach())
            m8 = F.avg_pool2d(masks, 4)
            m16 = F.avg_pool2d(m8, 2)
            area = mean_over(masks)
            floor = area + 1e-4
            parts.append(mean_over(at16))
            parts += [mean_over(at16 * m16[:, k : k + 1]) / floor[:, k : k + 1] for k in range(3)]
            parts += [mean_over(at8 * m8[:, k : k + 1]) / floor[:, k : k + 1] for k in range(2)]
            parts += [area, mean_over(masks * (1.0 - masks)) / floor]
            x, y = places(m16[:, :1], 16)
            middle = [mean_over(m16 * one) / floor for one in (x, y)]
            x, y = x - middle[0], y - middle[1]
            stretch = [mean_over(m16 * one) / floor for one in (x * x, x * y, y * y)]
            near, at = self.at_landmarks(seen[1].detach(), at4)
            lie = torch.cat([at, *(one.flatten(1) for one in middle + stretch)], 1)
            joined = torch.cat([*(part.float().flatten(1) for part in parts), near, lie], 1)
            facts: Tensor = self.out(F.relu(self.hidden(joined))) + self.direct(lie)
            return facts / torch.sqrt(F.linear(facts * facts, self.pairs, self.plain))


class ClawNet(nn.Module):
    """The whole network; input and outputs in the module's description."""

    def __init__(self, size: NetworkSize = SIZES["full"]) -> None:
        super().__init__()
        self.encoder = Encoder(size.encoder)
        c2, c4, c8, c16, c32 = self.encoder.channels
        d32, d16, d8, d4, d2 = size.decoder
        self.bottom = ConvNorm(c32, d32, 1)
        self.rise16 = Rise(d32, c16, d16)
        self.rise8 = Rise(d16, c8, d8)
        self.rise4 = Rise(d8, c4, d4)
        self.rise2 = Rise(d4, c2, d2)
        self.masks = nn.Conv2d(d2, len(MASKS), 1)
        self.mark = ConvNorm(d4, d4)
        self.landmarks = nn.Conv2d(d4, len(LANDMARKS), 1)
        self.facts = FactsHead(c32, size)

    def forward(self, picture: Tensor) -> Seen:
        """Return masks, landmarks and facts of RGB pictures (B, 3, H, W) in 0..255."""
        e2, e4, e8, e16, e32 = self.encoder((picture - CENTRE) / SPAN)
        at16 = self.rise16(self.bottom(e32), e16)
        at8 = self.rise8(at16, e8)
        at4 = self.rise4(at8, e4)
        at2 = self.rise2(at4, e2)
        marked = self.mark(at4)
        with exactly(picture):
            masks = self.masks(at2.float())
            landmarks = self.landmarks(marked.float())
        return Seen(masks, landmarks, self.facts(e32, (at16, at8, at4), (masks, landmarks)))


def parameter_count(network: nn.Module) -> int:
    """Return the number of trainable numbers."""
    return sum(p.numel() for p in network.parameters())
