"""Lens calibrations: made from photos of a printed target, kept as files, chosen by a photo's EXIF data.

A calibration holds for the picture as the sensor stores it. The program works on upright photos, so
:meth:`LensCalibration.camera` turns it with the photo's EXIF orientation.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from clawvision.errors import UsageError
from clawvision.regular import read_regular
from clawvision.scale.target import TargetKind
from clawvision.types import Camera, Exif, FloatArray

SCHEMA: Literal["clawvision/lens/1"] = "clawvision/lens/1"
ASPECT_TOLERANCE = 0.005
"""Photos that were made smaller differ in their proportions by less, cropped ones by more."""
FOCAL_35_TOLERANCE_MM = 0.5
"""EXIF tag 0xA405 is a whole number."""
GOOD_FIT = 1.5e-4
"""Reprojection error as a share of the diagonal: 0.75 px of 12 million pixels."""
FULL_REACH = 0.8
_MAX_FILE_BYTES = 1_000_000

# x and y of the upright photo in those of the stored one, up to a shift: Exif tag 0x0112, CIPA DC-008.
_TURNS: dict[int, tuple[tuple[int, int], tuple[int, int]]] = {
    1: ((1, 0), (0, 1)),
    2: ((-1, 0), (0, 1)),
    3: ((-1, 0), (0, -1)),
    4: ((1, 0), (0, -1)),
    5: ((0, 1), (1, 0)),
    6: ((0, -1), (1, 0)),
    7: ((0, -1), (-1, 0)),
    8: ((0, 1), (-1, 0)),
}

Positive = Annotated[float, Field(gt=0)]
Pixels = Annotated[int, Field(gt=0, le=1_000_000)]
Coefficient = Annotated[float, Field(ge=-100, le=100)]


class _Stored(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class CalibrationView(_Stored):
    """A photo that the calibration rests on: root mean square reprojection error, and the target's tilt in it."""

    photo: str
    corners: Annotated[int, Field(gt=0)]
    rms_px: Annotated[float, Field(ge=0)]
    tilt_deg: Annotated[float, Field(ge=0, le=90)]


class DroppedPhoto(_Stored):
    """A photo that was not used, and why."""

    photo: str
    reason: str


