"""The camera of a photo: from a calibration, else from EXIF, else the usual one."""

from __future__ import annotations

from clawvision.photo.exif import focal_px
from clawvision.types import Camera, Exif

ASSUMED_FOCAL_35MM = 26.0
"""Main cameras of telephones have 24 to 28 mm (common practice)."""

# The tag holds a rounded whole number (half a unit of 26 is 1.1 % as a standard uncertainty), makers differ in
# what they count as the frame, and focusing near shifts it.
U_FOCAL_EXIF = 0.025
# Of a picture that is neither 4:3 nor 3:2 a part was cut away, and makers differ in whether the tag follows.
U_FOCAL_EXIF_CROPPED = 0.06
U_FOCAL_ASSUMED = 0.15
_NATIVE_ASPECTS = (4.0 / 3.0, 3.0 / 2.0)


def camera_for(exif: Exif, width: int, height: int, calibrated: Camera | None = None) -> Camera:
    """Return the camera of the upright photo.

    Parameters
    ----------
    exif
        The photo's EXIF data; ``focal_35mm`` is used.
    width, height
        Size of the upright photo, pixels.
    calibrated
        Camera from a lens calibration that fits this photo; wins over EXIF.

    Returns
    -------
    Camera
        Focal length in pixels by Exif tag 0xA405: ``f_px = f35 · diagonal_px / 43.267``, principal point in the
        middle.
    """
    if calibrated is not None:
        return calibrated
    f35 = exif.focal_35mm
    # Outside this range the tag is a slip of the camera (0 means unknown by the standard).
    known = f35 is not None and 8.0 <= f35 <= 600.0
    focal = focal_px(f35 if known and f35 is not None else ASSUMED_FOCAL_35MM, width, height)
    aspect = max(width, height) / min(width, height)
    native = any(abs(aspect / a - 1.0) < 0.02 for a in _NATIVE_ASPECTS)
    return Camera(
        width=width,
        height=height,
        fx=focal,
        fy=focal,
        cx=(width - 1) / 2.0,
        cy=(height - 1) / 2.0,
        u_focal_rel=(U_FOCAL_EXIF if native else U_FOCAL_EXIF_CROPPED) if known else U_FOCAL_ASSUMED,
        source="exif" if known else "assumed",
    )
