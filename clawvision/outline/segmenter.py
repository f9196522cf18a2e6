"""What any automatic segmenter gives: the one small interface behind which they are exchanged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol, runtime_checkable

from clawvision.outline.naming import Side
from clawvision.types import FloatArray, Landmark, Lean, Photo, Scale, Twist, View, frozen_mapping


@dataclass(frozen=True, slots=True, eq=False)
class FoundClaw:
    """The horn of one claw as a segmenter found it.

    ``outline_px`` is float64 (N, 2), a simple polygon in pixels of the photo; ``sigma_px`` the standard
    error of its place across itself, pixels. ``side`` is, in a sole view, the side of the foot on which
    the claw lies with the toes turned up; None in a side view.

    ``confidence`` is a probability. Of a learned outline: that every measure of the photo lies within 10 mm and 8° of
    the truth. Of a classical one: that it covers the claw's true silhouette with an intersection over union of at
    least 0.9.

    ``landmarks`` are C, T and B of a side view, C and B where the horn begins under the hair, T and ``heel`` of a sole
    view, where the segmenter finds any. ``hidden_tip`` is the probability that the toe's tip is hidden or cut off.
    ``lean`` is told of a side view alone.
    """

    outline_px: FloatArray
    confidence: float
    sigma_px: float
    side: Side | None = None
    landmarks: Mapping[str, Landmark] = field(default_factory=frozen_mapping)
    hidden_tip: float = 0.0
    twist: Twist | None = None
    lean: Lean | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Segmentation:
    """All claws found in a photo for one view; empty where none was found.

    ``separated`` is False where two claws of a sole view could not be told apart at the cleft. ``evidence`` tells how
    much speaks for the picture showing this view rather than another, in log odds; 0 where nothing does.
    """

    claws: tuple[FoundClaw, ...]
    separated: bool = True
    evidence: float = 0.0


class Segmenter(Protocol):
    """Finds the horn in a photo."""

    def segment(self, photo: Photo, scale: Scale, view: View, *, toe: Side | None = None) -> Segmentation:
        """Find the claws: one in a side view, up to two in a sole view.

        Parameters
        ----------
        photo
            The upright photo.
        scale
            Camera and pose of the reference, from which follow the sizes that a claw can have in pixels.
        view
            The view to look for.
        toe
            The side to which the toe of a side view is expected to point, None where that is unknown.
        """
        ...


@runtime_checkable
class ViewTeller(Protocol):
    """A segmenter that tells the view at a glance, without outlining the claws in both views."""

    def odds(self, photo: Photo, view: View) -> float | None:
        """Return how much speaks for side or sole view against the other one, log odds; None where no horn shows."""
        ...


@runtime_checkable
class ReferenceTeller(Protocol):
    """A segmenter that tells where a card or a ruler lies, roughly, before any scale is known."""

    def rough_references(self, photo: Photo) -> tuple[FloatArray, ...]:
        """Return rough outlines (N, 2) of what looks like one, pixels, likeliest first."""
        ...
