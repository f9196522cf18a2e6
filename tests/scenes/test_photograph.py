"""Camera effects against what other libraries and plain arithmetic say."""

from __future__ import annotations

import dataclasses
import io

import numpy as np
import pytest
from PIL import Image

torch = pytest.importorskip("torch")

from clawvision.scenes.camera_effects import CameraEffects, collate_effects, sample_camera_effects  # noqa: E402
from clawvision.scenes.jpeg import jpeg  # noqa: E402
from clawvision.scenes.photograph import DISC_EDGE, _blurred, photograph, to_srgb  # noqa: E402


def _picture() -> np.ndarray:
    """A picture with smooth parts, edges and colour."""
    y, x = np.mgrid[0:96, 0:128]
    rng = np.random.default_rng(2)
    smooth = np.stack([x / 128, y / 96, (x + y) / 224], axis=-1)
    smooth[20:60, 30:80] = (0.8, 0.3, 0.2)
    return np.clip(smooth + rng.normal(0, 0.02, smooth.shape), 0, 1)


def _tensor(picture: np.ndarray) -> object:
    return torch.from_numpy(picture.astype(np.float32)).permute(2, 0, 1)[None]


def _mild(**changes: object) -> CameraEffects:
    """Effects that change next to nothing but what is given."""
    f = np.float32
    none = CameraEffects(
        flaw="none",
        blur=np.zeros(4, f),
        depth_blur=np.zeros(2, f),
        exposure=np.array([0, 0.12, 0], f),
        white=np.ones(3, f),
        vignette=np.array(0, f),
        noise=np.array([0, 0, 0.5, 0], f),
        tone=np.array([1, 0, 1, 0, 1], f),
        sharpen=np.array([0, 1], f),
        jpeg=np.array([100, 0], f),
        size=np.array(0, f),
        stamp=np.zeros(8, f),
    )
    return dataclasses.replace(none, **{name: np.asarray(value, f) for name, value in changes.items()})


def _take(linear: object, *effects: CameraEffects) -> object:
    return photograph(linear, collate_effects(effects, "cpu"), torch.Generator().manual_seed(5))


@pytest.mark.parametrize(("quality", "halved"), [(90, 0), (60, 0), (75, 1), (40, 1)])
def test_jpeg_loses_what_another_encoder_loses(quality: int, halved: int) -> None:
    """The file of Pillow's encoder at the same quality, decoded, differs far less from ours than from the original."""
    picture = _picture()
    stream = io.BytesIO()
    original = Image.fromarray((picture * 255).round().astype(np.uint8))
    original.save(stream, "JPEG", quality=quality, subsampling=2 if halved else 0)
    theirs = np.asarray(Image.open(stream), dtype=np.float64)
    ours = jpeg(_tensor(np.asarray(original) / 255), torch.tensor([float(quality)]), torch.tensor([float(halved)]))
    ours = ours[0].permute(1, 2, 0).double().numpy() * 255
    lost = np.sqrt(np.mean((theirs - np.asarray(original, dtype=np.float64)) ** 2))
    between = np.sqrt(np.mean((theirs - ours) ** 2))
    assert between < 0.35 * lost


def test_srgb_is_that_of_the_standard() -> None:
    """IEC 61966-2-1: the curve's two branches, and its ends."""
    linear = torch.tensor([0.0, 0.001, 0.0031308, 0.2, 1.0, 3.0])
    expected = [0.0, 0.01292, 0.0404499, 1.055 * 0.2 ** (1 / 2.4) - 0.055, 1.0, 1.0]
    assert to_srgb(linear).tolist() == pytest.approx(expected, abs=1e-5)


