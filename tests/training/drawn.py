"""A small feed of drawn feet: two coloured ellipses with landmarks at known places."""

from __future__ import annotations

import math

import cv2
import numpy as np
import torch

from clawvision.training.batch import Batch, Group
from clawvision.training.network import COARSE_SIZE, FINE_SIZE

SIDE, SOLE = 0, 1


class DrawnFeed:
    """Every picture: claw a (brown) and claw b (grey) as ellipses, a white card, on a grey floor.

    In half of them, the side view, landmarks C, T, B, H lie at the ends of claw a's axes; in the other
    half, the sole view, tips, heels and cleft at the ends of both claws' axes. The redder claw a is,
    the more it is twisted.
    """

    def __init__(
        self,
        *,
        seed: int,
        device: torch.device,
        fine: int,
        coarse: int,
        held_out: bool,
        shrink: int = 4,
    ) -> None:
        self._seed = (seed, int(held_out))
        self._device = device
        self._counts = (fine, coarse)
        self._shrink = shrink

    def batch(self, number: int) -> Batch:
        rng = np.random.default_rng((*self._seed, number))
        sizes = [(h // self._shrink // 32 * 32, w // self._shrink // 32 * 32) for h, w in (FINE_SIZE, COARSE_SIZE)]
        made = [self._group(rng, count, *size) for count, size in zip(self._counts, sizes, strict=True)]
        return Batch(made[0], made[1])

    def _group(self, rng: np.random.Generator, count: int, height: int, width: int) -> Group:
        pictures = np.zeros((count, height, width, 3), np.float32)
        masks = np.zeros((count, 5, height, width), np.uint8)
        landmarks = np.zeros((count, 9, 2), np.float32)
        seen = np.zeros((count, 9), np.float32)
        view = rng.integers(0, 2, count)
        twist = np.zeros((count, 2), np.float32)
        lean = np.zeros(count, np.float32)
        down = np.zeros((count, 2), np.float32)
        toe = np.zeros((count, 2), np.float32)
        for n in range(count):
            pictures[n] = rng.uniform(60, 160) + rng.normal(0, 4, (height, width, 3))
            angle = rng.uniform(-0.2, 0.2)
            along = np.array([-math.cos(angle), -math.sin(angle)])
            across = np.array([math.sin(angle), -math.cos(angle)])
            across = across if across[1] > 0 else -across
            half = rng.uniform(0.26, 0.34) * width, rng.uniform(0.13, 0.17) * height
            centre = np.array([width, height]) / 2 + rng.uniform(-0.04, 0.04, 2) * (width, height)
            redness = rng.uniform(0, 1)
            twist[n, 0] = 60 * redness
            lean[n] = 30 * redness - 15
            colours = (90 + 150 * redness, 70, 40), (70, 90, 90)
            places = centre + across * half[1] * 1.1, centre - across * half[1] * 1.1
            for claw, (place, colour) in enumerate(zip(places, colours, strict=True)):
                cv2.ellipse(
                    masks[n, claw],
                    (tuple(place.tolist()), (2 * half[0], 2 * half[1]), math.degrees(angle)),
                    1,
                    -1,
                )
                pictures[n][masks[n, claw] > 0] = colour
            masks[n, 3, : height // 8, : width // 8] = 1
            pictures[n][masks[n, 3] > 0] = 250
            toe[n], down[n] = along, across
            if view[n] == SIDE:
                pictures[n][:, -width // 16 :] = (20, 20, 160)
                a = places[0]
                ends = [a - across * half[1], a + along * half[0], a + across * half[1], a - along * half[0]]
                landmarks[n, :4], seen[n, :4] = ends, 1
            else:
                tips = [place + sign * along * half[0] for sign in (1, -1) for place in places]
                landmarks[n, 4:], seen[n, 4:] = [*tips, centre], 1

        def put(values: np.ndarray, dtype: torch.dtype = torch.float32) -> torch.Tensor:
            return torch.from_numpy(np.ascontiguousarray(values)).to(self._device, dtype)

        side = (view == SIDE).astype(np.float32)
        return Group(
            picture=put(pictures.transpose(0, 3, 1, 2)),
            masks=put(masks, torch.uint8),
            landmarks=put(landmarks),
            seen=put(seen),
            view=put(view, torch.int64),
            toe=put(toe),
            has_toe=put(np.ones(count)),
            down=put(down),
            has_down=put(side),
            twist=put(twist),
            has_twist=put(np.stack([np.ones(count), np.zeros(count)], 1)),
            lean=put(lean),
            has_lean=put(side),
            usable=put(np.ones(count)),
            hidden_tip=put(np.zeros((count, 2))),
            has_claw=put(np.ones((count, 2))),
        )
