"""The frozen values that pass from stage to stage.

Conventions, everywhere in this package:

* Pixel frame: x right, y down, the centre of the top left pixel is (0, 0), EXIF orientation applied.
* Reference frame (mm): origin at the reference's top left corner, x right and y down as printed on
  it, z into it, away from the viewer. The camera sits at negative z. The measuring plane is z = offset.
* Point arrays are float64 of shape (N, 2), columns x and y; outlines are closed, first point not repeated.
* Uncertainties called ``u_...`` or ``sigma_...`` are standard (k = 1); ``Measure.uncertainty`` is
  expanded (k = 2).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ByteArray = NDArray[np.uint8]

Foot = Literal["LF", "RF", "LH", "RH"]
View = Literal["side", "sole", "front", "rear"]
ClawName = Literal["outer", "inner", "left", "right"]
Stage = Literal["before", "after", "check"]
Status = Literal["measured", "review", "refused"]
ReferenceKind = Literal["card", "id1", "ruler", "points"]
Sign = Literal["swelling", "heat", "wound", "smell", "pain"]


def frozen_array(values: Any) -> FloatArray:
    """Return a read-only float64 copy of ``values``."""
    array = np.array(values, dtype=np.float64)
    array.flags.writeable = False
    return array


def frozen_mapping(values: Mapping[Any, Any] | None = None) -> Mapping[str, Any]:
    """Return a read-only copy of a mapping, in its own order."""
    return MappingProxyType(dict(values or {}))


def _no_mapping() -> Mapping[str, Any]:
    return MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a photo is not simply ``measured`` (or a note on it), and what to do about it."""

    code: str
    message: str
    advice: str
    effect: Literal["note", "review", "refused"]


@dataclass(frozen=True, slots=True)
class PhotoRequest:
    """One photo as asked for: a manifest row, with what the row leaves open as None."""

    path: Path
    name: str
    """The photo as the user names it: relative, POSIX separators. The key in every output."""
    animal: str = ""
    foot: Foot | None = None
    view: View | None = None
    claw: ClawName | None = None
    stage: Stage = "check"
    taken: str | None = None
    profile: str | None = None
    offset_mm: float | None = None
    trimmed: date | None = None
    locomotion: int | None = None
    signs: tuple[Sign, ...] = ()
    tick_mm: float | None = None
    """Tick spacing of a ruler in the photo, mm."""
    points: tuple[float, float, float, float, float] | None = None
    """Two points of known distance: x1, y1, x2, y2 in pixels, then their distance in mm."""


@dataclass(frozen=True, slots=True)
class Exif:
    """What is kept of a photo's EXIF data. Location is never read into it."""

    make: str | None = None
    model: str | None = None
    taken: str | None = None
    """ISO 8601, local time without zone unless the photo states one."""
    focal_mm: float | None = None
    focal_35mm: float | None = None
    """35 mm equivalent focal length, by the diagonal (CIPA DCG-001; Exif tag 0xA405)."""
    orientation: int = 1
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Reduction:
    """How a photo that was decoded smaller lies in the upright picture of its file.

    ``by`` pixels of the file lie along one of the photo; ``shift`` is where the photo's frame begins in the file's
    picture: below 0 where a turned picture's sides are no multiple of ``by``.
    """

    by: int = 1
    shift: tuple[float, float] = (0.0, 0.0)

    def to_file(self, points_px: FloatArray) -> FloatArray:
        """Return pixels (..., 2) of the file's upright picture for those of the photo."""
        if self == WHOLE:
            return points_px
        moved: FloatArray = (points_px + 0.5) * self.by - 0.5 + np.array(self.shift)
        return moved

    def to_photo(self, points_px: FloatArray) -> FloatArray:
        """Return pixels (..., 2) of the photo for those of the file's upright picture."""
        if self == WHOLE:
            return points_px
        moved: FloatArray = (points_px - np.array(self.shift) + 0.5) / self.by - 0.5
        return moved


WHOLE = Reduction()
"""A photo decoded at its full size."""


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """A decoded photo, upright. ``pixels`` is uint8 (H, W, 3) RGB, read-only."""

    name: str
    sha256: str
    pixels: ByteArray
    exif: Exif
    stored_size: tuple[int, int]
    """Width and height as stored, before the EXIF orientation was applied."""
    reduction: Reduction = WHOLE
    """What comes in (drawings, given points) and goes out (results) is in pixels of the file; stages work in these."""
    file_size: tuple[int, int] = (0, 0)
    """Width and height of the file's picture, upright; by default those of ``pixels``."""

    def __post_init__(self) -> None:
        if self.file_size == (0, 0):
            object.__setattr__(self, "file_size", (self.width, self.height))

    @property
    def width(self) -> int:
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        return int(self.pixels.shape[0])


