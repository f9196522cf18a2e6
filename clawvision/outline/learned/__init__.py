"""The learned segmenter: one small network finds horn and landmarks, geometry makes outlines of what it says."""
