"""Results put together by hand, of an invented cow on an invented farm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np

from clawvision.reasons import reason
from clawvision.types import (
    Camera,
    ClawName,
    ClawResult,
    Exif,
    FloatArray,
    Measure,
    Photo,
    PhotoRequest,
    PhotoResult,
    Reference,
    Scale,
    frozen_array,
    frozen_mapping,
)

SHA = "5f" * 32
WIDTH, HEIGHT = 1600, 1200


def measure(value: float, uncertainty: float, unit: str = "mm") -> Measure:
    return Measure(value, uncertainty, unit, frozen_mapping({"offset": uncertainty / 3, "focal": -uncertainty / 4}))  # type: ignore[arg-type]


def turn(x_deg: float, y_deg: float) -> FloatArray:
    about_x, _ = cv2.Rodrigues(np.array([np.radians(x_deg), 0.0, 0.0]))
    about_y, _ = cv2.Rodrigues(np.array([0.0, np.radians(y_deg), 0.0]))
    return np.asarray(about_x @ about_y, dtype=np.float64)


def scale(offset_mm: float = 25.0, tilt: tuple[float, float] = (6.0, -4.0)) -> Scale:
    corners = np.array([(0.0, 0.0), (85.6, 0.0), (85.6, 53.98), (0.0, 53.98)])
    seen = np.array([(1060.0, 300.0), (1400.0, 312.0), (1392.0, 530.0), (1052.0, 516.0)])
    deviations = np.array([0.004, 0.005, 0.001, 0.1, 0.12, 1.5])
    return Scale(
        reference=Reference("card", frozen_array(seen), frozen_array(corners), 0.2, frozen_array(seen), (0, 1, 3)),
        camera=Camera(WIDTH, HEIGHT, 2300.0, 2300.0, 799.5, 599.5, u_focal_rel=0.01, source="exif"),
        rotation=frozen_array(turn(*tilt)),
        translation=frozen_array([65.0, -75.0, 580.0]),
        pose_covariance=frozen_array(np.diag(deviations**2)),
        offset_mm=offset_mm,
        u_offset_mm=4.0,
        reprojection_px=0.21,
    )


def photo(name: str = "byre/side.jpg") -> Photo:
    """A smooth picture: grey ground, brown leg."""
    x = np.linspace(0.0, 1.0, WIDTH)
    y = np.linspace(0.0, 1.0, HEIGHT)[:, None]
    pixels = np.stack([110 + 40 * x + 20 * y, 105 + 30 * x + 25 * y, 100 + 25 * x + 30 * y], axis=-1).astype(np.uint8)
    pixels[:560, 420:720] = (112, 74, 50)
    pixels.flags.writeable = False
    return Photo(name, SHA, pixels, Exif(), (WIDTH, HEIGHT))


def side_result() -> PhotoResult:
    """A claw with C, T, B and H at round places; the values belong to it roughly."""
    outline = np.array([(720, 560), (860, 860), (820, 872), (420, 850), (352, 800), (350, 700), (390, 640), (540, 590)])
    border = np.array([(720.0, 560.0), (790.0, 712.0), (860.0, 860.0)])
    claw = ClawResult(
        name="outer",
        outline_px=frozen_array(outline),
        landmarks_px=frozen_mapping({"C": (720, 560), "T": (860, 860), "B": (390, 640), "H": (365, 810)}),
        confidence=0.83,
        source="automatic",
        measures=frozen_mapping(
            {
                "toe_length": measure(83.42, 1.2),
                "dorsal_arc": measure(83.9, 1.3),
                "toe_angle": measure(48.26, 1.1, "deg"),
                "wall_angle": measure(49.3, 1.6, "deg"),
                "dorsal_concavity": measure(-0.4, 0.9),
                "heel_height": measure(41.07, 1.5),
                "dorsal_height": measure(62.5, 1.4),
                "bearing_length": Measure(None, None, "mm", reason="straw hides the heel"),
                "diagonal": measure(130.9, 1.9),
                "toe_lift": measure(0.63, 0.8),
            }
        ),
        guides_px=frozen_mapping(
            {
                "bearing_line": frozen_array([(420, 850), (820, 872)]),
                "dorsal_border": frozen_array(border),
                "wall_line": frozen_array(border[:2]),
            }
        ),
    )
    request = PhotoRequest(
        path=Path("side.jpg"),
        name="byre/side.jpg",
        animal="Lindgard 7",
        foot="RH",
        view="side",
        claw="outer",
        stage="before",
        taken="2031-04-02",
        profile="holstein",
        offset_mm=25.0,
        trimmed=date(2030, 11, 20),
        locomotion=3,
        signs=("swelling", "heat"),
        tick_mm=1.0,
        points=(1.0, 2.0, 3.0, 4.0, 50.0),
    )
    return PhotoResult(
        request=request,
        sha256=SHA,
        size=(WIDTH, HEIGHT),
        exif=Exif("Anyphone", "One", "2031-04-02T08:15:00", 5.4, 50.0),
        view="side",
        view_inferred=False,
        taken="2031-04-02",
        status="measured",
        reasons=(reason("focal_assumed"),),
        scale=scale(),
        mm_per_px=0.263,
        claws=frozen_mapping({"outer": claw}),
        foot_measures=frozen_mapping(),
    )


def sole_result() -> PhotoResult:
    """Two ellipse-like claws, toes up, the outer one longer."""
    claws: Mapping[ClawName, ClawResult] = {
        "outer": _sole_claw("outer", np.array([660.0, 620.0]), 330.0, 105.0, measure(124.1, 2.0), 9.4),
        "inner": _sole_claw("inner", np.array([420.0, 640.0]), 300.0, 100.0, measure(112.8, 2.0), 7.9),
    }
    side = side_result()
    return replace(
        side,
        request=replace(side.request, name="byre/sole.jpg", view="sole", claw=None),
        view="sole",
        status="review",
        reasons=(reason("reference_oblique", reference="card", tilt=17.0), reason("plain_card")),
        scale=scale(0.0),
        claws=frozen_mapping(claws),
        foot_measures=frozen_mapping(
            {
                "length_difference": measure(11.3, 2.4),
                "length_difference_percent": measure(9.5, 2.0, "percent"),
                "width_difference": measure(1.1, 2.2),
                "splay": measure(2.6, 1.2, "deg"),
                "toe_overlap": measure(-24.0, 1.5),
            }
        ),
        foot_guides_px=frozen_mapping(
            {"cleft": frozen_array([(540, 700), (545, 330)]), "foot_axis": frozen_array([(536, 900), (546, 300)])}
        ),
    )


def refused_result() -> PhotoResult:
    """A photo that could be read, without a card in it."""
    side = side_result()
    return replace(
        side,
        status="refused",
        reasons=(reason("no_reference"), reason("blurred")),
        scale=None,
        mm_per_px=None,
        claws=frozen_mapping(),
    )


def unread_result() -> PhotoResult:
    """A file that is no photo."""
    return replace(
        refused_result(),
        request=PhotoRequest(Path("empty.jpg"), "byre/empty.jpg"),
        sha256=None,
        size=None,
        exif=None,
        view=None,
        taken=None,
        reasons=(reason("file_empty"),),
    )


def _sole_claw(
    name: ClawName, middle: FloatArray, long: float, wide: float, length: Measure, twist: float
) -> ClawResult:
    angle = np.linspace(0.0, 2 * np.pi, 120, endpoint=False)
    across = wide * np.cos(angle) * (1.0 - 0.35 * np.sin(angle))
    outline = middle + np.column_stack((across, -long * np.sin(angle)))
    share = np.linspace(0.1, 0.9, 17)
    bend = np.where(share > 0.55, (share - 0.55) * 60.0, 0.0) * (-1.0 if name == "outer" else 1.0)
    midline = middle + np.column_stack((bend, long - 2 * long * share))
    heel, toe = middle + np.array([0.0, 0.7 * long]), middle - np.array([0.0, long])
    return ClawResult(
        name=name,
        outline_px=frozen_array(outline),
        landmarks_px=frozen_mapping({"K": tuple(heel), "T": tuple(toe)}),
        confidence=0.71,
        source="automatic",
        measures=frozen_mapping(
            {
                "sole_length": length,
                "sole_width": measure(52.5, 2.1),
                "sole_area": measure(4685.0, 140.0, "mm2"),
                "axial_twist": measure(twist, 3.0, "deg"),
            }
        ),
        guides_px=frozen_mapping(
            {
                "axis": frozen_array([middle + np.array([0.0, long]), toe]),
                "midline": frozen_array(midline),
                "width": frozen_array([middle + np.array([-wide, 60.0]), middle + np.array([wide, 60.0])]),
            }
        ),
    )