@dataclass(frozen=True, slots=True)
class Camera:
    """Pinhole camera with OpenCV's lens model, for the upright photo.

    ``u_focal_rel`` is the relative standard uncertainty of the focal length.
    """

    width: int
    height: int
    fx: float
    fy: float
    cx: float
    cy: float
    distortion: tuple[float, ...] = ()
    u_focal_rel: float = 0.03
    source: Literal["calibration", "exif", "assumed"] = "assumed"

    @property
    def matrix(self) -> FloatArray:
        """Return the 3 × 3 camera matrix."""
        return np.array([[self.fx, 0.0, self.cx], [0.0, self.fy, self.cy], [0.0, 0.0, 1.0]])


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """A thing of known size found in the photo: matched points in pixels and in mm on it.

    ``points_px`` and ``points_mm`` are (N, 2); ``sigma_px`` is the standard localisation error of one
    coordinate of one point; ``outline_px`` (M, 2) is the whole reference as it covers the picture,
    for use as a mask.
    """

    kind: ReferenceKind
    points_px: FloatArray
    points_mm: FloatArray
    sigma_px: float
    outline_px: FloatArray
    marker_ids: tuple[int, ...] = ()
    u_size_rel: float = 0.002
    """Relative standard uncertainty of the reference's own size (print or manufacturing tolerance)."""
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Scale:
    """Camera and pose of the reference: everything needed to turn a pixel into millimetres.

    ``rotation`` (3, 3) and ``translation`` (3,) take the reference frame (mm) to the camera frame
    (x right, y down, z forward, mm): ``p_cam = rotation @ p_ref + translation``.
    ``pose_covariance`` (6, 6) belongs to a left rotation vector (rad, camera frame) and the translation (mm), at
    the camera's nominal focal length.
    """

    reference: Reference
    camera: Camera
    rotation: FloatArray
    translation: FloatArray
    pose_covariance: FloatArray
    offset_mm: float
    u_offset_mm: float
    reprojection_px: float
    """Root mean square reprojection error of the reference's points."""
    reasons: tuple[Reason, ...] = ()

    @property
    def camera_centre(self) -> FloatArray:
        """Return the camera's centre in the reference frame, mm, shape (3,)."""
        centre: FloatArray = -self.rotation.T @ self.translation
        return centre

    @property
    def tilt_deg(self) -> float:
        """Return the angle between the reference's normal and the camera's axis, degrees."""
        return float(np.degrees(np.arccos(np.clip(self.rotation[2, 2], -1.0, 1.0))))

    @property
    def distance_mm(self) -> float:
        """Return the distance from the camera to the reference's points' centroid, mm."""
        middle = np.append(self.reference.points_mm.mean(axis=0), 0.0)
        return float(np.linalg.norm(self.rotation @ middle + self.translation))


@dataclass(frozen=True, slots=True)
class Landmark:
    """A point of a claw in pixels; ``sigma_px`` is the standard error of each coordinate."""

    x: float
    y: float
    sigma_px: float


@dataclass(frozen=True, slots=True)
class Twist:
    """A helical twist as the picture tells it, degrees, with its standard uncertainty."""

    value_deg: float
    sigma_deg: float


@dataclass(frozen=True, slots=True)
class Lean:
    """How far a side view's claw turns its toe away from the camera as the picture tells it, degrees, with its standard
    uncertainty: the angle of its level heel-to-toe direction behind the plane across the ray to the claw."""

    value_deg: float
    sigma_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class ClawOutline:
    """One claw's horn as it shows in the photo.

    ``outline_px`` is (N, 2), or None where a sidecar gives landmarks only. ``sigma_px`` is the standard
    error of the outline's place across itself. ``given`` holds landmarks that a person placed.
    """

    name: ClawName
    outline_px: FloatArray | None
    confidence: float
    sigma_px: float
    source: Literal["automatic", "sidecar"]
    given: Mapping[str, tuple[float, float]] = field(default_factory=_no_mapping)
    found: Mapping[str, Landmark] = field(default_factory=_no_mapping)
    """Landmarks that the segmenter found; C and B of a side view are where the horn begins under the hair."""
    hidden_tip: float = 0.0
    """Probability that the toe's tip is hidden or cut off."""
    twist: Twist | None = None
    lean: Lean | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Outlines:
    """All claws of a photo, and how the view was known."""

    view: View
    view_inferred: bool
    claws: tuple[ClawOutline, ...]
    reasons: tuple[Reason, ...] = ()
    leg_axis_px: FloatArray | None = None
    """Two points (2, 2) on the leg's axis, upper one first, where a person gave them."""