class LensCalibration(_Stored):
    """Focal length, principal point and distortion of one camera at one zoom setting.

    ``distortion`` holds OpenCV's k1, k2, p1, p2, k3. Pixel values belong to a stored picture of ``width`` ×
    ``height``. ``u_focal_rel`` is the relative standard uncertainty of the focal length in use, refocusing
    included. ``reach`` is how far from the middle the target was seen, as a share of half the diagonal: nothing
    is known of the distortion beyond.
    """

    schema_: Literal["clawvision/lens/1"] = Field(alias="schema")
    make: str | None
    model: Annotated[str, Field(min_length=1)]
    focal_mm: Positive | None
    focal_35mm: Positive | None
    width: Pixels
    height: Pixels
    fx: Positive
    fy: Positive
    cx: float
    cy: float
    distortion: tuple[Coefficient, Coefficient, Coefficient, Coefficient, Coefficient]
    rms_px: Annotated[float, Field(ge=0)]
    u_focal_rel: Annotated[float, Field(gt=0, lt=0.2)]
    reach: Annotated[float, Field(gt=0, le=1.1)]
    photos: tuple[CalibrationView, ...]
    dropped: tuple[DroppedPhoto, ...] = ()
    date: Annotated[str, Field(pattern=r"^(\d{4}-\d{2}-\d{2})?$")]
    target: TargetKind
    square_mm: Positive

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.focal_mm is None and self.focal_35mm is None:
            raise ValueError("neither focal_mm nor focal_35mm is given")
        if not (0 < self.cx < self.width and 0 < self.cy < self.height):
            raise ValueError("the principal point (cx, cy) lies outside of the picture")
        longer = max(self.width, self.height)
        if not all(0.1 < f / longer < 100.0 for f in (self.fx, self.fy)) or abs(self.fx / self.fy - 1) > 0.1:
            raise ValueError("fx and fy are not those of a camera with this picture size")
        return self

    def camera(self, width: int, height: int, orientation: int) -> Camera:
        """Return the camera of an upright photo.

        Parameters
        ----------
        width, height
            Size of the upright photo, pixels. It may be smaller or larger than the calibrated picture.
        orientation
            The photo's EXIF orientation, 1 to 8, by which it was turned upright.

        Raises
        ------
        ValueError
            If the photo has other proportions than the calibrated picture.

        Notes
        -----
        A photo that stands upright although its orientation says that it was not turned has been turned by
        another program, nobody knows which way. Then the mean of both ways is taken: principal point in the middle,
        no tangential distortion.
        """
        if not same_aspect((width, height), (self.width, self.height)):
            raise ValueError(f"a calibration of {self.width} × {self.height} does not fit {width} × {height} pixels")
        stored = (height, width) if orientation >= 5 else (width, height)
        turned_elsewhere = (stored[0] > stored[1]) != (self.width > self.height) and stored[0] != stored[1]
        if turned_elsewhere:
            orientation = 6 if orientation < 5 else 1  # one of the two ways; what differs between them is evened out
        turn = np.array(_TURNS[orientation])
        own_size = (np.abs(turn).T @ np.array((width, height))).astype(float)
        factor = own_size / (self.width, self.height)
        focal = np.abs(turn) @ (np.array((self.fx, self.fy)) * factor)
        # Pixel centres are whole numbers: half a pixel of border goes with the scaling.
        centre = (np.array((self.cx, self.cy)) + 0.5) * factor - 0.5
        centre = _to_upright(centre[None, :], turn, own_size)[0]
        k1, k2, p1, p2, k3 = self.distortion
        # (p2, p1) is a vector of the picture plane: dx = 2 x (p·x) + r² p, so it turns as the picture does.
        p2, p1 = (float(v) for v in turn @ np.array((p2, p1)))
        if turned_elsewhere:
            centre = (np.array((width, height)) - 1.0) / 2.0
            p1 = p2 = 0.0
        return Camera(
            width=width,
            height=height,
            fx=float(focal[0]),
            fy=float(focal[1]),
            cx=float(centre[0]),
            cy=float(centre[1]),
            distortion=(k1, k2, p1, p2, k3),
            u_focal_rel=self.u_focal_rel,
            source="calibration",
        )

    def to_json(self) -> bytes:
        """Return the content of a calibration file, format ``clawvision/lens/1``."""
        return (self.model_dump_json(by_alias=True, indent=1) + "\n").encode("utf-8")

    @property
    def remarks(self) -> tuple[str, ...]:
        """Return what the figures mean, in words, and what would make the calibration better."""
        fit = self.rms_px / math.hypot(self.width, self.height)
        words = ["The fit is good."] if fit <= GOOD_FIT else ["The fit is usable; sharper photos would better it."]
        if self.reach < FULL_REACH:
            words.append(
                f"The target was seen only as far as {self.reach:.0%} of the way to the picture's corners: keep claw"
                " and card within, or add photos with the target in the corners."
            )
        if len(self.photos) < 10:
            words.append(f"It rests on {len(self.photos)} photos; 10 to 20 are surer.")
        return tuple(words)

    @property
    def file_name(self) -> str:
        """Return a file name made of camera and focal length."""
        focal = f"{self.focal_35mm:g}mm-equivalent" if self.focal_35mm else f"{self.focal_mm:g}mm"
        return "-".join(re.findall(r"[a-z0-9.]+", f"{self.make or ''} {self.model} {focal}".lower())) + ".json"


def same_aspect(one: tuple[int, int], other: tuple[int, int]) -> bool:
    """Return whether two sizes have the same proportions, either way round."""
    ratios = [max(size) / min(size) for size in (one, other)]
    return abs(ratios[0] / ratios[1] - 1.0) <= ASPECT_TOLERANCE


