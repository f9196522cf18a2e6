"""The worked example of docs/uncertainty.md, computed: ``python -m tests.docs.worked_example`` writes it anew."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from clawvision.measure.claws import Measured, measure_claws
from clawvision.photo.read import read_photo
from clawvision.scale.find import find_scale
from clawvision.types import Measure, Outlines, Scale, Settings
from tests.truth import TruePhoto, true_photos

PAGE = Path(__file__).parents[2] / "docs" / "uncertainty.md"
_BLOCK = re.compile(r"(<!-- example:(\w+) -->\n).*?(<!-- end -->)", re.DOTALL)


def _photo(name: str) -> TruePhoto:
    return next(photo for photo in true_photos() if photo.name == name)


def _measured(photo: TruePhoto) -> tuple[Scale, Measured]:
    request = photo.request()
    decoded, _ = read_photo(request.path, name=request.name, settings=Settings())
    scale = find_scale(decoded, request, Settings())
    assert request.view is not None
    outlines = Outlines(request.view, False, tuple(photo.outline(claw) for claw in photo.claws))
    return scale, measure_claws(outlines, scale)


def side() -> str:
    """Return the scale and the budget of the toe length of ``100_side.jpg`` as Markdown."""
    photo = _photo("100_side.jpg")
    scale, measured = _measured(photo)
    toe = measured.claws["outer"].measures["toe_length"]
    lines = [
        f"Card seen from {scale.tilt_deg:.1f}° aside at {scale.distance_mm:.0f} mm, focal length "
        f"{scale.camera.fx:.0f} px ± {100 * scale.camera.u_focal_rel:.1f} % (k = 1) from EXIF, offset "
        f"{scale.offset_mm:.0f} ± {scale.u_offset_mm:.1f} mm (k = 1).",
        "",
        f"`toe_length` = **{toe.value:.1f} ± {toe.uncertainty:.1f} mm** (k = 2); the scene was made with "
        f"{photo.measures('outer')['toe_length']:.1f} mm.",
        "",
        "| cause | contribution, mm (k = 1) |",
        "| --- | --- |",
        *[f"| `{cause}` | {part:+.2f} |" for cause, part in _by_size(toe.budget)],
        f"| root of the sum of squares | {_half(toe):.2f} |",
    ]
    return "\n".join(lines) + "\n"


def sole() -> str:
    """Return how the causes of ``100_sole.jpg`` act on both soles and on their difference, as Markdown."""
    photo = _photo("100_sole.jpg")
    _, measured = _measured(photo)
    columns = [
        measured.claws["outer"].measures["sole_length"],
        measured.claws["inner"].measures["sole_length"],
        measured.foot_measures["length_difference"],
    ]
    truth = [photo.measures(claw)["sole_length"] for claw in ("outer", "inner")]
    truth.append(photo.foot_measures["length_difference"])
    shared = ("reference_size", "plane_offset", "focal_length", "plane_yaw")
    lines = [
        "| | outer `sole_length` | inner `sole_length` | `length_difference` |",
        "| --- | --- | --- | --- |",
        "| value ± uncertainty (k = 2), mm | "
        + " | ".join(f"{each.value:.1f} ± {each.uncertainty:.1f}" for each in columns)
        + " |",
        "| the scene was made with, mm | " + " | ".join(f"{value:.1f}" for value in truth) + " |",
        *[
            f"| `{cause}`, mm (k = 1) | " + " | ".join(_part(each.budget, cause) for each in columns) + " |"
            for cause in shared
        ],
        "| standard uncertainty in all, mm (k = 1) | " + " | ".join(f"{_half(each):.2f}" for each in columns) + " |",
    ]
    return "\n".join(lines) + "\n"


def _half(measure: Measure) -> float:
    assert measure.uncertainty is not None
    return measure.uncertainty / 2.0


def _part(budget: Mapping[str, float], cause: str) -> str:
    return f"{budget[cause]:+.2f}" if cause in budget else "little"


def _by_size(budget: Mapping[str, float]) -> list[tuple[str, float]]:
    return sorted(budget.items(), key=lambda item: -abs(item[1]))


def renewed(page: str) -> str:
    """Return the page with its computed parts made anew."""
    made = {"side": side, "sole": sole}
    return _BLOCK.sub(lambda found: f"{found[1]}{made[found[2]]()}{found[3]}", page)


if __name__ == "__main__":
    PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
