"""The loss of a JPEG file on tensors: cosine transform, quantisation, halved chroma (ITU-T T.81, annexes A and K)."""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from torch import Tensor

# ITU-T T.81, tables K.1 and K.2.
_LUMA = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)
_CHROMA = (
    (17, 18, 24, 47, 99, 99, 99, 99),
    (18, 21, 26, 66, 99, 99, 99, 99),
    (24, 26, 56, 99, 99, 99, 99, 99),
    (47, 66, 99, 99, 99, 99, 99, 99),
    *((99,) * 8,) * 4,
)
# ITU-T T.871, section 7.
_TO_YCC = ((0.299, 0.587, 0.114), (-0.168736, -0.331264, 0.5), (0.5, -0.418688, -0.081312))
_TO_RGB = ((1.0, 0.0, 1.402), (1.0, -0.344136, -0.714136), (1.0, 1.772, 0.0))


def jpeg(picture: Tensor, quality: Tensor, halved: Tensor) -> Tensor:
    """Return the picture as it comes back from a JPEG file.

    Parameters
    ----------
    picture
        (B, 3, H, W): sRGB, 0 to 1.
    quality
        (B,): 1 to 100, as the usual encoders scale their tables by it.
    halved
        (B,): 1 where chroma is stored at half the width and height, else 0.
    """
    height, width = picture.shape[2:]
    padded = F.pad(picture, (0, -width % 16, 0, -height % 16), mode="replicate")
    ycc = torch.einsum("ij,bjhw->bihw", padded.new_tensor(_TO_YCC), (padded * 255).round())
    scale = torch.where(quality < 50, 5000 / quality.clamp_min(1), 200 - 2 * quality) / 100
    luma = _through(ycc[:, :1] - 128, _LUMA, scale)
    full = _through(ycc[:, 1:], _CHROMA, scale)
    half = _through(F.avg_pool2d(ycc[:, 1:], 2), _CHROMA, scale)
    half = F.interpolate(half, scale_factor=2, mode="bilinear")
    chroma = torch.where(halved[:, None, None, None] > 0.5, half, full)
    rgb = torch.einsum("ij,bjhw->bihw", padded.new_tensor(_TO_RGB), torch.cat([luma + 128, chroma], dim=1))
    return (rgb.round() / 255).clamp(0, 1)[:, :, :height, :width]


def _through(plane: Tensor, table: tuple[tuple[int, ...], ...], scale: Tensor) -> Tensor:
    """Transform, quantise and transform back; planes (B, C, H, W) whose sides are multiples of eight."""
    b, c, h, w = plane.shape
    axis = torch.arange(8, device=plane.device, dtype=plane.dtype)
    basis = torch.cos((2 * axis[None] + 1) * axis[:, None] * math.pi / 16) / 2
    basis[0] = basis[0] / math.sqrt(2)
    blocks = plane.view(b, c, h // 8, 8, w // 8, 8).transpose(3, 4)
    steps = (plane.new_tensor(table) * scale[:, None, None]).round().clamp(1, 255)[:, None, None, None]
    coefficients = torch.round(basis @ blocks @ basis.T / steps) * steps
    return (basis.T @ coefficients @ basis).transpose(3, 4).reshape(b, c, h, w)