@dataclass(frozen=True, slots=True)
class Measure:
    """A measured value.

    ``budget`` holds signed standard contributions (k = 1) by cause, in the value's own unit. Values of one
    photo that share a cause share its sign convention, so a difference's contribution is the difference
    of the contributions. ``uncertainty`` is expanded, k = 2. Where a measure could not be taken, value
    and uncertainty are None and ``reason`` says why.
    """

    value: float | None
    uncertainty: float | None
    unit: Literal["mm", "deg", "mm2", "percent"]
    budget: Mapping[str, float] = field(default_factory=_no_mapping)
    flags: tuple[str, ...] = ()
    reason: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ClawResult:
    """One claw of one photo, measured.

    ``guides_px`` holds what the picture draws besides outline and landmarks, each (N, 2) pixels:
    ``bearing_line`` (2 points), ``dorsal_border``, ``wall_line`` (2), ``axis`` (2), ``midline``, ``width`` (2).
    """

    name: ClawName
    outline_px: FloatArray | None
    landmarks_px: Mapping[str, tuple[float, float]]
    confidence: float
    source: Literal["automatic", "sidecar"]
    measures: Mapping[str, Measure]
    guides_px: Mapping[str, FloatArray] = field(default_factory=_no_mapping)
    outline_mm: FloatArray | None = None
    """The outline as measured, (M, 2) mm: each edge at its own depth, in a plane parallel to the reference's, x right
    and y down as printed on it. None where the claw was not measured."""
    landmarks_mm: Mapping[str, tuple[float, float]] = field(default_factory=_no_mapping)
    """C, T, B, H or K, T in the same plane."""


@dataclass(frozen=True, slots=True, eq=False)
class PhotoResult:
    """Everything known about one photo after the chain has run. A refused photo has one too.

    All its pixels are those of the file's picture turned upright, also where the photo was decoded smaller.
    """

    request: PhotoRequest
    sha256: str | None
    size: tuple[int, int] | None
    """Width and height of the upright photo, pixels."""
    exif: Exif | None
    view: View | None
    view_inferred: bool
    taken: str | None
    status: Status
    reasons: tuple[Reason, ...]
    scale: Scale | None
    mm_per_px: float | None
    claws: Mapping[str, ClawResult]
    foot_measures: Mapping[str, Measure]
    foot_guides_px: Mapping[str, FloatArray] = field(default_factory=_no_mapping)
    """``cleft`` (2 points) and ``foot_axis`` (2 points) of a sole view."""


Engine = Literal["opencv", "onnxruntime"]
"""What runs the network that outlines claws. The two round otherwise, so that it is asked for, never found out."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What a run may vary. Every value is written into the assessment."""

    max_file_bytes: int = 80_000_000
    max_pixels: int = 120_000_000
    print_scale: float = 1.0
    """What the printed 50 mm check ruler measures, divided by 50 mm."""
    u_print_rel: float = 0.002
    tick_mm: float = 1.0
    """Tick spacing of a ruler where the manifest names none."""
    min_confidence: float = 0.95
    """Below this confidence of the automatic outline the status is ``review``."""
    calibration_dirs: tuple[str, ...] = ()
    blur_background: bool = False
    """Whether annotated pictures show nothing but the measured foot and the reference. Bears on no measure."""
    engine: Engine = "opencv"
    """What runs the network; ``onnxruntime`` needs the extra ``fast``."""


@dataclass(frozen=True, slots=True, eq=False)
class PhotoFacts:
    """What the findings may know of a photo: no pixels, only measures and context."""

    request: PhotoRequest
    view: View | None
    taken: str | None
    status: Status
    reasons: tuple[Reason, ...]
    claws: Mapping[str, Mapping[str, Measure]]
    """By claw name, then by measure name. Empty for a refused photo."""
    foot_measures: Mapping[str, Measure]


