"""Calibrating a lens from photos of a printed target."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from scipy.spatial.distance import pdist

from clawvision.errors import UsageError
from clawvision.scale.calibration import SCHEMA, CalibrationView, DroppedPhoto, LensCalibration, to_stored
from clawvision.scale.camera import camera_for
from clawvision.scale.target import Target
from clawvision.types import ByteArray, Exif, FloatArray, Photo

MIN_VIEWS = 6
MIN_TURN_DEG = 20.0
"""Least angle between the target's normals of two views. Views of parallel planes tell nothing of the focal length
(Z. Zhang, A flexible new technique for camera calibration, IEEE TPAMI 22(11), 2000)."""
MAX_U_FOCAL = 0.01
_MIN_CORNERS = 8
_SEARCH_SIDE_PX = 1200
# Shares of a square that hold nothing but the edges of the corner itself: the next corner, or the next marker, is out.
_CHESSBOARD_WINDOW, _CHARUCO_WINDOW = 0.25, 0.12
_NEAR_MM, _FAR_MM = 400.0, 1000.0  # how far away claws are photographed
_LONG_PHONE_LENS_MM = 9.0


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    name: str
    exif: Exif
    size: tuple[int, int]
    """Of the stored picture."""
    corners_px: FloatArray
    """(N, 2), in the stored picture."""
    corners_mm: FloatArray
    """(N, 3), on the target."""

    @property
    def setting(self) -> tuple[object, ...]:
        return (self.exif.make, self.exif.model, self.exif.focal_35mm, self.exif.focal_mm, self.size)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    rms: float
    matrix: FloatArray
    distortion: FloatArray
    normals: FloatArray
    u_fx: float
    u_fy: float
    per_view: FloatArray


def calibrate(photos: Iterable[Photo], target: Target, *, date: str = "") -> LensCalibration:
    """Calibrate a lens.

    Parameters
    ----------
    photos
        Photos of the target, all by one camera at one zoom setting. Each is looked at once and let go, so an
        iterator that reads them one by one saves memory.
    target
        What was printed; ``square_mm`` as measured on the print.
    date
        Day of the calibration, ISO 8601, or empty.

    Returns
    -------
    LensCalibration
        For the picture as stored. Photos that do not fit the others are left out and listed with the reason.

    Raises
    ------
    UsageError
        If too few photos can be used, they do not name their camera, all show the target in the same direction,
        or no lens model fits them.

    Notes
    -----
    ``u_focal_rel`` combines (GUM, JCGM 100:2008, 5.1.2) the standard deviation of the fit, the difference of fx
    and fy (both are equal where pixels are square and the print is not stretched), and refocusing: by the thin lens
    equation the image distance grows by f / u, so between 400 and 1000 mm the focal length in pixels varies by
    f / 400 − f / 1000, taken as a rectangular distribution.
    """
    views, dropped = _views(photos, target)
    views = _of_one_camera(views, dropped)
    if len(views) < MIN_VIEWS:
        raise _too_few(views, dropped)
    first = views[0].exif
    if first.model is None or (first.focal_35mm is None and first.focal_mm is None):
        raise UsageError(
            "The photos do not tell by which camera and focal length they were taken.",
            "Use the photos as the camera stored them, with their EXIF data: without it no calibration can be chosen.",
        )
    guess = camera_for(first, *views[0].size).matrix
    if _spread_deg(_normals(views, guess)) < MIN_TURN_DEG:
        raise _too_alike()
    fit = _fit(views, guess)
    while len(views) > MIN_VIEWS and (worst := _outlier(fit)) is not None:
        dropped.append(DroppedPhoto(photo=views[worst].name, reason=f"it fits badly ({fit.per_view[worst]:.2f} px)"))
        views = views[:worst] + views[worst + 1 :]
        fit = _fit(views, guess)
    width, height = views[0].size
    _check(fit, math.hypot(width, height))
    focus_mm = first.focal_mm or _LONG_PHONE_LENS_MM
    u_focus = focus_mm * (1 / _NEAR_MM - 1 / _FAR_MM) / math.sqrt(12)
    fx, fy = fit.matrix[0, 0], fit.matrix[1, 1]
    parts = (max(fit.u_fx / fx, fit.u_fy / fy), (fx / fy - 1) / math.sqrt(12), u_focus)
    middle = (np.array((width, height)) - 1) / 2
    farthest = max(float(np.linalg.norm(view.corners_px - middle, axis=1).max()) for view in views)
    return LensCalibration(
        schema=SCHEMA,
        make=first.make,
        model=first.model,
        focal_mm=first.focal_mm,
        focal_35mm=first.focal_35mm,
        width=width,
        height=height,
        fx=round(float(fx), 3),
        fy=round(float(fy), 3),
        cx=round(float(fit.matrix[0, 2]), 3),
        cy=round(float(fit.matrix[1, 2]), 3),
        distortion=tuple(round(float(c), 7) for c in fit.distortion),  # type: ignore[arg-type]
        rms_px=round(fit.rms, 4),
        u_focal_rel=round(math.hypot(*parts), 6),
        reach=round(farthest / math.hypot(*middle), 3),
        photos=tuple(
            CalibrationView(
                photo=view.name, corners=len(view.corners_px), rms_px=round(float(error), 4), tilt_deg=round(tilt, 1)
            )
            for view, error, tilt in zip(views, fit.per_view, _tilts_deg(fit.normals), strict=True)
        ),
        dropped=tuple(dropped),
        date=date,
        target=target.kind,
        square_mm=target.square_mm,
    )


def _views(photos: Iterable[Photo], target: Target) -> tuple[list[_View], list[DroppedPhoto]]:
    views: list[_View] = []
    dropped: list[DroppedPhoto] = []
    for photo in photos:
        corners_px, corners_mm = find_corners(photo, target)
        if len(corners_px) < _MIN_CORNERS:
            seen = f"only {len(corners_px)} corners of the target show" if len(corners_px) else "no target was found"
            dropped.append(DroppedPhoto(photo=photo.name, reason=seen))
            continue
        turn = photo.exif.orientation
        size = (photo.height, photo.width) if turn >= 5 else (photo.width, photo.height)
        stored_px = to_stored(corners_px, photo.width, photo.height, turn)
        views.append(_View(photo.name, photo.exif, size, stored_px, corners_mm))
    return views, dropped


def find_corners(photo: Photo, target: Target) -> tuple[FloatArray, FloatArray]:
    """Find the target's inner corners in an upright photo.

    Returns
    -------
    corners_px : float64 (N, 2)
        In the upright photo. Empty where the target was not found; a ChArUco target may be partly hidden.
    corners_mm : float64 (N, 3)
        The same corners on the target, z = 0.
    """
    grey = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    known = np.column_stack((target.inner_corners(), np.zeros((target.columns - 1) * (target.rows - 1))))
    if target.kind == "charuco":
        found, ids, _, _ = cv2.aruco.CharucoDetector(target.board()).detectBoard(grey)
        if found is None or ids is None:
            return np.empty((0, 2)), np.empty((0, 3))
        # Refined once more: some releases of OpenCV give these corners half a pixel off.
        return _refined(grey, np.reshape(found, (-1, 2)), _CHARUCO_WINDOW), known[np.ravel(ids)]
    corners = _chessboard_corners(grey, target.columns - 1, target.rows - 1)
    return (corners, known) if len(corners) else (corners, np.empty((0, 3)))


def _chessboard_corners(grey: ByteArray, columns: int, rows: int) -> FloatArray:
    """Find the corners in a smaller picture, since in 12 million pixels the search takes seconds, then refine them."""
    factor = min(1.0, _SEARCH_SIDE_PX / max(grey.shape))
    small = grey if factor == 1.0 else cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    complete, found = cv2.findChessboardCornersSB(small, (columns, rows), flags=cv2.CALIB_CB_NORMALIZE_IMAGE)
    if not complete:
        return np.empty((0, 2))
    scale = np.array((grey.shape[1] / small.shape[1], grey.shape[0] / small.shape[0]))
    return _refined(grey, (np.reshape(found, (-1, 2)) + 0.5) * scale - 0.5, _CHESSBOARD_WINDOW)


def _refined(grey: ByteArray, corners: FloatArray, window: float) -> FloatArray:
    """Refine corners (N, 2) within a window of half width ``window``, a share of the least distance of two of them."""
    if len(corners) < 2:
        return np.asarray(corners, dtype=np.float64)
    spacing = float(pdist(corners).min())
    reach = int(np.clip(spacing * window, 3, 30))
    start = np.ascontiguousarray(corners.reshape(-1, 1, 2), dtype=np.float32)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 50, 0.001)
    refined = cv2.cornerSubPix(grey, start, (reach, reach), (-1, -1), stop)
    return np.reshape(refined, (-1, 2)).astype(np.float64)


def _of_one_camera(views: list[_View], dropped: list[DroppedPhoto]) -> list[_View]:
    """Keep the photos of the camera, zoom setting and picture size that most of them share."""
    if not views:
        return views
    common, _ = Counter(view.setting for view in views).most_common(1)[0]
    others = [view for view in views if view.setting != common]
    dropped += [
        DroppedPhoto(photo=view.name, reason="it has another camera, zoom or picture size than most") for view in others
    ]
    return [view for view in views if view.setting == common]


def _normals(views: list[_View], matrix: FloatArray) -> FloatArray:
    """Return the target's normal in each view, (N, 3), facing away from the camera, for a lens roughly known."""
    normals = []
    for view in views:
        _, rotation, _ = cv2.solvePnP(view.corners_mm, view.corners_px, matrix, None, flags=cv2.SOLVEPNP_IPPE)
        normals.append(_normal(rotation))
    return np.array(normals)


