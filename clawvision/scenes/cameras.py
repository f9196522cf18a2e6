"""The cameras of a batch of scenes: where points of the world show in the picture, and what way pixels look."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from clawvision.scenes.mesh import normalised
from clawvision.scenes.stage import Stage
from clawvision.scenes.viewpoint import FRAME_WIDTH


@dataclass(frozen=True, slots=True, eq=False)
class Cameras:
    """A batch of cameras: ``focal`` (B,) px, ``centre`` px, ``position`` (B, 3) world, mm, ``rotation`` (B, 3, 3) with
    the rows right, down and ahead, ``distortion`` (B,), the first radial coefficient; all float32.

    The centre of the top left pixel is at (0, 0).
    """

    focal: Tensor
    centre: tuple[float, float]
    position: Tensor
    rotation: Tensor
    distortion: Tensor

    def project(self, points: Tensor) -> Tensor:
        """Project points.

        Parameters
        ----------
        points : (B, N, 3)
            World, mm.

        Returns
        -------
        Tensor
            (B, N, 3): x and y in pixels, and the depth along the camera's axis in mm.

        Notes
        -----
        Radial distortion as the OpenCV documentation has it (module calib3d), its first coefficient alone; beyond 45°
        from the axis it grows no more.
        """
        seen = (points - self.position[:, None]) @ self.rotation.transpose(1, 2)
        depth = seen[..., 2]
        safe = torch.where(depth.abs() < 1e-3, torch.full_like(depth, 1e-3), depth)
        x, y = seen[..., 0] / safe, seen[..., 1] / safe
        bend = 1.0 + self.distortion[:, None] * (x * x + y * y).clamp_max(1.0)
        focal = self.focal[:, None]
        return torch.stack([focal * bend * x + self.centre[0], focal * bend * y + self.centre[1], depth], dim=-1)

    def rays(self, height: int, width: int) -> Tensor:
        """Return the unit directions, world, (B, H, W, 3), in which the pixels of a picture look."""
        device = self.focal.device
        y, x = torch.meshgrid(
            torch.arange(height, device=device, dtype=torch.float32),
            torch.arange(width, device=device, dtype=torch.float32),
            indexing="ij",
        )
        focal = self.focal[:, None, None]
        u, v = (x - self.centre[0])[None] / focal, (y - self.centre[1])[None] / focal
        k = self.distortion[:, None, None]
        a, b = u, v
        for _ in range(4):
            bend = 1.0 + k * (a * a + b * b).clamp_max(1.0)
            a, b = u / bend, v / bend
        seen = torch.stack([a, b, torch.ones_like(a)], dim=-1)
        return normalised(torch.einsum("bhwk,bkj->bhwj", seen, self.rotation))


def cameras(stages: Sequence[Stage], height: int, width: int, device: torch.device) -> Cameras:
    """Gather the scenes' cameras for pictures of a size, pixels."""
    views = [stage.viewpoint for stage in stages]

    def gathered(values: list[object]) -> Tensor:
        return torch.tensor(np.array(values), dtype=torch.float32, device=device)

    return Cameras(
        gathered([view.focal for view in views]) * (max(height, width) / FRAME_WIDTH),
        (0.5 * (width - 1), 0.5 * (height - 1)),
        gathered([view.position for view in views]),
        gathered([view.rotation for view in views]),
        gathered([view.distortion for view in views]),
    )