Level = Literal["today", "within 48 hours", "this week", "at the next trim", "no sign in the photo", "unknown"]
State = Literal["shown", "not shown", "cannot tell"]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something the measures show beyond their uncertainty. Never a diagnosis."""

    code: str
    claw: ClawName | None
    text: str
    """One plain sentence or two for the farmer."""
    chain: tuple[Mapping[str, Any], ...]
    """Measure → limit → source → rule: dicts with ``measure``, ``value``, ``uncertainty``, ``unit``,
    ``limit``, ``source``, ``status``, ``photo``."""
    also_explained_by: str = ""
    look_for: str = ""
    where: str = ""
    strength: Literal["strong", "moderate", "weak"] = "moderate"
    icar_term: str | None = None
    """Shape term of the ICAR Claw Health Atlas that is suspected, e.g. ``corkscrew claw``."""
    title: str = ""
    """A few words for lists."""
    exact: str = ""
    """The same in a veterinarian's words."""
    rule: str = ""
    """The row of the table of rules that it comes from."""
    basis: str = ""
    """What the row itself stands on: a publication, common practice, or this project's judgement."""


@dataclass(frozen=True, slots=True)
class CheckedRule:
    """What a rule came to, whether it is shown or not, and what decided it or is missing."""

    rule: str
    code: str
    claw: ClawName | None
    state: State
    why: str


@dataclass(frozen=True, slots=True)
class OpenQuestion:
    """Something not known that could change the answer.

    ``could_become`` is the most urgent level that an answer may lead to; ``settles`` counts the rules that it decides.
    """

    code: str
    text: str
    could_become: Level
    settles: int


@dataclass(frozen=True, slots=True)
class Urgency:
    """How soon somebody must lift the foot, in words, with reasons."""

    level: Level
    at_least: bool
    """True where the gait is unknown, so that the level is a lower bound."""
    text: str
    reasons: tuple[str, ...] = ()
    questions: tuple[OpenQuestion, ...] = ()
    """What is not known, in the order of what would change the answer most."""


@dataclass(frozen=True, slots=True)
class Spare:
    """How much toe lies beyond the profile's minimum, mm: between ``least`` and ``most`` by all uncertainties.

    An ordinary claw is presumed; it is no length to take. None with a ``reason`` where nothing can be said, above all
    where the bone inside may have turned.
    """

    least: float | None
    most: float | None
    unit: Literal["mm"] = "mm"
    minimum: float | None = None
    chain: tuple[Mapping[str, Any], ...] = ()
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Trim:
    """What is said about trimming. Gives no line and no length to cut to."""

    text: tuple[str, ...]
    cautions: tuple[str, ...]
    veterinarian: bool
    """True where a veterinarian has to see the foot before any cutting."""
    spare: Mapping[ClawName, Spare] = field(default_factory=dict)
    """By claw name, each claw whose toe was measured."""
    steps: tuple[str, ...] = ()
    """The work in its order."""
    slow_down: tuple[str, ...] = ()
    feel_for: tuple[str, ...] = ()
    chain: tuple[Mapping[str, Any], ...] = ()
    """Where the numbers in these texts come from."""


@dataclass(frozen=True, slots=True)
class AfterTrim:
    """What a trim did, by the photos taken after it, and those before it where there are any."""

    achieved: tuple[str, ...]
    open: tuple[str, ...]
    """Still shown, or too close to call."""
    harm: tuple[str, ...]
    """Now too short, or unequal where it was not."""
    expectation: tuple[str, ...]
    next_look: str | None
    """ISO date by which somebody looks at the foot again."""
    compared_with: tuple[str, ...]
    """The photos from before."""
    chain: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class FootResult:
    """One foot at one stage and date: findings from all of its photos."""

    animal: str
    foot: Foot | None
    stage: Stage
    date: str | None
    photos: tuple[str, ...]
    profile: str
    findings: tuple[Finding, ...]
    urgency: Urgency
    trim: Trim
    checked: tuple[CheckedRule, ...] = ()
    after_trim: AfterTrim | None = None


@dataclass(frozen=True, slots=True)
class AnimalResult:
    """The feet of one animal seen together."""

    animal: str
    pattern: str
    findings: tuple[Finding, ...]
    urgency: Urgency
    checked: tuple[CheckedRule, ...] = ()
