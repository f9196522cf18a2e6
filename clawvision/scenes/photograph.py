"""From light to a file: what lens, sensor, the camera's processing and JPEG make of a rendered picture."""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from torch import Tensor

from clawvision.scenes.camera_effects import SIZES, EffectsBatch
from clawvision.scenes.jpeg import jpeg
from clawvision.scenes.stamps import stamped

_LUMA = (0.2126, 0.7152, 0.0722)
DISC_EDGE = 0.2
"""Standard deviation of the softness of a defocus disc's edge, as a share of its radius."""


def to_srgb(linear: Tensor) -> Tensor:
    """Return linear light, 0 to 1 and clipped there, as sRGB of 0 to 1 (IEC 61966-2-1)."""
    value = linear.clamp(0, 1)
    return torch.where(value <= 0.0031308, value * 12.92, 1.055 * value.clamp_min(0.0031308) ** (1 / 2.4) - 0.055)


def photograph(
    linear: Tensor, effects: EffectsBatch, generator: torch.Generator | None, *, distance: Tensor | None = None
) -> Tensor:
    """Take the picture.

    Parameters
    ----------
    linear
        (B, H, W, 3): linear RGB as `shade` gives it, in any unit of light.
    effects
        Of each picture.
    generator
        Source of the sensor's noise, on the device of ``linear``.
    distance
        (B, H, W): from the camera, mm. Where given, the background may lie out of focus; the focus is on the
        picture's middle.

    Returns
    -------
    Tensor
        (B, 3, H, W): sRGB, 0 to 1.
    """
    with torch.no_grad():
        light = linear.permute(0, 3, 1, 2).to(torch.float32).clamp(0, 1e4)
        light = light * _gain(light, effects)
        # A lamp in the picture may be a thousand times brighter than paper; a lens would flare, a sensor clips.
        light = light.clamp(max=6.0)
        light = _blurred(light, effects.blur)
        if distance is not None:
            light = _background_blurred(light, effects, distance)
        light = light * effects.white[:, :, None, None] * _vignette(light, effects.vignette)
        light = _noisy(light, effects.noise, generator)
        picture = _toned(light, effects.tone)
        return _filed(picture, effects)


def _gain(light: Tensor, effects: EffectsBatch) -> Tensor:
    """Return what automatic exposure multiplies by: it aims the middle-weighted mean at a grey."""
    height, width = light.shape[2:]
    y = torch.linspace(-1, 1, height, device=light.device)[:, None]
    x = torch.linspace(-1, 1, width, device=light.device)[None]
    weight = 0.3 + torch.exp(-2 * (x * x + y * y))
    luma = (light * light.new_tensor(_LUMA)[:, None, None]).sum(dim=1)
    mean = ((luma.clamp(1e-4, 4.0).log() * weight).sum(dim=(1, 2)) / weight.sum()).exp()
    bright = luma[:, ::8, ::8].flatten(1).quantile(0.96, dim=1)
    level, grey, stops = effects.exposure.unbind(dim=1)
    # What automatic exposure does not even out is measured against a scene of middling light.
    usual = 0.12
    gain = grey / (mean**level * usual ** (1 - level))
    # Cameras give up brightness rather than lose the lightest parts.
    gain = gain * (1 + (gain * bright / 0.85) ** 3) ** (-1 / 3)
    return (gain * 2**stops)[:, None, None, None]


def _blurred(light: Tensor, blur: Tensor) -> Tensor:
    """Convolve with a disc, a Gaussian and a straight motion, each of its own size per picture, by their spectra."""
    height, width = light.shape[2:]
    pad = min(height, width) // 12
    padded = F.pad(light, (pad, pad, pad, pad), mode="reflect")
    fy = torch.fft.fftfreq(padded.shape[2], device=light.device)[None, :, None]
    fx = torch.fft.rfftfreq(padded.shape[3], device=light.device)[None, None, :]
    disc, sigma, motion, angle = (blur[:, k, None, None] for k in range(4))
    radial = 2 * math.pi * (disc * width) * (fx * fx + fy * fy).sqrt()
    spectrum = torch.where(
        radial > 1e-3, 2 * torch.special.bessel_j1(radial) / radial.clamp_min(1e-3), torch.ones_like(radial)
    )
    # A lens's disc has no hard edge, and a spectrum cut off at one pixel would make such an edge ring.
    spread = (sigma**2 + (DISC_EDGE * disc) ** 2) * width**2
    spectrum = spectrum * torch.exp(-2 * math.pi**2 * spread * (fx * fx + fy * fy))
    spectrum = spectrum * torch.sinc(motion * width * (fx * angle.cos() + fy * angle.sin()))
    result = torch.fft.irfft2(torch.fft.rfft2(padded) * spectrum[:, None], s=padded.shape[2:])
    inner: Tensor = result[:, :, pad : pad + height, pad : pad + width]
    return inner.clamp_min(0)


