"""The two printed targets for calibrating a lens, in mm: origin at the top left corner, x right, y down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np

from clawvision.types import FloatArray

TargetKind = Literal["charuco", "chessboard"]

CHARUCO_DICTIONARY = "DICT_5X5_100"
"""Another dictionary than the scale card's, so that neither is ever taken for the other."""
MARKER_SHARE = 0.7
"""Side of a ChArUco marker, as a share of its square's."""


@dataclass(frozen=True, slots=True)
class Target:
    """A flat calibration target: ``columns`` × ``rows`` squares of ``square_mm``, the top left one black."""

    kind: TargetKind
    columns: int
    rows: int
    square_mm: float

    @property
    def marker_mm(self) -> float:
        """Return the side of a ChArUco marker, its black border included, mm."""
        return self.square_mm * MARKER_SHARE

    def inner_corners(self) -> FloatArray:
        """Return the inner corners, float64 ((columns - 1) * (rows - 1), 2) mm, row by row."""
        x, y = np.meshgrid(np.arange(1, self.columns), np.arange(1, self.rows))
        corners: FloatArray = np.column_stack((x.ravel(), y.ravel())).astype(np.float64) * self.square_mm
        return corners

    def board(self) -> Any:
        """Return OpenCV's description of the ChArUco board (``cv2.aruco.CharucoBoard``)."""
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, CHARUCO_DICTIONARY))
        return cv2.aruco.CharucoBoard((self.columns, self.rows), self.square_mm, self.marker_mm, dictionary)


TARGETS: dict[TargetKind, Target] = {
    "charuco": Target("charuco", 7, 5, 35.0),
    "chessboard": Target("chessboard", 10, 7, 25.0),
}
"""The targets as they are printed; both fit A4 and US Letter."""