def _normal(rotation_vector: Any) -> FloatArray:
    matrix, _ = cv2.Rodrigues(np.reshape(rotation_vector, 3).astype(np.float64))
    normal: FloatArray = np.asarray(matrix, dtype=np.float64)[:, 2]
    return normal if normal[2] >= 0 else -normal


def _tilts_deg(normals: FloatArray) -> list[float]:
    return [float(tilt) for tilt in np.degrees(np.arccos(np.clip(normals[:, 2], -1.0, 1.0)))]


def _spread_deg(normals: FloatArray) -> float:
    """Return the largest angle between two normals."""
    return float(np.degrees(np.arccos(np.clip((normals @ normals.T).min(), -1.0, 1.0))))


def _fit(views: list[_View], guess: FloatArray) -> _Fit:
    # k3 stays 0: it needs corners at the very edge of the picture, and goes astray without them.
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_K3
    rms, matrix, distortion, rotations, _, spread, _, per_view = cv2.calibrateCameraExtended(
        [np.ascontiguousarray(view.corners_mm, dtype=np.float32)[:, None, :] for view in views],
        [np.ascontiguousarray(view.corners_px, dtype=np.float32)[:, None, :] for view in views],
        views[0].size,
        guess.copy(),
        np.zeros(5),
        flags=flags,
    )
    deviations = np.ravel(spread)
    return _Fit(
        rms=float(rms),
        matrix=np.asarray(matrix, dtype=np.float64),
        distortion=np.ravel(np.asarray(distortion, dtype=np.float64))[:5],
        normals=np.array([_normal(rotation) for rotation in rotations]),
        u_fx=float(deviations[0]),
        u_fy=float(deviations[1]),
        per_view=np.ravel(np.asarray(per_view, dtype=np.float64)),
    )


