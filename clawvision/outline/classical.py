"""The classical segmenter: no learned part, only what is known of the shape and look of horn."""

from __future__ import annotations

from clawvision.outline.naming import Side
from clawvision.outline.segmenter import Segmentation
from clawvision.types import Photo, Scale, View


class ClassicalSegmenter:
    """Finds claws by fitting claw shapes to the picture, then cutting horn from surroundings."""

    def segment(self, photo: Photo, scale: Scale, view: View, *, toe: Side | None = None) -> Segmentation:
        """See `Segmenter.segment`."""
        return Segmentation(())