def to_stored(points_px: FloatArray, width: int, height: int, orientation: int) -> FloatArray:
    """Take pixels of the upright photo of ``width`` × ``height``, float64 (N, 2), to the picture as stored."""
    turn = np.array(_TURNS[orientation])
    stored_size = (np.abs(turn).T @ np.array((width, height))).astype(float)
    shift = _shift(turn, stored_size)
    stored: FloatArray = (points_px - shift) @ turn
    return stored


def _to_upright(points_px: FloatArray, turn: FloatArray, stored_size: FloatArray) -> FloatArray:
    upright: FloatArray = points_px @ turn.T + _shift(turn, stored_size)
    return upright


def _shift(turn: FloatArray, stored_size: FloatArray) -> FloatArray:
    """Return what a coordinate that runs backwards has to be added, so that it begins at 0."""
    return np.where(turn.sum(axis=1) < 0, np.abs(turn) @ (stored_size - 1.0), 0.0)


def read_calibration(path: Path) -> LensCalibration:
    """Read a calibration file.

    Raises
    ------
    UsageError
        If it cannot be read or does not hold to the format; names the file and each fault.
    """
    remedy = "Mend it, or remove it and make it anew with: clawvision calibrate."
    try:
        data = read_regular(path, _MAX_FILE_BYTES)
    except OSError as error:
        raise UsageError(f"The lens calibration {path} cannot be read: {error.strerror or error}.", remedy) from error
    if len(data) > _MAX_FILE_BYTES:
        raise UsageError(f"The lens calibration {path} is too large to be one.", remedy)
    try:
        return LensCalibration.model_validate_json(data)
    except ValidationError as error:
        faults = "; ".join(_fault(fault["loc"], fault["msg"]) for fault in error.errors(include_url=False)[:5])
        raise UsageError(f"The lens calibration {path} cannot be used: {faults}.", remedy) from error


def _fault(place: tuple[int | str, ...], message: str) -> str:
    text = message.removeprefix("Value error, ")
    return f"{'.'.join(str(part) for part in place)}: {text}" if place else text


def load_calibrations(dirs: Sequence[Path]) -> tuple[LensCalibration, ...]:
    """Read every ``*.json`` file of the given folders, in the order of folders and names.

    Raises
    ------
    UsageError
        If a folder is not there, or a file is broken.
    """
    found: list[LensCalibration] = []
    for folder in dirs:
        if not folder.is_dir():
            raise UsageError(
                f"The calibration folder {folder} is not there.", "Check its name, or leave the option out."
            )
        found += [read_calibration(path) for path in sorted(folder.glob("*.json"))]
    return tuple(found)


def match_calibration(
    calibrations: Sequence[LensCalibration], exif: Exif, width: int, height: int
) -> LensCalibration | None:
    """Return the calibration that fits a photo, or None.

    It fits if maker, model, focal length and proportions (either way round) agree. Where both name the 35 mm
    equivalent that alone decides, since digital zoom changes it and leaves the lens's own focal length as it is.
    Of several the latest is taken, then the one with the least uncertainty.

    Parameters
    ----------
    calibrations
        What :func:`load_calibrations` returned.
    exif
        The photo's EXIF data.
    width, height
        Size of the photo, pixels, turned or not.
    """
    if exif.model is None or "cropped" in exif.flags:
        return None
    fitting = [
        calibration
        for calibration in calibrations
        if _name(calibration.make) == _name(exif.make)
        and _name(calibration.model) == _name(exif.model)
        and same_aspect((calibration.width, calibration.height), (width, height))
        and _same_focal(calibration, exif)
    ]
    return max(fitting, key=lambda c: (c.date, -c.u_focal_rel, c.to_json()), default=None)


def _name(text: str | None) -> str:
    return " ".join((text or "").lower().split())


def _same_focal(calibration: LensCalibration, exif: Exif) -> bool:
    if calibration.focal_35mm is not None and exif.focal_35mm is not None:
        return abs(calibration.focal_35mm - exif.focal_35mm) <= FOCAL_35_TOLERANCE_MM
    if calibration.focal_mm is None or exif.focal_mm is None or "focal_digital_zoom" in exif.flags:
        return False
    return math.isclose(calibration.focal_mm, exif.focal_mm, rel_tol=0.005)