def _outlier(fit: _Fit) -> int | None:
    """Return the view that fits far worse than the others, if there is one."""
    worst = int(np.argmax(fit.per_view))
    return worst if fit.per_view[worst] > max(2.5 * float(np.median(fit.per_view)), 0.3) else None


def _check(fit: _Fit, diagonal_px: float) -> None:
    fx, fy = fit.matrix[0, 0], fit.matrix[1, 1]
    # A phone's 12 million pixels are finer than its lens.
    limit = max(1.0, 3e-4 * diagonal_px)
    if not np.isfinite(fit.matrix).all() or not np.isfinite(fit.distortion).all() or fit.rms > limit:
        raise UsageError(
            f"No lens fits these photos: the corners are {fit.rms:.1f} px off in the mean, {limit:.1f} px are allowed.",
            "Check --target, glue the print flat on a board, hold the camera still, and take the photos again.",
        )
    if abs(fx / fy - 1.0) > 0.01:
        raise UsageError(
            f"The target seems stretched: by the photos its two directions differ by {abs(fx / fy - 1.0):.1%}.",
            "Print it again at 100 % and measure the check lines in both directions.",
        )
    if max(fit.u_fx / fx, fit.u_fy / fy) > MAX_U_FOCAL:
        raise _too_alike()


def _too_few(views: list[_View], dropped: list[DroppedPhoto]) -> UsageError:
    listed = "; ".join(f"{photo.photo}: {photo.reason}" for photo in dropped[:5])
    more = f"; and {len(dropped) - 5} more" if len(dropped) > 5 else ""
    count = f"{len(views)} of {len(views) + len(dropped)} photos can be used"
    return UsageError(
        f"A lens needs at least {MIN_VIEWS} photos of the target; {count}{f' ({listed}{more})' if listed else ''}.",
        "Check --target, and take 10 to 20 sharp photos that show all of it, by one camera without zoom.",
    )


def _too_alike() -> UsageError:
    return UsageError(
        "The photos are too alike to tell the focal length: all show the target in nearly the same direction.",
        "Tilt the camera: take some photos from 20 to 40° to the left, right, above and below, and some square on.",
    )
