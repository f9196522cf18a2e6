"""The shape of claw outlines over animals and time: frame, descriptors, alignment, components, asymmetry, change.

Pure functions over frozen values, for research. What they mean and what they cannot tell: docs/shape.md.
"""

from clawvision.shape.asymmetry import Asymmetry, ShapePair, ShapePairs, asymmetry, pair_up
from clawvision.shape.change import (
    Repeatability,
    ShapePath,
    repeatability_from_sd,
    repeatability_of,
    shape_paths,
)
from clawvision.shape.components import Components, PossibleComponents, components, outline_at, scores_of
from clawvision.shape.fourier import (
    Descriptors,
    elliptic_fourier,
    harmonic_errors,
    harmonics_needed,
    normalised,
    reconstruct,
)
from clawvision.shape.frame import ClawShape, StandardShape, resample, semilandmarks, standard_frame
from clawvision.shape.pictures import components_picture, outlines_picture, scores_picture
from clawvision.shape.procrustes import Alignment, PairDistance, align, compare

__all__ = [
    "Alignment",
    "Asymmetry",
    "ClawShape",
    "Components",
    "Descriptors",
    "PairDistance",
    "PossibleComponents",
    "Repeatability",
    "ShapePair",
    "ShapePairs",
    "ShapePath",
    "StandardShape",
    "align",
    "asymmetry",
    "compare",
    "components",
    "components_picture",
    "elliptic_fourier",
    "harmonic_errors",
    "harmonics_needed",
    "normalised",
    "outline_at",
    "outlines_picture",
    "pair_up",
    "reconstruct",
    "repeatability_from_sd",
    "repeatability_of",
    "resample",
    "scores_of",
    "scores_picture",
    "semilandmarks",
    "shape_paths",
    "standard_frame",
]