def _background_blurred(light: Tensor, effects: EffectsBatch, distance: Tensor) -> Tensor:
    height, width = distance.shape[1:]
    middle = distance[:, height // 3 : height * 2 // 3, width // 3 : width * 2 // 3].flatten(1)
    focus = middle.clamp(1, 1e6).median(dim=1).values[:, None, None]
    radius, onset = effects.depth_blur[:, 0], effects.depth_blur[:, 1, None, None]
    behind = (1 - focus / distance.clamp_min(1.0)).clamp_min(0)
    share = ((behind - 0.08) * onset).clamp(0, 1)[:, None]
    blank = torch.zeros_like(radius)
    kernel = torch.stack([radius, radius * 0.3, blank, blank], dim=1)
    # Light of the subject must not bleed into the soft background: blur both the light and the share of it behind.
    weight = _blurred(share.expand(-1, 3, -1, -1), kernel)[:, :1].clamp_min(1e-3)
    soft = _blurred(light * share, kernel) / weight
    return torch.lerp(light, soft, share * (radius > 0)[:, None, None, None])


def _vignette(light: Tensor, strength: Tensor) -> Tensor:
    height, width = light.shape[2:]
    y = torch.linspace(-1, 1, height, device=light.device)[:, None] * height / width
    x = torch.linspace(-1, 1, width, device=light.device)[None]
    return 1 - strength[:, None, None, None] * ((x * x + y * y) / (1 + (height / width) ** 2))[None, None]


def _noisy(light: Tensor, noise: Tensor, generator: torch.Generator | None) -> Tensor:
    shot, read, coloured, grain = (noise[:, k, None, None, None] for k in range(4))
    b, _, h, w = light.shape
    chance = torch.randn(b, 4, h, w, device=light.device, dtype=light.dtype, generator=generator)
    mixed = coloured * chance[:, :3] + (1 - coloured * coloured).clamp_min(0).sqrt() * chance[:, 3:]
    # Noise that has been through demosaicing and denoising is blotchy, and so stays visible after JPEG.
    soft = F.avg_pool2d(F.pad(mixed, (1, 1, 1, 1), mode="reflect"), 3, stride=1) * 2.0
    mixed = torch.lerp(mixed, soft, (grain / 1.5).clamp(0, 0.9))
    return (light + mixed * (shot * shot * 4 * light + read * read).sqrt()).clamp_min(0)


def _toned(light: Tensor, tone: Tensor) -> Tensor:
    gamma, contrast, saturation, black, shoulder = (tone[:, k, None, None, None] for k in range(5))
    # Highlights roll off above the shoulder instead of clipping at once.
    over = (light - shoulder).clamp_min(0)
    light = light.minimum(shoulder) + (1 - shoulder) * (1 - torch.exp(-over / (1 - shoulder).clamp_min(0.02)))
    picture = to_srgb(light) ** gamma
    curve = picture * picture * (3 - 2 * picture)
    picture = picture + contrast * (curve - picture)
    luma = (picture * picture.new_tensor(_LUMA)[:, None, None]).sum(dim=1, keepdim=True)
    picture = luma + (picture - luma) * saturation
    return (black + picture * (1 - black)).clamp(0, 1)


def _filed(picture: Tensor, effects: EffectsBatch) -> Tensor:
    """Reduce to the original size, sharpen, stamp, compress and enlarge again; pictures of one size together."""
    height, width = picture.shape[2:]
    result = torch.empty_like(picture)
    sizes = effects.size.round().to(torch.int64)
    for index, share in enumerate(SIZES):
        chosen = (sizes == index).nonzero()[:, 0]
        if len(chosen) == 0:
            continue
        part = picture[chosen]
        size = (max(16, round(height * share)), max(16, round(width * share)))
        if share < 1:
            part = F.interpolate(part, size=size, mode="bilinear", antialias=True)
        part = _sharpened(part, effects.sharpen[chosen])
        part = stamped(part, effects.stamp[chosen])
        part = jpeg(part.clamp(0, 1), effects.jpeg[chosen, 0], effects.jpeg[chosen, 1])
        if share < 1:
            part = F.interpolate(part, size=(height, width), mode="bicubic").clamp(0, 1)
        result[chosen] = part
    return result


def _sharpened(picture: Tensor, sharpen: Tensor) -> Tensor:
    strength, radius = (sharpen[:, k, None, None, None] for k in range(2))
    padded = F.pad(picture, (2, 2, 2, 2), mode="reflect")
    near = F.avg_pool2d(padded, 3, stride=1)[:, :, 1:-1, 1:-1]
    wide = F.avg_pool2d(padded, 5, stride=1)
    soft = torch.lerp(near, wide, (radius - 0.7).clamp(0, 1))
    return (picture + strength * (picture - soft)).clamp(0, 1)