def test_blur_spreads_a_point_as_its_sizes_say() -> None:
    """Second moments of discs (radius squared by four), Gaussians and motions (length squared by twelve) add up."""
    light = torch.zeros(3, 3, 120, 160)
    light[:, :, 60, 80] = 1
    width = 160
    disc, sigma, motion = 6.0, 2.5, 12.0
    blur = torch.tensor([[disc / width, 0, 0, 0], [0, sigma / width, 0, 0], [0, sigma / width, motion / width, 0]])
    result = _blurred(light, blur)[:, 0]
    total = result.sum(dim=(1, 2))
    assert total.tolist() == pytest.approx([1, 1, 1], abs=0.05)
    across = ((torch.arange(160) - 80.0) ** 2 * result.sum(dim=1)).sum(dim=1) / total
    down = ((torch.arange(120) - 60.0) ** 2 * result.sum(dim=2)).sum(dim=1) / total
    assert across[1:].tolist() == pytest.approx([sigma**2, sigma**2 + motion**2 / 12], rel=0.03)
    assert down[1:].tolist() == pytest.approx([sigma**2, sigma**2], rel=0.03)
    assert float(across[0]) == pytest.approx(disc**2 / 4 + (DISC_EDGE * disc) ** 2, rel=0.03)


def test_mild_effects_leave_the_picture_alone() -> None:
    srgb = _picture()
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    luma = linear @ np.array([0.2126, 0.7152, 0.0722])
    # Automatic exposure is off; what it holds for usual light is then the unit of the picture.
    photo = _take(torch.from_numpy(linear.astype(np.float32))[None] * 0.3, _mild())
    gain = float(photo.mean()) / srgb.mean()
    assert 0.3 < gain < 1.0
    assert luma.max() <= 1
    flat = photo[0].permute(1, 2, 0).numpy()
    assert np.corrcoef(flat.ravel(), srgb.ravel())[0, 1] > 0.99


def test_stops_change_the_light() -> None:
    linear = torch.full((3, 64, 64, 3), 0.12)
    photo = _take(linear, _mild(exposure=[1, 0.12, -2]), _mild(exposure=[1, 0.12, 0]), _mild(exposure=[1, 0.12, 2]))
    under, usual, over = photo.mean(dim=(1, 2, 3)).tolist()
    assert under < 0.6 * usual
    assert over > 1.5 * usual


def test_automatic_exposure_evens_out_the_light() -> None:
    linear = torch.full((2, 64, 64, 3), 0.05)
    linear[1] *= 40
    dark, bright = _take(linear, *[_mild(exposure=[1, 0.18, 0])] * 2).mean(dim=(1, 2, 3)).tolist()
    assert dark == pytest.approx(bright, abs=0.01)


def test_every_size_gives_back_the_picture_s_own_size() -> None:
    rng = np.random.default_rng(1)
    effects = [dataclasses.replace(sample_camera_effects(rng), size=np.float32(k)) for k in range(5)]
    photo = _take(torch.rand(5, 90, 122, 3, generator=torch.Generator().manual_seed(0)), *effects)
    assert photo.shape == (5, 3, 90, 122)
    assert photo.isfinite().all()
    assert photo.min() >= 0
    assert photo.max() <= 1


def test_a_stamp_changes_its_corner_alone() -> None:
    linear = torch.full((2, 96, 128, 3), 0.1)
    stamp = [1, 0.6, 0.66, 0.05, 1, 0.6, 0.1, 12345]
    plain, dated = _take(linear, _mild(), _mild(stamp=stamp))
    changed = ((dated - plain).abs().amax(dim=0) > 0.1).nonzero()
    assert len(changed) > 30
    # Blocks of eight pixels around the figures may change with them.
    assert changed[:, 0].min() >= 0.66 * 128 - 16
    assert changed[:, 1].min() >= 0.6 * 128 - 16


def test_the_background_blurs_behind_a_sharp_subject() -> None:
    checks = ((torch.arange(128) // 4) % 2).float()[None, :, None].expand(96, 128, 3)[None] * 0.3 + 0.05
    distance = torch.full((1, 96, 128), 4000.0)
    distance[:, 24:72, 32:96] = 500.0
    effects = collate_effects([_mild(depth_blur=[0.03, 5])], "cpu")
    photo = photograph(checks, effects, None, distance=distance)[0, 0]
    assert photo[40:56, 50:78].std() > 3 * photo[4:16, 8:120].std()
