"""Pixels to millimetres and back: rays through the camera, cast on planes parallel to the reference."""

from __future__ import annotations

import cv2
import numpy as np

from clawvision.types import Camera, FloatArray, Scale


def undistort(camera: Camera, points_px: FloatArray) -> FloatArray:
    """Return the normalised image coordinates of pixels.

    Parameters
    ----------
    camera
        Camera of the upright photo.
    points_px : float64 (N, 2)
        Pixels.

    Returns
    -------
    float64 (N, 2)
        x / z and y / z in the camera frame.
    """
    points = np.ascontiguousarray(points_px, dtype=np.float64).reshape(-1, 2)
    if camera.distortion:
        coefficients = np.array(camera.distortion)
        undistorted = cv2.undistortPoints(points[:, None, :], camera.matrix, coefficients)
        return np.asarray(undistorted, dtype=np.float64).reshape(-1, 2)
    return np.column_stack(((points[:, 0] - camera.cx) / camera.fx, (points[:, 1] - camera.cy) / camera.fy))


def ray_directions(scale: Scale, points_px: FloatArray) -> FloatArray:
    """Return the direction of each pixel's ray in the reference frame, float64 (N, 3), not normalised."""
    normalised = undistort(scale.camera, points_px)
    directions: FloatArray = np.column_stack((normalised, np.ones(len(normalised)))) @ scale.rotation
    return directions


def cast(scale: Scale, points_px: FloatArray, z_mm: float | FloatArray) -> FloatArray:
    """Cast pixels on planes parallel to the reference.

    Parameters
    ----------
    scale
        Camera and pose.
    points_px : float64 (N, 2)
        Pixels.
    z_mm : float or float64 (N,)
        Depth of the plane behind the reference, mm; one for all points or one for each.

    Returns
    -------
    float64 (N, 2)
        x and y in the reference frame, mm. NaN where a ray does not meet its plane before the camera.
    """
    return meet(scale, ray_directions(scale, points_px), z_mm)


def meet(scale: Scale, directions: FloatArray, z_mm: float | FloatArray) -> FloatArray:
    """Return where rays of the camera, (N, 3) in the reference frame, meet planes; see `cast`."""
    centre = scale.camera_centre
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = (np.asarray(z_mm) - centre[2]) / directions[:, 2]
    reach = np.where(reach > 0, reach, np.nan)
    return centre[:2] + reach[:, None] * directions[:, :2]


def project(scale: Scale, points_mm: FloatArray) -> FloatArray:
    """Project points of the reference frame, float64 (N, 3) mm, into the picture: float64 (N, 2) pixels."""
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
    rotation_vector, _ = cv2.Rodrigues(np.array(scale.rotation))
    pixels, _ = cv2.projectPoints(
        np.ascontiguousarray(points)[:, None, :],
        rotation_vector,
        np.array(scale.translation),
        scale.camera.matrix,
        np.array(scale.camera.distortion) if scale.camera.distortion else None,
    )
    return np.asarray(pixels, dtype=np.float64).reshape(-1, 2)


def project_plane(scale: Scale, points_mm: FloatArray) -> FloatArray:
    """Project points of the measuring plane, float64 (N, 2) mm, into the picture: float64 (N, 2) pixels."""
    return project(scale, np.column_stack((points_mm, np.full(len(points_mm), scale.offset_mm))))


def mm_per_px(scale: Scale, point_px: FloatArray) -> float:
    """Return the size of one pixel on the measuring plane at ``point_px`` (2,), mm: root of its area there."""
    x, y = float(point_px[0]), float(point_px[1])
    corners = np.array([(x - 0.5, y - 0.5), (x + 0.5, y - 0.5), (x + 0.5, y + 0.5), (x - 0.5, y + 0.5)])
    a, b, c, d = cast(scale, corners, scale.offset_mm)
    across, along = c - a, d - b
    return float(np.sqrt(abs(across[0] * along[1] - across[1] * along[0]) / 2.0))
