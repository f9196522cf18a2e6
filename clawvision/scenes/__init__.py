"""Scenes of cattle feet made from parameters, with everything that is true about them: an optional extra (PyTorch)."""
